"""Where the lines of a run's charts lie: plain numbers that the page's template draws as SVG."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from .charts import Chart
from .decision import Sampling
from .panels import Panel
from .patterns import Pattern
from .platen import lies_on_platen, to_platen
from .record import Share, curve_fractions
from .sampling import acceptance_probability

WIDTH, HEIGHT = 720, 230
_LEFT, _RIGHT, _TOP, _BOTTOM = 52, 14, 12, 34
_MOST_LABELS = 9
_MAP_SIDE = 460
# a run of many findings would make a page that no phone opens
_MOST_DOTS = 4000
_DASHES = {"critical": "", "major": "9 4", "minor": "2 4"}


def control_drawing(chart: Chart, labels: Sequence[str], *, percent: bool) -> dict[str, Any]:
    """A control chart: its points, limits, centre and axes in px of a WIDTH x HEIGHT picture."""
    top = max(float(chart.values.max()), float(np.max(chart.upper)), 1e-9) * 1.08
    count = len(chart.values)
    step = (WIDTH - _LEFT - _RIGHT) / count
    xs = [_LEFT + step * (place + 0.5) for place in range(count)]
    scale = 100.0 if percent else 1.0
    every = max(1, -(-count // _MOST_LABELS))
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "left": _LEFT,
        "right": WIDTH - _RIGHT,
        "base": _y(0, top),
        "line": _path([(x, _y(value, top)) for x, value in zip(xs, chart.values, strict=True)]),
        "upper": _steps(xs, chart.upper, step, top),
        "lower": _steps(xs, chart.lower, step, top),
        "centre": _y(chart.centre, top),
        "points": [
            {
                "x": round(x, 1),
                "y": _y(value, top),
                "out": place in chart.out,
                "text": f"{labels[place]}: {scale * value:.3g}{' %' if percent else ''}",
            }
            for place, (x, value) in enumerate(zip(xs, chart.values, strict=True))
        ],
        "ticks": [
            {"y": _y(value / scale, top), "text": f"{value:g}{' %' if percent else ''}"}
            for value in _nice(top * scale)
        ],
        "labels": [
            {"x": round(xs[place], 1), "text": labels[place][:12]}
            for place in range(0, count, every)
        ],
    }


def curve_drawing(sampling: Sampling) -> dict[str, Any]:
    """The operating characteristics of a run's plans: how often lots of each quality pass."""
    fractions = curve_fractions(sampling.plans)
    top = fractions[-1]

    def x(fraction: float) -> float:
        return round(_LEFT + (WIDTH - _LEFT - _RIGHT) * fraction / top, 1)

    curves = []
    for kind, plan in sampling.plans.items():
        chance = acceptance_probability(plan, fractions)
        curves.append(
            {
                "name": kind,
                "dash": _DASHES[kind],
                "path": _path([(x(f), _y(p, 1.0)) for f, p in zip(fractions, chance, strict=True)]),
                "aql_x": x(min(plan.aql / 100, top)),
            }
        )
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "left": _LEFT,
        "right": WIDTH - _RIGHT,
        "base": _y(0, 1.0),
        "top": _y(1.0, 1.0),
        "curves": curves,
        "ticks": [{"y": _y(value, 1.0), "text": f"{100 * value:.0f} %"} for value in (0, 0.5, 1)],
        "labels": [{"x": x(v / 100), "text": f"{v:g} %"} for v in _nice(100 * top)],
    }


def pareto_drawing(shares: Sequence[Share], titles: Sequence[str]) -> list[dict[str, Any]]:
    """Bars for the kinds: length in per cent of the longest."""
    longest = max((share.panels for share in shares), default=1)
    return [
        {
            "title": title,
            "length": round(100 * share.panels / longest, 1),
            "text": f"{share.panels} of {share.of} panels, "
            f"{100 * share.panels / max(1, share.of):.1f} %; "
            f"{share.findings} finding{'' if share.findings == 1 else 's'}",
        }
        for share, title in zip(shares, titles, strict=True)
    ]


def place_drawing(panels: Sequence[Panel], patterns: Sequence[Pattern]) -> dict[str, Any] | None:
    """All local findings laid over one another, with rings where a pattern says they come back.

    On the platen where all panels' places there are known, else on the panel where all are of one
    size; None where there is no frame in common or nothing to show.
    """
    seen = [panel for panel in panels if panel.usable and panel.size_known]
    if not seen or len(seen) < sum(panel.usable for panel in panels):
        return None
    on_platen = all(lies_on_platen(panel) for panel in seen)
    sizes = {(panel.width_mm, panel.height_mm) for panel in seen}
    if not on_platen and len(sizes) > 1:
        return None
    parts = []
    corners = []
    for panel in seen:
        local = [mark.center_mm for mark in panel.marks if not mark.whole]
        points = np.array(local, np.float64).reshape(-1, 2)
        edge = np.array([[0.0, 0.0], [panel.width_mm, panel.height_mm]])
        parts.append(to_platen(points, panel) if on_platen else points)
        corners.append(to_platen(edge, panel) if on_platen else edge)
    dots, edges = np.concatenate(parts), np.concatenate(corners)
    if not len(dots):
        return None
    low, high = edges.min(axis=0), edges.max(axis=0)
    scale = _MAP_SIDE / float((high - low).max())
    rings = [
        {
            "x": round((item.numbers["x_mm"] - float(low[0])) * scale, 1),
            "y": round((item.numbers["y_mm"] - float(low[1])) * scale, 1),
            "r": round(max(9.0, item.numbers["radius_mm"] * scale), 1),
            "text": f"{item.numbers['count']} panels",
        }
        for item in patterns
        if item.pattern == "place" and item.numbers["on_platen"] == on_platen
    ]
    return {
        "width": round(float(high[0] - low[0]) * scale, 1),
        "height": round(float(high[1] - low[1]) * scale, 1),
        "dots": [
            (round(float(x), 1), round(float(y), 1)) for x, y in (dots - low)[:_MOST_DOTS] * scale
        ],
        "rings": rings,
        "on_platen": on_platen,
        "count": len(dots),
        "shown": min(len(dots), _MOST_DOTS),
        "size": f"{high[0] - low[0]:.0f} x {high[1] - low[1]:.0f} mm",
    }


def _y(value: float, top: float) -> float:
    return round(HEIGHT - _BOTTOM - (HEIGHT - _TOP - _BOTTOM) * float(value) / top, 1)


def _path(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def _steps(xs: Sequence[float], values: Any, step: float, top: float) -> str:
    """A limit as a stair: each point has its own."""
    points = []
    for x, value in zip(xs, values, strict=True):
        points += [(x - step / 2, _y(value, top)), (x + step / 2, _y(value, top))]
    return _path(points)


def _nice(top: float) -> list[float]:
    """Round numbers from 0 to below `top`, about five of them."""
    rough = top / 4
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * times for times in (1, 2, 5, 10) if power * times >= rough)
    return [round(step * place, 10) for place in range(int(top / step) + 1)]
