"""What the history says of each cause of one kind: the features, their priors, their rates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..records import F64, Kind, Mask
from .cause_map import CauseMap
from .factor_file import Factors, Link, Says
from .history import Event, History, PlatenCell
from .intensity import fit_rates
from .levels import UNKNOWN, Coded

BASE_SHAPE = 2.0  # the rate that no factor explains is never nothing; a start value of our own
_SEED = 20  # the same log gives the same weights
_LEAST_STEP = 0.05  # share of a step that a prior without any hint gives each level; our own


@dataclass(frozen=True, slots=True)
class Block:
    """The features of one factor: `start` is the first one's number.

    `rises` True: feature j counts for level j and above; False: for level j and below; None: for
    level j alone. The last feature stands for panels whose level is not known.
    """

    factor: str
    rises: bool | None
    start: int
    size: int

    def active(self, code: int) -> list[int]:
        """The features that count at a level."""
        last = self.start + self.size - 1
        if code == UNKNOWN:
            return [last]
        if self.rises is None:
            return [self.start + code]
        chosen = range(code + 1) if self.rises else range(code, self.size - 1)
        return [self.start + step for step in chosen]


@dataclass(frozen=True, slots=True)
class Learned:
    """The rates of one kind. Prior and posterior means in defects per panel.

    `share` is each cause's part of the kind's odds in the map. `base_share` is what is expected
    alike on all panels: causes that no factor speaks of, "something else" among them, whole, and of
    the others their even part, which is `even` of each.
    """

    kind: Kind
    panels: int
    defects: int
    enough: bool
    rate: float
    share: Mapping[str, float]
    base_share: float
    even: float
    blocks: Mapping[tuple[str, bool | None], Block]
    places: Mapping[PlatenCell, int]
    mean: F64

    @property
    def base_times(self) -> float:
        """The learned rate of what comes alike on all panels, over what the map expects of it."""
        return float(self.mean[0]) / (self.base_share * self.rate)


def block_key(link: Link, factors: Factors) -> tuple[str, bool | None]:
    """The block of features that a link draws on."""
    shape = factors.factors[link.factor].shape
    if shape in ("any", "group", "place"):
        return link.factor, None
    return link.factor, (shape != "falling") != link.falls


def kind_shares(kind: Kind, cause_map: CauseMap) -> dict[str, float]:
    """Each cause's part of a kind's odds, before any condition."""
    odds = {
        name: entry.weight
        for name, cause in cause_map.causes.items()
        if (entry := cause.weight_for(kind)) is not None
    }
    whole = sum(odds.values()) + cause_map.file.combine.something_else.value
    return {name: value / whole for name, value in odds.items()}


def learn_kind(kind: Kind, history: History, cause_map: CauseMap, among: Mask) -> Learned:
    """Learn the rates of one kind from the panels marked in `among` (N,)."""
    factors = history.factors
    learn = factors.learn
    shares = kind_shares(kind, cause_map)
    linked = {cause: links for cause in shares if (links := factors.links_of(cause))}
    by_place = any(
        factors.factors[link.factor].shape == "place" for links in linked.values() for link in links
    )
    events = history.events(kind, among, by_place)
    panels, defects = int(among.sum()), len({event.panel for event in events})
    enough = panels >= learn.least_pressings.value and defects >= learn.least_defects.value
    rate = max(len(events), 0.5) / max(panels, 1)
    even = learn.even_part.value
    base_share = 1.0 - (1.0 - even) * sum(shares[cause] for cause in linked)
    priors = _Priors(history, among, base_share * rate, learn.prior_shape.value)
    for cause, links in linked.items():
        for link in links:
            part = (1.0 - even) * shares[cause] * rate / len(links)
            if factors.factors[link.factor].shape == "place":
                priors.add_places(part)
            else:
                priors.add(block_key(link, factors), history.coded[link.factor], link, part)
    mean = np.array(priors.mean)
    if enough:
        struck = np.array([priors.row(event) for event in events])
        mean = priors.fit(struck)
    return Learned(
        kind=kind,
        panels=panels,
        defects=defects,
        enough=enough,
        rate=rate,
        share=shares,
        base_share=base_share,
        even=even,
        blocks=priors.blocks,
        places=priors.places,
        mean=mean,
    )


class _Priors:
    """The features as they are laid out, with exposure and prior; feature 0 is the base.

    The features of a factor form a group with one scale, over which a prior shape is spread: the
    steps of an ordered factor make a gamma process over its levels.
    """

    def __init__(self, history: History, among: Mask, base_rate: float, shape: float) -> None:
        self._history, self._among, self._shape = history, among, shape
        self._panels = max(int(among.sum()), 1)
        self.mean: list[float] = [base_rate]
        self._exposure: list[float] = [float(among.sum())]
        self._group: list[int] = [0]
        self._parts: list[float] = [base_rate]
        self.blocks: dict[tuple[str, bool | None], Block] = {}
        self.places: dict[PlatenCell, int] = {}

    def add(self, key: tuple[str, bool | None], coded: Coded, link: Link, part: float) -> None:
        """Add a link's part of the rate to a block, which is laid out at its first link."""
        counts = np.bincount(coded.codes[self._among] + 1, minlength=len(coded.labels) + 1).astype(
            np.float64
        )
        rises, levels = key[1], counts[1:]
        if rises is None:
            exposure, hint = levels, np.ones(len(levels))
        else:
            exposure = levels[::-1].cumsum()[::-1] if rises else levels.cumsum()
            hint = _steps(coded, link, rises)
        if key not in self.blocks:
            self.blocks[key] = Block(key[0], rises, len(self.mean), len(exposure) + 1)
            self._lay_out([*exposure.tolist(), float(counts[0])])
        block = self.blocks[key]
        self._parts[self._group[block.start]] += part
        # scaled so that the link's rate, averaged over the panels whose level is known, is its part
        spread = float((hint * exposure).sum()) / max(float(levels.sum()), 1.0)
        steps = hint * (part / spread if spread > 0 else part)
        for step, value in enumerate([*steps.tolist(), part]):
            self.mean[block.start + step] += value

    def add_places(self, part: float) -> None:
        """Add a link's part of the rate to the cells of the platens, a feature each."""
        exposure = self._history.place_exposure(self._among)
        if not exposure:
            return
        if not self.places:
            first = len(self.mean)
            cells = sorted(exposure)
            self.places = {place: first + step for step, place in enumerate(cells)}
            for place in cells:
                # each with a scale of its own: one dusty corner says nothing of the others
                self._lay_out([exposure[place]])
        each = part * self._panels / sum(exposure.values())
        for number in self.places.values():
            self._parts[self._group[number]] += each
            self.mean[number] += each

    def _lay_out(self, exposure: list[float]) -> None:
        self.mean += [0.0] * len(exposure)
        self._exposure += exposure
        self._group += [len(self._parts)] * len(exposure)
        self._parts.append(0.0)

    def fit(self, struck: F64) -> F64:
        """The posterior mean of each feature's rate, from the features (E, K) of all events."""
        scale = np.array(self._parts) / self._shape
        scale[0] = self._parts[0] / BASE_SHAPE
        group, mean = np.array(self._group), np.array(self.mean)
        rng = np.random.default_rng(_SEED)
        return fit_rates(struck, np.array(self._exposure), mean / scale[group], scale, group, rng)

    def row(self, event: Event) -> list[float]:
        """The features of one event; a panel's rate is spread over its cells by area."""
        struck = [0.0] * len(self.mean)
        area, cover = 1.0, 0.0
        if event.cell is not None:
            area, cover = self._history.cells(event.panel).get(event.cell[1:], (1.0, 0.0))
        struck[0] = area
        for (name, _), block in self.blocks.items():
            code = int(self._history.coded[name].codes[event.panel])
            for number in block.active(code):
                struck[number] = area
        if event.cell in self.places:
            struck[self.places[event.cell]] = cover
        return struck


def _steps(coded: Coded, link: Link, rises: bool) -> F64:
    """Prior steps between levels: even, and larger where the map says that a limit lies."""
    assert coded.values is not None
    times = []
    for code in range(len(coded.labels)):
        there = coded.values[coded.codes == code]
        times.append(says_times(link.says, float(np.median(there)) if len(there) else None))
    up = np.array(times if rises else times[::-1])
    steps = np.maximum(np.diff(up, prepend=up[0]), 0.0) + _LEAST_STEP
    return steps if rises else steps[::-1]


def says_times(says: tuple[Says, ...], value: float | None) -> float:
    """What a link says of one value before any history: the product of all that hold."""
    times = 1.0
    for item in says:
        if item.holds(value):
            times *= item.times
    return times
