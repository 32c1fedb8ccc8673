"""Which factors matter for a kind of defect: rates, tests, odds ratios, adjusted for the others.

Beside the plain tests of each factor (Fisher's exact test for two levels, the Cochran-Armitage test
for ordered ones, Pearson's chi-square for words) stands one that holds everything else still.
Factors travel together, so a factor counts as significant by that one only: a score test of its
levels with all other factors in (`adjusted`). Its p values are adjusted over all factors of a kind
by Benjamini and Hochberg.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..records import Kind, Mask
from .adjusted import adjusted_p, going_along
from .factor_file import Factors
from .history import History, PlatenCell, level_counts
from .levels import Coded, Codes
from .statistics import (
    Interval,
    benjamini_hochberg,
    differ,
    exact_odds_ratio,
    fisher,
    odds_ratio,
    trend,
    wilson,
)

_EXACT_UP_TO = 500  # panels in two levels; beyond, Woolf's interval says the same and costs nothing


@dataclass(frozen=True, slots=True)
class LevelRate:
    """One level of a factor: how many panels showed the kind, of how many, with its interval."""

    label: str
    hits: int
    of: int
    rate: Interval


@dataclass(frozen=True, slots=True)
class FactorResult:
    """One factor and one kind.

    `plain_test` names the test behind `plain_p`; `p` is the adjusted-for-others one and `q` its
    Benjamini-Hochberg value over all factors of the kind. `odds` compares level `high` with level
    `low`, those of the highest and lowest rate, plainly. `alike` names factors that go along with
    this one so closely that the log cannot tell them apart: these were not held.
    """

    factor: str
    title: str
    levels: tuple[LevelRate, ...]
    plain_test: str
    plain_p: float
    p: float
    q: float
    significant: bool
    high: str
    low: str
    odds: Interval
    alike: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class KindResult:
    """All factors of one kind, the most telling first; none where there is too little to test."""

    kind: Kind
    panels: int
    defects: int
    enough: bool
    factors: tuple[FactorResult, ...]


def compare_factors(kind: Kind, history: History) -> KindResult:
    """Test every factor of the log for one kind."""
    among, hit = history.looked, history.showing(kind)
    learn = history.factors.learn
    panels, defects = int(among.sum()), int((among & hit).sum())
    enough = panels >= learn.least_pressings.value and defects >= learn.least_defects.value
    usable = [coded for coded in history.coded.values() if _levels_held(coded, among) > 1]
    if not enough or not usable:
        return KindResult(kind, panels, defects, enough, ())
    codes = [coded.codes[among] for coded in usable]
    alike = _alike(tuple(coded.name for coded in usable), codes, history)
    adjusted = adjusted_p(
        codes,
        hit[among].astype(np.float64),
        least_expected=_least_expected(history.factors, panels, defects),
        alike=alike,
    )
    limit = learn.false_discovery.value
    place = _place_levels(kind, history)
    if place is not None:
        adjusted.append(place[1])
    q_values = benjamini_hochberg(adjusted).tolist()
    results = [
        _result(coded, among, hit, p, q, limit, tuple(usable[other].factor.title for other in same))
        for coded, p, q, same in zip(usable, adjusted, q_values, alike, strict=False)
    ]
    if place is not None:
        results.append(_place_result(place, history, q_values[-1], limit))
    return KindResult(
        kind,
        panels,
        defects,
        enough,
        tuple(sorted(results, key=lambda item: (item.p, item.factor))),
    )


def _least_expected(factors: Factors, panels: int, defects: int) -> int:
    """Panels that a level needs to expect three defects, but no fewer than a level needs anyway."""
    return max(int(factors.learn.least_level.value), int(np.ceil(3 * panels / max(defects, 1))))


def _levels_held(coded: Coded, among: Mask) -> int:
    return len(np.unique(coded.codes[among & (coded.codes >= 0)]))


def _result(
    coded: Coded,
    among: Mask,
    hit: Mask,
    p: float,
    q: float,
    limit: float,
    alike: tuple[str, ...],
) -> FactorResult:
    hits, totals = level_counts(coded, among, hit)
    levels = tuple(
        LevelRate(label, int(count), int(of), wilson(int(count), int(of)))
        for label, count, of in zip(coded.labels, hits, totals, strict=True)
        if of
    )
    ranked = sorted(levels, key=lambda level: level.hits / level.of)
    low, high = ranked[0], ranked[-1]
    if len(levels) == 2:
        name, plain = "Fisher", fisher(low.hits, low.of, high.hits, high.of)
    elif coded.ordered and coded.factor.shape != "any":
        name = "trend"
        plain = trend([level.hits for level in levels], [level.of for level in levels])
    else:
        name = "chi-square"
        plain = differ([level.hits for level in levels], [level.of for level in levels])
    return FactorResult(
        factor=coded.name,
        title=coded.factor.title,
        levels=levels,
        plain_test=name,
        plain_p=plain,
        p=p,
        q=q,
        significant=q < limit,
        high=high.label,
        low=low.label,
        odds=_odds(high, low),
        alike=alike,
    )


def _place_levels(kind: Kind, history: History) -> tuple[tuple[LevelRate, ...], float] | None:
    """Marks by platen cell, and the p of their being spread by coverage within each press."""
    from scipy.special import gammaincc

    exposure = history.place_exposure(history.looked)
    hits: dict[PlatenCell, int] = {}
    for event in history.events(kind, history.looked, by_place=True):
        if event.cell in exposure:
            hits[event.cell] = hits.get(event.cell, 0) + 1
    statistic, freedom = 0.0, 0
    for press in dict.fromkeys(cell[0] for cell in exposure):
        own = [cell for cell in exposure if cell[0] == press]
        seen = sum(hits.get(cell, 0) for cell in own)
        covered = sum(exposure[cell] for cell in own)
        expected = {cell: seen * exposure[cell] / covered for cell in own}
        # cells that expect too few marks are taken together
        large = [cell for cell in own if expected[cell] >= 3.0]
        pairs = [(hits.get(cell, 0), expected[cell]) for cell in large]
        rest = seen - sum(pair[0] for pair in pairs), seen - sum(pair[1] for pair in pairs)
        if rest[1] >= 3.0:
            pairs.append(rest)
        if len(pairs) > 1:
            statistic += sum((got - due) ** 2 / due for got, due in pairs)
            freedom += len(pairs) - 1
    if not freedom:
        return None
    levels = tuple(
        LevelRate(
            f"press {press}, cell {across + 1} from the left, {down + 1} from the back",
            hits.get((press, across, down), 0),
            max(round(exposure[press, across, down]), hits.get((press, across, down), 0), 1),
            wilson(
                hits.get((press, across, down), 0),
                max(round(exposure[press, across, down]), hits.get((press, across, down), 0), 1),
            ),
        )
        for press, across, down in sorted(exposure)
    )
    return levels, float(gammaincc(freedom / 2, statistic / 2))


def _place_result(
    place: tuple[tuple[LevelRate, ...], float], history: History, q: float, limit: float
) -> FactorResult:
    levels, p = place
    name = next(name for name, factor in history.factors.factors.items() if factor.shape == "place")
    worst = max(levels, key=lambda level: level.rate.low)
    hits, of = sum(level.hits for level in levels), sum(level.of for level in levels)
    return FactorResult(
        factor=name,
        title=history.factors.factors[name].title,
        levels=levels,
        plain_test="chi-square within each press",
        plain_p=p,
        p=p,
        q=q,
        significant=q < limit,
        high=worst.label,
        low="everywhere else",
        odds=odds_ratio(worst.hits, worst.of, hits - worst.hits, of - worst.of),
    )


def _odds(high: LevelRate, low: LevelRate) -> Interval:
    """The odds ratio of two levels: exact where the table is small and has no empty cell."""
    cells = (high.hits, high.of - high.hits, low.hits, low.of - low.hits)
    if min(cells) > 0 and sum(cells) <= _EXACT_UP_TO:
        return exact_odds_ratio(high.hits, high.of, low.hits, low.of)
    return odds_ratio(high.hits, high.of, low.hits, low.of)


def _alike(
    names: tuple[str, ...], codes: Sequence[Codes], history: History
) -> list[frozenset[int]]:
    """For each factor the others that go along with it too closely to be held.

    The same for every kind, so kept with the history.
    """
    if names not in history.alike:
        limit = history.factors.learn.same_factor.value
        found: list[set[int]] = [set() for _ in codes]
        for one in range(len(codes)):
            for two in range(one):
                if going_along(codes[one], codes[two]) >= limit:
                    found[one].add(two)
                    found[two].add(one)
        history.alike[names] = [frozenset(others) for others in found]
    return history.alike[names]
