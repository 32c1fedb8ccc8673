"""Every test for a pattern that a run's panels allow, and how each would be told."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray

from ..records import Kind, Tone
from . import tests_of_chance as chance
from .manifest import number
from .panels import Panel
from .pattern_file import Direction, PatternTable, PatternWord
from .pattern_words import Signal, tell_group, tell_place, tell_trend, towards
from .platen import Place, Spots, busiest_places, spots_of, turned

_SMALL: tuple[Kind, ...] = ("dust_speck", "fibre", "scratch", "dent", "unexplained")
# kinds whose tone tells two causes apart
_TOLD_BY_TONE: tuple[Kind, ...] = ("off_colour", "uneven_press")
_RADII = (1.0, 2.0, 4.0)
_MOST_LEVELS = 60


@dataclass(frozen=True, slots=True)
class Tested:
    """A test that was made: its p, the panels that show it, and how it would be told.

    `weight` is how much sooner it is believed than others. `x` are the values that it was made
    along, of the panels in `rows`."""

    pattern: PatternWord
    signal: Signal
    p: float
    tell: Callable[[], tuple[str, dict[str, Any]]]
    members: tuple[int, ...]
    cause: str | None
    weight: float
    factor: str | None = None
    level: str | None = None
    direction: Direction | None = None
    x: NDArray[np.float64] | None = None
    rows: NDArray[np.int64] | None = None


def all_tests(panels: Sequence[Panel], table: PatternTable) -> Iterator[Tested]:
    """All tests, one by one."""
    least = table.file.limit.least_confidence.value
    for signal in _signals(panels, least):
        bad = np.array([bool(signal.marks(panel, least)) for panel in panels])
        if bad.sum() < table.file.limit.least_panels.value:
            continue
        yield from _place_tests(panels, signal, table)
        yield from _trend_tests(panels, signal, bad, table)
        yield from _group_tests(panels, signal, bad, table)
        yield from _direction_tests(panels, signal, table)


def _signals(panels: Sequence[Panel], least: float) -> Iterator[Signal]:
    present = {
        (mark.kind, mark.tone)
        for panel in panels
        for mark in panel.marks
        if mark.confidence >= least
    }
    for kind in get_args(Kind):
        tones = [tone for tone in get_args(Tone) if (kind, tone) in present]
        if tones and kind not in _TOLD_BY_TONE:
            yield Signal(kind)
        for tone in tones if kind in _TOLD_BY_TONE else ():
            yield Signal(kind, tone)


def _known(
    table: PatternTable,
    pattern: PatternWord,
    signal: Signal,
    shared_by: int,
    factor: str | None = None,
    direction: Direction | None = None,
) -> tuple[str | None, float]:
    """The cause that a test would point to and its weight; tests of one question share theirs."""
    cause = table.known_cause(
        pattern, signal.kind, factor=factor, tone=signal.tone, direction=direction
    )
    if cause is None:
        return table.usual_cause(signal.kind), 1.0 / shared_by
    weight = table.file.limit.known_weight.value
    # of the two directions of a trend only one is expected
    return cause, weight if pattern == "trend" else weight / shared_by


# places


def _place_tests(panels: Sequence[Panel], signal: Signal, table: PatternTable) -> Iterator[Tested]:
    limits = table.file.limit
    small = signal.kind in _SMALL
    radius = limits.small_radius_mm.value if small else limits.large_radius_mm.value
    frames = list(_frames(panels))
    cause, weight = _known(table, "place", signal, max(1, len(frames)))
    for where, rows in frames:
        group = [panels[row] for row in rows]
        points = [_local_points(signal, panel, limits.least_confidence.value) for panel in group]
        spots = spots_of(group, points)
        if spots is None:
            continue
        radii = [radius * times for times in _RADII]
        for place in busiest_places(spots, radii, int(limits.least_panels.value)):
            members = tuple(int(rows[member]) for member in place.members)

            def tell(
                place: Place = place, spots: Spots = spots, where: str = where
            ) -> tuple[str, dict[str, Any]]:
                return tell_place(signal, place, spots, where, table)

            yield Tested(
                "place", signal, place.p, tell, members, cause, weight, level=where or None
            )


def _local_points(signal: Signal, panel: Panel, least: float) -> NDArray[np.float64]:
    points = [mark.center_mm for mark in signal.marks(panel, least) if not mark.whole]
    return np.array(points, np.float64).reshape(-1, 2)


def _frames(panels: Sequence[Panel]) -> Iterator[tuple[str, NDArray[np.int64]]]:
    """Panels that share a frame: all, and each press's own where there are several."""
    everything = np.arange(len(panels))
    presses = [panel.facts.get("press", "") for panel in panels]
    if spots_of(panels, [np.zeros((0, 2))] * len(panels)) is not None:
        yield "", everything
    for press in sorted(set(presses)):
        if press and len(set(presses)) > 1:
            yield press, np.flatnonzero(np.array([one == press for one in presses]))


# trends


def _trend_tests(
    panels: Sequence[Panel], signal: Signal, bad: NDArray[np.bool_], table: PatternTable
) -> Iterator[Tested]:
    for factor in table.numbers:
        values = np.array([_value(panel, factor) for panel in panels], np.float64)
        if factor == "order":
            values = _order(panels)
        rows = np.flatnonzero(np.isfinite(values))
        x, hit = values[rows], bad[rows]
        if len(np.unique(x)) < 3 or hit.sum() < table.file.limit.least_panels.value:
            continue
        # a direction that the trade expects is tried for itself, and sooner believed
        for direction in get_args(Direction):

            def tell(
                x: NDArray[np.float64] = x,
                hit: NDArray[np.bool_] = hit,
                factor: str = factor,
                direction: Direction = direction,
            ) -> tuple[str, dict[str, Any]]:
                return tell_trend(signal, factor, direction, x, hit, table)

            cause, weight = _known(table, "trend", signal, 2, factor, direction)
            yield Tested(
                "trend",
                signal,
                chance.rises(x if direction == "more" else -x, hit),
                tell,
                tuple(int(row) for row in rows[hit]),
                cause,
                weight,
                factor=factor,
                direction=direction,
                x=x,
                rows=rows,
            )


def _value(panel: Panel, factor: str) -> float:
    if factor == "panel_size_mm":
        return max(panel.width_mm, panel.height_mm) if panel.size_known else math.nan
    value = number(panel.facts.get(factor, ""))
    return math.nan if value is None else value


def _order(panels: Sequence[Panel]) -> NDArray[np.float64]:
    """Each panel's place in the run: by time of pressing where all are known, else as listed."""
    try:
        times = [datetime.fromisoformat(panel.facts["at"]) for panel in panels]
        ranked = sorted(range(len(panels)), key=lambda row: (times[row], panels[row].index))
    except (KeyError, ValueError, TypeError):
        ranked = sorted(range(len(panels)), key=lambda row: panels[row].index)
    places = np.empty(len(panels))
    places[ranked] = np.arange(len(panels))
    return places


# groups


def _group_tests(
    panels: Sequence[Panel], signal: Signal, bad: NDArray[np.bool_], table: PatternTable
) -> Iterator[Tested]:
    least = table.file.limit.least_group.value
    for factor in table.words:
        labels = np.array([panel.facts.get(factor, "") for panel in panels])
        rows = np.flatnonzero(labels != "")
        counts = Counter(labels[rows])
        levels = sorted(level for level, count in counts.items() if count >= least)
        if len(counts) < 2 or len(levels) > _MOST_LEVELS:
            continue
        cause, weight = _known(table, "group", signal, max(1, len(levels)), factor)
        for level in levels:
            here = labels[rows] == level
            hit = bad[rows]
            cells = (
                int(hit[here].sum()),
                int(here.sum()),
                int(hit[~here].sum()),
                int((~here).sum()),
            )
            if cells[3] < least:
                continue

            def tell(
                cells: tuple[int, int, int, int] = cells, factor: str = factor, level: str = level
            ) -> tuple[str, dict[str, Any]]:
                return tell_group(signal, factor, level, cells, table)

            yield Tested(
                "group",
                signal,
                chance.more_often(*cells),
                tell,
                tuple(int(row) for row in rows[here & hit]),
                cause,
                weight,
                factor=factor,
                level=str(level),
                x=here.astype(np.float64),
                rows=rows,
            )


# directions


def _direction_tests(
    panels: Sequence[Panel], signal: Signal, table: PatternTable
) -> Iterator[Tested]:
    least = table.file.limit.least_confidence.value
    found = []
    for row, panel in enumerate(panels):
        for mark in signal.marks(panel, least):
            if mark.vector_mm is not None:
                vector = turned(np.array([mark.vector_mm], np.float64), panel.facts)[0]
                found.append((row, vector))
                break
    if len(found) < table.file.limit.least_panels.value:
        return
    vectors = np.array([vector for _, vector in found])
    on_platen = any("quarter_turns" in panels[row].facts for row, _ in found)

    def tell() -> tuple[str, dict[str, Any]]:
        mean = np.median(vectors, axis=0)
        numbers = {
            "count": len(found),
            "x_mm": round(float(mean[0]), 2),
            "y_mm": round(float(mean[1]), 2),
        }
        text = table.file.sentence.direction.text.format(
            kind=signal.title,
            count=len(found),
            length=f"{float(np.hypot(*mean)):.1f}",
            towards=towards(mean, on_platen),
            frame=" of the platen" if on_platen else " of the picture",
        )
        return text, numbers

    rows = tuple(row for row, _ in found)
    cause, weight = _known(table, "direction", signal, 1)
    yield Tested("direction", signal, chance.one_way(vectors), tell, rows, cause, weight)
