"""What the press log says of one panel's causes: of its pressing, and from the shop's history."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ..judge import texts
from ..records import Kind, Mask
from .cause_map import SOMETHING_ELSE, CauseMap
from .factor_file import Link
from .history import History, PlatenCell, level_counts
from .learned import Learned, block_key, learn_kind, says_times
from .levels import UNKNOWN
from .parts import Part
from .statistics import wilson

_WORTH_SAYING = 1.25  # a history factor nearer to 1 than this is not worth a sentence; our own


@dataclass(slots=True)
class Evidence:
    """The log's word on one panel. `panel_row` is its row number in the log.

    The panel itself is left out of the history that it is judged by.
    """

    history: History
    cause_map: CauseMap
    panel_row: int
    among: Mask | None = None
    _learned: dict[Kind, Learned] = field(default_factory=dict)

    @property
    def index(self) -> int:
        """Where the panel stands in the history."""
        return self.history.index_of(self.panel_row)

    def learned(self, kind: Kind) -> Learned:
        """What the history holds of a kind, learned once."""
        if kind not in self._learned:
            among = self.history.looked.copy() if self.among is None else self.among.copy()
            among[self.index] = False
            self._learned[kind] = learn_kind(kind, self.history, self.cause_map, among)
        return self._learned[kind]

    def parts(
        self, kind: Kind, x_mm: float | None = None, y_mm: float | None = None
    ) -> Mapping[str, tuple[Part, ...]]:
        """For each cause of a kind, and for something else, the log's parts of its weight.

        `x_mm`, `y_mm` is where on the panel the mark lies, None where that is not known.
        """
        return kind_parts(
            self.learned(kind),
            self.history,
            self.cause_map,
            self.index,
            self.history.cell_at(self.index, x_mm, y_mm),
        )

    def notes(self, kind: Kind) -> tuple[str, ...]:
        """What must be said about the history of a kind: that it is too short to count."""
        known = self.learned(kind)
        if known.enough:
            return ()
        name = texts.kind_title(kind).lower()
        return (
            f"Too few in the log to learn from: {known.panels} other panels looked at, "
            f"{known.defects} with {name}.",
        )


def kind_parts(
    known: Learned,
    history: History,
    cause_map: CauseMap,
    index: int,
    cell: PlatenCell | None,
) -> dict[str, tuple[Part, ...]]:
    """The log's parts of the weight of each cause of one kind, for one panel and one mark."""
    parts: dict[str, tuple[Part, ...]] = {}
    claims = _claims(known, history)
    base = _base_part(known)
    for cause in (*known.share, SOMETHING_ELSE):
        links = () if cause == SOMETHING_ELSE else history.factors.links_of(cause)
        if not links:
            parts[cause] = (base,) if base else ()
            continue
        said = [part for link in links if (part := _said(link, history, index)) is not None]
        if known.enough:
            whole = known.share[cause] * known.rate
            rate = known.even * whole * known.base_times
            for link in links:
                found = _rate(link, known, history, index, cell)
                # where the log cannot tell, the map's expectation stands
                expected = (1.0 - known.even) * whole / len(links)
                claim = claims[_key(link, history)][cause]
                rate += expected if found is None else found * claim
            before = float(np.prod([part.times for part in said]))
            times = max(rate / (whole * before), 1e-9)
            said.append(_history_part(links, known, history, index, cell, times))
        parts[cause] = tuple(said)
    return parts


def _key(link: Link, history: History) -> tuple[str, bool | None]:
    return block_key(link, history.factors)


def _claims(known: Learned, history: History) -> dict[tuple[str, bool | None], dict[str, float]]:
    """How a factor's rate is divided between the causes that it speaks of: as the map has it."""
    claims: dict[tuple[str, bool | None], dict[str, float]] = {}
    for cause, share in known.share.items():
        links = history.factors.links_of(cause)
        for link in links:
            held = claims.setdefault(_key(link, history), {})
            held[cause] = held.get(cause, 0.0) + share / len(links)
    return {
        key: {cause: part / sum(held.values()) for cause, part in held.items()}
        for key, held in claims.items()
    }


def _rate(
    link: Link, known: Learned, history: History, index: int, cell: PlatenCell | None
) -> float | None:
    """The learned rate of a factor at this panel, in marks over a whole panel like this place.

    None where the log does not know the place, or nothing was ever pressed there.
    """
    if history.factors.factors[link.factor].shape != "place":
        block = known.blocks[_key(link, history)]
        code = int(history.coded[link.factor].codes[index])
        return float(sum(known.mean[number] for number in block.active(code)))
    press = history.columns.values["press"][index]
    under = {
        (press, *place): parts
        for place, parts in history.cells(index).items()
        if (press, *place) in known.places
    }
    if cell is not None:
        if cell not in under:
            return None
        area, cover = under[cell]
        return float(known.mean[known.places[cell]]) * cover / max(area, 1e-6)
    if not under:
        return None
    return sum(
        float(known.mean[known.places[place]]) * cover for place, (_, cover) in under.items()
    )


def _said(link: Link, history: History, index: int) -> Part | None:
    coded = history.coded.get(link.factor)
    if coded is None or coded.values is None:
        return None
    value = float(coded.values[index])
    holding = [item for item in link.says if item.holds(value)]
    if not holding:
        return None
    return Part(
        name=f"log: {coded.factor.title}",
        times=says_times(link.says, value),
        because=" ".join(item.because for item in holding),
        origin="; ".join(item.origin for item in holding),
    )


def _base_part(known: Learned) -> Part | None:
    if not known.enough:
        return None
    return Part(
        name="history: all causes without a factor",
        times=known.base_times,
        because="How often this comes where no factor in the log explains it.",
        origin=f"learned from {known.panels} panels, {known.defects} with this kind",
        told=False,
    )


def _history_part(
    links: tuple[Link, ...],
    known: Learned,
    history: History,
    index: int,
    cell: PlatenCell | None,
    times: float,
) -> Part:
    sentences = [
        text for link in links if (text := _seen(link, known, history, index, cell)) is not None
    ]
    return Part(
        name="history: " + ", ".join(history.factors.factors[link.factor].title for link in links),
        times=times,
        because=" ".join(sentences) or "What the log holds at this pressing's settings.",
        origin=f"learned from {known.panels} panels, {known.defects} with this kind",
        told=bool(sentences) and times >= _WORTH_SAYING,
    )


def _seen(
    link: Link, known: Learned, history: History, index: int, cell: PlatenCell | None
) -> str | None:
    """The plain counts behind a factor: how often the kind came at this level, and elsewhere."""
    name = texts.kind_title(known.kind).lower()
    among = history.looked.copy()
    among[index] = False
    if history.factors.factors[link.factor].shape == "place":
        if cell is None:
            return None
        here = sum(event.cell == cell for event in history.events(known.kind, among, True))
        if here == 0:
            return None
        covered = round(history.place_exposure(among).get(cell, 0.0))
        return (
            f"The log holds {here} panels with {name} at this place of the platen of press "
            f"{cell[0]}, which about {covered} panels covered."
        )
    coded = history.coded[link.factor]
    code = int(coded.codes[index])
    if code == UNKNOWN:
        return None
    hits, totals = level_counts(coded, among, history.showing(known.kind))
    here, of = int(hits[code]), int(totals[code])
    other, other_of = int(hits.sum()) - here, int(totals.sum()) - of
    if of == 0 or other_of == 0:
        return None
    bounds = wilson(here, of)
    return (
        f"{coded.factor.title.capitalize()} {coded.labels[code]}: {name} on "
        f"{_percent(bounds.value)} of panels ({here} of {of}, 95 % interval "
        f"{_percent(bounds.low)} to {_percent(bounds.high)}); otherwise on "
        f"{_percent(other / other_of)} ({other} of {other_of})."
    )


def _percent(share: float) -> str:
    return f"{100 * share:.2g} %" if share < 0.0995 else f"{100 * share:.0f} %"
