"""Where on the platen a panel and a mark on it lay, in cells."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

Cell = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Lie:
    """How a panel lay on the platen: centre, size and turn (see the schema for the axes)."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    quarter_turns: int
    face_up: bool

    def on_platen(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """The platen point under a panel point, both in mm."""
        across, down = x_mm - self.width_mm / 2, y_mm - self.height_mm / 2
        if not self.face_up:
            across = -across
        for _ in range(self.quarter_turns):
            # a quarter turn clockwise where y points down
            across, down = -down, across
        return self.x_mm + across, self.y_mm + down

    @property
    def box_mm(self) -> tuple[float, float, float, float]:
        """The panel's outline on the platen: left, back, right, front."""
        wide, deep = self.width_mm, self.height_mm
        if self.quarter_turns % 2:
            wide, deep = deep, wide
        return (
            self.x_mm - wide / 2,
            self.y_mm - deep / 2,
            self.x_mm + wide / 2,
            self.y_mm + deep / 2,
        )


def lie_of(values: Mapping[str, Sequence[Any]], index: int) -> Lie | None:
    """How one panel of the log's columns lay; None where size or place are not known."""
    x, y, width, height = (
        values[name][index] for name in ("x_mm", "y_mm", "width_mm", "height_mm")
    )
    if x is None or y is None or width is None or height is None:
        return None
    return Lie(x, y, width, height, values["quarter_turns"][index], bool(values["face_up"][index]))


def cell_of(x_mm: float, y_mm: float, cell_mm: float) -> Cell:
    """The cell that a platen point lies in, counted from the back left corner."""
    return math.floor(x_mm / cell_mm), math.floor(y_mm / cell_mm)


def covered(lie: Lie, cell_mm: float) -> dict[Cell, tuple[float, float]]:
    """The cells under a panel: cell -> (share of the panel in it, share of the cell covered)."""
    left, back, right, front = lie.box_mm
    area = max((right - left) * (front - back), 1e-9)
    cells = {}
    for across in range(math.floor(left / cell_mm), math.ceil(right / cell_mm)):
        for down in range(math.floor(back / cell_mm), math.ceil(front / cell_mm)):
            wide = min(right, (across + 1) * cell_mm) - max(left, across * cell_mm)
            deep = min(front, (down + 1) * cell_mm) - max(back, down * cell_mm)
            if wide > 0 and deep > 0:
                cells[across, down] = (wide * deep / area, wide * deep / cell_mm**2)
    return cells
