"""From probe readings: how a platen is against what was set, and whether panels left their window.

Between the points that were read, the offset of true over set temperature is the mean of the
readings, each weighted by the inverse square of its distance (Shepard, Proc. 23rd ACM National
Conference, 1968). Windows of temperature and dwell are those that the user entered; none is ours.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from sqlalchemy import Connection, select

from . import schema
from .rows import PanelRow

_ALIKE_MM = 1.5  # sizes nearer than this are one size: makers round inches
_AT_POINT_MM = 1.0


@dataclass(frozen=True, slots=True)
class ProbeRound:
    """One round of readings on one press: points are (x_mm, y_mm, true_c)."""

    press: str
    at: datetime
    set_c: float
    points: tuple[tuple[float, float, float], ...]

    @property
    def offset_c(self) -> float:
        """Mean of true over set temperature."""
        return sum(point[2] for point in self.points) / len(self.points) - self.set_c

    @property
    def spread_c(self) -> float:
        """Hottest less coldest point."""
        values = [point[2] for point in self.points]
        return max(values) - min(values)

    def offset_at(self, x_mm: float, y_mm: float) -> float:
        """True over set temperature at a platen point."""
        whole = total = 0.0
        for x, y, true_c in self.points:
            square = (x - x_mm) ** 2 + (y - y_mm) ** 2
            if square < _AT_POINT_MM**2:
                return true_c - self.set_c
            whole += 1 / square
            total += (true_c - self.set_c) / square
        return total / whole


@dataclass(frozen=True, slots=True)
class Window:
    """A maker's posted window; None holds for all, or sets no limit."""

    width_mm: float | None
    height_mm: float | None
    base: str | None
    temperature_min_c: float | None
    temperature_max_c: float | None
    dwell_min_s: float | None
    dwell_max_s: float | None
    posted_by: str

    def fits(self, row: PanelRow) -> bool:
        """Whether it is meant for this panel; a size fits either way round."""
        if self.base is not None and self.base != row.base:
            return False
        if self.width_mm is None or self.height_mm is None:
            return True
        if row.width_mm is None or row.height_mm is None:
            return False
        own, other = sorted((self.width_mm, self.height_mm)), sorted((row.width_mm, row.height_mm))
        return all(abs(a - b) <= _ALIKE_MM for a, b in zip(own, other, strict=True))

    @property
    def narrowness(self) -> int:
        """How closely it names its panel."""
        return 2 * (self.width_mm is not None) + (self.base is not None)


@dataclass(frozen=True, slots=True)
class Outside:
    """A panel that lay outside its window: what, how much, and the limit (degrees C or seconds)."""

    what: Literal["too_cold", "too_hot", "too_short", "too_long"]
    value: float
    limit: float
    posted_by: str


def probe_rounds(connection: Connection, press: str = "") -> list[ProbeRound]:
    """All rounds of readings, of one press or of all, the oldest first."""
    done, point = schema.probe_set.c, schema.probe_point.c
    statement = (
        select(
            done.id, schema.press.c.name, done.at, done.set_c, point.x_mm, point.y_mm, point.true_c
        )
        .select_from(schema.probe_set.join(schema.press).join(schema.probe_point))
        .order_by(done.at, done.id, point.id)
    )
    if press:
        statement = statement.where(schema.press.c.name == press)
    heads: dict[int, tuple[str, datetime, float]] = {}
    points: dict[int, list[tuple[float, float, float]]] = {}
    for row in connection.execute(statement):
        heads[row.id] = (row.name, row.at, row.set_c)
        points.setdefault(row.id, []).append((row.x_mm, row.y_mm, row.true_c))
    return [ProbeRound(*head, tuple(points[number])) for number, head in heads.items()]


def windows(connection: Connection) -> list[Window]:
    """All windows, the latest first."""
    table = schema.heat_window
    names = Window.__dataclass_fields__
    rows = connection.execute(select(table).order_by(table.c.id.desc())).mappings()
    return [Window(**{name: row[name] for name in names}) for row in rows]


def window_for(row: PanelRow, known: Sequence[Window]) -> Window | None:
    """The window that names a panel most closely, the latest of equals; `known` latest first."""
    fitting = [window for window in known if window.fits(row)]
    return max(fitting, key=lambda window: window.narrowness, default=None)


def zone_c(row: PanelRow, rounds: Sequence[ProbeRound]) -> tuple[float, float] | None:
    """Coldest and hottest true temperature under a panel, None where nothing tells it.

    The press's last round of readings before the pressing is taken, over the pressing's own set
    temperature, or moved to its true temperature where that was read. Without a place on the platen
    the whole platen's extremes stand; without readings the pressing's true temperature.
    """
    own = [done for done in rounds if done.press == row.press]
    number = bisect_right([done.at for done in own], row.at)
    if number == 0:
        return None if row.true_c is None else (row.true_c, row.true_c)
    last = own[number - 1]
    if row.true_c is not None:
        level = row.true_c - last.offset_c
    elif row.set_c is not None:
        level = row.set_c
    else:
        return None
    if None in (row.x_mm, row.y_mm, row.width_mm, row.height_mm):
        offsets = [point[2] - last.set_c for point in last.points]
    else:
        offsets = [last.offset_at(x, y) for x, y in _under(row)]
    return level + min(offsets), level + max(offsets)


def _under(row: PanelRow) -> list[tuple[float, float]]:
    assert row.x_mm is not None
    assert row.y_mm is not None
    wide, deep = row.width_mm or 0.0, row.height_mm or 0.0
    if row.quarter_turns % 2:
        wide, deep = deep, wide
    steps = (-0.5, -0.25, 0.0, 0.25, 0.5)
    return [(row.x_mm + a * wide, row.y_mm + b * deep) for a in steps for b in steps]


def outside(row: PanelRow, rounds: Sequence[ProbeRound], known: Sequence[Window]) -> list[Outside]:
    """Where a panel left the window that its maker posts, none where no window is known."""
    window = window_for(row, known)
    if window is None:
        return []
    found = []
    zone = zone_c(row, rounds)
    if zone is not None:
        low, high = zone
        if window.temperature_min_c is not None and low < window.temperature_min_c:
            found.append(Outside("too_cold", low, window.temperature_min_c, window.posted_by))
        if window.temperature_max_c is not None and high > window.temperature_max_c:
            found.append(Outside("too_hot", high, window.temperature_max_c, window.posted_by))
    if row.dwell_s is not None:
        if window.dwell_min_s is not None and row.dwell_s < window.dwell_min_s:
            found.append(Outside("too_short", row.dwell_s, window.dwell_min_s, window.posted_by))
        if window.dwell_max_s is not None and row.dwell_s > window.dwell_max_s:
            found.append(Outside("too_long", row.dwell_s, window.dwell_max_s, window.posted_by))
    return found
