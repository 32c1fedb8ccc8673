"""Where the lines of the history page's charts lie: plain numbers for its template's SVG."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from ..causes.association import FactorResult
from ..causes.statistics import wilson
from ..press_log.press_check import ProbeRound

WIDTH, HEIGHT = 760, 240
_LEFT, _RIGHT, _TOP, _BOTTOM = 54, 14, 14, 34
_MOST_LABELS = 8
_ROW = 26
_NAMES = 250
_MOST_LEVELS = 12
_MAP_SIDE = 300


@dataclass(frozen=True, slots=True)
class Period:
    """A stretch of time: its name, how many panels were looked at and how many passed."""

    label: str
    looked: int
    passed: int


def yield_chart(periods: Sequence[Period]) -> dict[str, Any]:
    """Share of panels that passed, with its Wilson interval, period by period."""
    step = (WIDTH - _LEFT - _RIGHT) / max(len(periods), 1)
    every = max(1, math.ceil(len(periods) / _MOST_LABELS))
    points = []
    for number, period in enumerate(periods):
        share = wilson(period.passed, period.looked)
        points.append(
            {
                "x": round(_LEFT + step * (number + 0.5), 1),
                "y": _y(share.value),
                "low": _y(share.low),
                "high": _y(share.high),
                "label": period.label if number % every == 0 else "",
                "text": f"{period.label}: {period.passed} of {period.looked} passed, "
                f"{100 * share.value:.1f} % ({100 * share.low:.1f} to {100 * share.high:.1f} %)",
            }
        )
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "left": _LEFT,
        "right": WIDTH - _RIGHT,
        "base": HEIGHT - _BOTTOM,
        "points": points,
        "line": " ".join(
            f"{'M' if number == 0 else 'L'}{point['x']} {point['y']}"
            for number, point in enumerate(points)
        ),
        "ticks": [
            {"y": _y(share), "text": f"{100 * share:.0f} %"} for share in (0, 0.25, 0.5, 0.75, 1)
        ],
    }


def _y(share: float) -> float:
    return round(_TOP + (1 - share) * (HEIGHT - _TOP - _BOTTOM), 1)


def bars(rows: Sequence[tuple[str, int, int]]) -> dict[str, Any]:
    """Counts (name, count, of) as bars, the longest filling the width."""
    most = max((count for _, count, _ in rows), default=1)
    space = WIDTH - _NAMES - 150
    return {
        "width": WIDTH,
        "height": _ROW * len(rows) + 6,
        "rows": [
            {
                "y": _ROW * number + 4,
                "name": name,
                "x": _NAMES,
                "length": round(space * count / max(most, 1), 1),
                "text": f"{count}, {_percent(count, of)} % of panels",
            }
            for number, (name, count, of) in enumerate(rows)
        ],
    }


def _percent(count: int, of: int) -> str:
    share = 100 * count / max(of, 1)
    return f"{share:.0f}" if share >= 10 else f"{share:.2g}"


def factor_chart(item: FactorResult) -> dict[str, Any]:
    """The rate at each level of a factor with its Wilson interval, on one scale."""
    levels = item.levels
    if len(levels) > _MOST_LEVELS:
        levels = tuple(sorted(levels, key=lambda level: -level.rate.low)[:_MOST_LEVELS])
    top = max(min(1.0, max(level.rate.high for level in levels)), 0.01)
    space = WIDTH - _NAMES - 150

    def x(share: float) -> float:
        return round(_NAMES + space * min(share / top, 1.0), 1)

    return {
        "width": WIDTH,
        "height": _ROW * len(levels) + 30,
        "base": _ROW * len(levels) + 6,
        "left": _NAMES,
        "right": _NAMES + space,
        "ticks": [{"x": x(share), "text": f"{100 * share:.3g} %"} for share in _nice(top)],
        "rows": [
            {
                "y": _ROW * number + 14,
                "name": level.label,
                "x": x(level.rate.value),
                "low": x(level.rate.low),
                "high": x(level.rate.high),
                "text": f"{level.hits} of {level.of}",
            }
            for number, level in enumerate(levels)
        ],
    }


def _nice(top: float) -> list[float]:
    rough = top / 4
    size = 10 ** math.floor(math.log10(rough))
    step = next(size * unit for unit in (1, 2, 5, 10) if size * unit >= rough)
    return [step * number for number in range(int(top / step + 1e-9) + 1)]


def platen_map(last: ProbeRound, size_mm: tuple[float, float] | None, shown: Any) -> dict[str, Any]:
    """A platen from above, the operator's side below, with each reading at its place.

    `size_mm` is the platen's, None where it was not written down. `shown` turns a temperature into
    the user's text. Shade runs from the coldest to the hottest reading.
    """
    wide = size_mm[0] if size_mm else max(point[0] for point in last.points) * 1.12 + 10
    deep = size_mm[1] if size_mm else max(point[1] for point in last.points) * 1.12 + 10
    scale = _MAP_SIDE / max(wide, deep)
    values = [point[2] for point in last.points]
    low, span = min(values), max(max(values) - min(values), 0.5)
    return {
        "width": round(wide * scale + 2, 1),
        "height": round(deep * scale + 2, 1),
        "points": [
            {
                "x": round(x * scale + 1, 1),
                "y": round(y * scale + 1, 1),
                "shade": round(0.12 + 0.6 * (value - low) / span, 2),
                "text": shown(value),
            }
            for x, y, value in last.points
        ],
    }
