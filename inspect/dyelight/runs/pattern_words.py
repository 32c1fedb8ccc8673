"""How each pattern is told: one sentence, and the numbers that it says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..judge import texts
from ..records import Kind, Tone
from .panels import Mark, Panel
from .pattern_file import Direction, PatternTable
from .platen import Place, Spots


@dataclass(frozen=True, slots=True)
class Signal:
    """A kind of defect, of one tone where that matters."""

    kind: Kind
    tone: Tone | None = None

    def marks(self, panel: Panel, least: float) -> list[Mark]:
        """Its findings on a panel that are sure enough."""
        return [
            mark
            for mark in panel.marks
            if mark.kind == self.kind
            and mark.confidence >= least
            and (self.tone is None or mark.tone == self.tone)
        ]

    @property
    def title(self) -> str:
        """The kind's name, with its tone in words."""
        name = texts.kind_title(self.kind)
        if self.tone is None:
            return name
        return f"{name} ({'pale' if self.tone == 'light' else self.tone})"


def tell_place(
    signal: Signal, place: Place, spots: Spots, where: str, table: PatternTable
) -> tuple[str, dict[str, Any]]:
    """A place that comes back: where, on how many panels, and what chance would give."""
    numbers = {
        "count": len(place.members),
        "panels": spots.panels,
        "x_mm": round(place.center_mm[0], 1),
        "y_mm": round(place.center_mm[1], 1),
        "radius_mm": round(place.radius_mm, 1),
        "expected": round(place.expected, 2),
        "on_platen": spots.on_platen,
    }
    text = table.file.sentence.place.text.format(
        kind=signal.title,
        count=numbers["count"],
        panels=numbers["panels"],
        where=f" of press {where}" if where else "",
        radius=f"{place.radius_mm:g}",
        x=f"{place.center_mm[0]:.0f}",
        y=f"{place.center_mm[1]:.0f}",
        frame="on the platen" if spots.on_platen else "from the panel's top left corner",
        expected=f"{place.expected:.1f}" if place.expected >= 0.05 else "under 0.1",
    )
    return text, numbers


def tell_trend(
    signal: Signal,
    factor: str,
    direction: Direction,
    x: NDArray[np.float64],
    hit: NDArray[np.bool_],
    table: PatternTable,
) -> tuple[str, dict[str, Any]]:
    """A trend: how often at its low end and how often at its high end."""
    low_edge, high_edge = np.quantile(x, [1 / 3, 2 / 3])
    low, high = x <= low_edge, x >= high_edge
    entry = table.file.factor[factor]
    numbers = {
        "low_share": round(float(hit[low].mean()), 4),
        "high_share": round(float(hit[high].mean()), 4),
        "low_to": float(x[low].max()),
        "high_from": float(x[high].min()),
    }
    if factor == "order":
        low_range, high_range = "a place in the first third", "one in the last"
    else:
        low_range = f"{entry.title} up to {numbers['low_to']:g}"
        high_range = f"{numbers['high_from']:g} or more"
    text = table.file.sentence.trend.text.format(
        kind=signal.title,
        direction="more" if direction == "more" else "less",
        along=entry.more if direction == "more" else entry.less,
        low_share=_percent(numbers["low_share"]),
        low_range=low_range,
        high_share=_percent(numbers["high_share"]),
        high_range=high_range,
    )
    return text, numbers


def tell_group(
    signal: Signal,
    factor: str,
    level: str,
    cells: tuple[int, int, int, int],
    table: PatternTable,
) -> tuple[str, dict[str, Any]]:
    """A difference: how often here, and how often elsewhere."""
    count, panels, other_count, other_panels = cells
    numbers = {
        "count": count,
        "panels": panels,
        "other_count": other_count,
        "other_panels": other_panels,
    }
    text = table.file.sentence.group.text.format(
        kind=signal.title,
        factor=table.file.factor[factor].title,
        level=level,
        share=_percent(count / panels),
        other_share=_percent(other_count / other_panels),
        **numbers,
    )
    return text, numbers


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.095 or share == 0 else f"{100 * share:.1f} %"


def towards(vector: NDArray[np.float64], on_platen: bool) -> str:
    """A direction in words, of the platen or of the picture."""
    across = "the right" if vector[0] > 0 else "the left"
    down = (
        ("the front" if on_platen else "the bottom")
        if vector[1] > 0
        else ("the back" if on_platen else "the top")
    )
    x, y = abs(float(vector[0])), abs(float(vector[1]))
    if x > 2 * y:
        return across
    return down if y > 2 * x else f"{down} and {across.removeprefix('the ')}"
