"""Patterns that run through many panels, each held against chance and told in one sentence.

All tests of a run are believed together, so that of the patterns told at most a set share is chance
(Benjamini and Hochberg), and a run without any pattern seldom tells one. Patterns that the trade
expects are believed sooner (weighted after Genovese, Roeder, Wasserman, Biometrika 93, 2006).

Of several explanations of one defect the unlikeliest by chance is told; another only where it stays
when panels are compared that are alike in the first (a stratified rank test, after Mantel, JASA 58,
1963).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..records import Kind, Tone
from . import tests_of_chance as chance
from .panels import Panel
from .pattern_file import PatternTable, PatternWord
from .pattern_tests import Tested, all_tests

_STRATA = 5
_MOSTLY = 0.75


@dataclass(frozen=True, slots=True)
class Pattern:
    """One pattern: what was tested, how unlikely it is by chance, and in words.

    `p` is the test's own, `adjusted` the one after all tests of the run. `numbers` holds what the
    sentence says as numbers. `panels` are the ids of the panels that show it.
    """

    pattern: PatternWord
    kind: Kind
    tone: Tone | None
    factor: str | None
    level: str | None
    p: float
    adjusted: float
    sentence: str
    cause: str | None
    cause_title: str | None
    try_next: str | None
    caution: str | None
    numbers: dict[str, Any]
    panels: tuple[str, ...]


def find_patterns(panels: Sequence[Panel], table: PatternTable) -> list[Pattern]:
    """The patterns of a run that are believed, the unlikeliest by chance first.

    Only panels that the machine could see count, whatever a person ruled on them.
    """
    seen = [panel for panel in panels if panel.usable]
    tests = list(all_tests(seen, table))
    mean = sum(test.weight for test in tests) / max(1, len(tests))
    weighted = [min(1.0, test.p * mean / test.weight) for test in tests]
    adjusted = chance.adjusted_p(weighted)
    limit = table.file.limit.share_false.value
    order = sorted(range(len(tests)), key=weighted.__getitem__)
    held = [(tests[place], adjusted[place]) for place in order if adjusted[place] <= limit]
    kept: list[tuple[Tested, float, list[str]]] = []
    for test, q in held:
        stronger = next((entry for entry in kept if _explained(test, entry[0], seen, table)), None)
        if stronger is None:
            kept.append((test, q, []))
        else:
            stronger[2].append(_called(test, table))
    return [_pattern(test, q, also, seen, table) for test, q, also in kept]


def comparisons(panels: Sequence[Panel], table: PatternTable) -> int:
    """How many tests a run's panels allow; all of them are believed together."""
    return sum(1 for _ in all_tests([panel for panel in panels if panel.usable], table))


# several explanations of the same


def _explained(
    test: Tested, stronger: Tested, panels: Sequence[Panel], table: PatternTable
) -> bool:
    """Whether a pattern is gone among panels that are alike in a stronger one of its defect."""
    if test.signal != stronger.signal or test.pattern == "direction":
        return False
    if test.pattern == "place" or stronger.pattern == "place":
        # the same place told once more, for one press; or a press whose place it is
        overlap = len(set(test.members) & set(stronger.members))
        return overlap >= 0.5 * len(test.members)
    if test.x is None or stronger.x is None or test.rows is None or stronger.rows is None:
        return False
    place = {int(row): position for position, row in enumerate(stronger.rows)}
    both = [(i, place[int(row)]) for i, row in enumerate(test.rows) if int(row) in place]
    if len(both) < 3:
        return False
    mine, theirs = (np.array(column) for column in zip(*both, strict=True))
    x, strata = test.x[mine], _strata(stronger.x[theirs])
    least = table.file.limit.least_confidence.value
    bad = np.array([bool(test.signal.marks(panels[int(test.rows[i])], least)) for i in mine])
    sign = -1.0 if test.direction == "less" else 1.0
    return _stratified(sign * x, bad, strata) > table.file.limit.still_there.value


def _strata(x: NDArray[np.float64]) -> NDArray[np.int64]:
    values = np.unique(x)
    if len(values) <= _STRATA:
        return np.searchsorted(values, x)
    edges = np.quantile(x, np.linspace(0, 1, _STRATA + 1)[1:-1])
    return np.searchsorted(edges, x)


def _stratified(x: NDArray[np.float64], bad: NDArray[np.bool_], strata: NDArray[np.int64]) -> float:
    """P, one-sided, that bad ones lie so far towards large x within the strata by chance."""
    from scipy.stats import norm

    apart = variance = 0.0
    for stratum in np.unique(strata):
        inside = strata == stratum
        n, k = int(inside.sum()), int(bad[inside].sum())
        if n < 2 or k in (0, n):
            continue
        part = x[inside]
        apart += float(part[bad[inside]].sum() - k * part.mean())
        variance += k * (n - k) / (n - 1) * float(part.var())
    return float(norm.sf(apart / math.sqrt(variance))) if variance > 0 else 1.0


def _called(test: Tested, table: PatternTable) -> str:
    if test.pattern == "place":
        # a place of one press has that press in common by itself
        return f"{table.file.factor['press'].title} {test.level}" if test.level else ""
    title = table.file.factor[test.factor or ""].title
    return f"{title} {test.level}" if test.level else title


def _told_of_artworks(
    test: Tested, panels: Sequence[Panel], table: PatternTable
) -> tuple[str, bool]:
    """What is to be said of the artworks at a place, and whether the place lies in one of them."""
    from scipy.stats import binom

    members = [panels[row].artwork for row in test.members]
    around = [one for one in panels if test.level in (None, one.facts.get("press"))]
    artwork, count = Counter(members).most_common(1)[0]
    share = sum(one.artwork == artwork for one in around) / len(around)
    by_chance = float(binom.sf(count - 1, len(members), share))
    sentences, limit = table.file.sentence, table.file.limit
    if count >= _MOSTLY * len(members) and by_chance < limit.only_artwork.value:
        return " " + sentences.only_artwork.text.format(artwork=artwork, count=count), True
    if count == len(members):
        return " " + sentences.one_artwork.text.format(artwork=artwork), False
    return "", False


def _pattern(
    test: Tested,
    adjusted: float,
    also: Sequence[str],
    panels: Sequence[Panel],
    table: PatternTable,
) -> Pattern:
    sentence, numbers = test.tell()
    members = [panels[row] for row in test.members]
    cause = test.cause
    if test.pattern == "place":
        told, in_picture = _told_of_artworks(test, panels, table)
        sentence += told
        # other pictures lay on the same platen and hardly show it
        cause = None if in_picture else cause
    named = [name for name in dict.fromkeys(also) if name and name != _called(test, table)]
    if named:
        sentence += " " + table.file.sentence.also.text.format(names=", ".join(named))
    entry = table.causes.causes.get(cause) if cause else None
    return Pattern(
        pattern=test.pattern,
        kind=test.signal.kind,
        tone=test.signal.tone,
        factor=test.factor,
        level=test.level,
        p=test.p,
        adjusted=adjusted,
        sentence=sentence,
        cause=cause,
        cause_title=None if entry is None else entry.title,
        try_next=None if entry is None else entry.try_next,
        caution=None if entry is None else entry.caution,
        numbers=numbers,
        panels=tuple(panel.panel_id for panel in members),
    )
