"""What can be planted, and a random, realistic mix of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..records import Kind, Pattern, Tone

PLANTABLE: tuple[Kind, ...] = (
    "vapour_spot",
    "ghosting",
    "dust_speck",
    "fibre",
    "coating_lift",
    "bare_edge",
    "off_colour",
    "uneven_press",
    "crease_line",
    "streaks",
    "scratch",
    "dent",
)
# how often each kind is met among the local ones; the spread is invented
_SHARE: dict[Kind, float] = {
    "vapour_spot": 0.30,
    "dust_speck": 0.32,
    "fibre": 0.12,
    "coating_lift": 0.10,
    "crease_line": 0.05,
    "scratch": 0.06,
    "dent": 0.05,
}


@dataclass(frozen=True, slots=True)
class PlantedDefect:
    """A defect to plant, in panel millimetres as the artwork reads.

    `diameter_mm`: size of spots, patches, zones, the width of a bare edge or a streak, the length
    of lines. `width_mm`: width of lines. `strength`: share of dye lost, added or shifted, or of
    light turned, 0..1; lifts are bare at any.
    `angle_deg`: direction of lines, x axis towards y; for bare_edge 0, 90, 180, 270 is the right,
    bottom, left, top edge. `vector_mm`, `pattern`: ghosting only, the shift where it is largest.
    `shape_seed` draws the irregular shape.
    """

    kind: Kind
    center_mm: tuple[float, float] = (0.0, 0.0)
    diameter_mm: float = 1.0
    width_mm: float = 0.2
    strength: float = 0.3
    tone: Tone = "light"
    angle_deg: float = 0.0
    vector_mm: tuple[float, float] | None = None
    pattern: Pattern | None = None
    shape_seed: int = 0


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _draw(
    rng: np.random.Generator, kind: Kind, width_mm: float, height_mm: float, faint: bool
) -> PlantedDefect:
    short = min(width_mm, height_mm)
    x, y = float(rng.uniform(0.04, 0.96) * width_mm), float(rng.uniform(0.04, 0.96) * height_mm)
    seed = int(rng.integers(2**31))
    angle = float(rng.uniform(0, 180))
    weak = 0.35 if faint else 1.0
    if kind == "vapour_spot":
        size = _log_uniform(rng, 2.5, min(60.0, 0.2 * short))
        loss = float(rng.uniform(0.15, 0.5)) * weak
        return PlantedDefect(kind, (x, y), size, strength=loss, shape_seed=seed)
    if kind == "dust_speck":
        tone: Tone = "light" if rng.random() < 0.6 else "dark"
        size = _log_uniform(rng, 0.2, 3.0)
        strong = float(rng.uniform(0.6, 1.0)) * weak
        return PlantedDefect(kind, (x, y), size, strength=strong, tone=tone, shape_seed=seed)
    if kind == "fibre":
        tone = "light" if rng.random() < 0.5 else "dark"
        long = _log_uniform(rng, 2.0, 20.0)
        wide = float(rng.uniform(0.1, 0.4))
        strong = float(rng.uniform(0.6, 1.0)) * weak
        return PlantedDefect(kind, (x, y), long, wide, strong, tone, angle, shape_seed=seed)
    if kind == "coating_lift":
        size = _log_uniform(rng, 2.0, 15.0)
        place = rng.random()
        if place < 0.6:
            # on an edge, or on a corner, where the metal may be rounded by some millimetres
            size = max(size, 8.0) if place < 0.25 else size
            along = 0.0 if place < 0.25 else float(rng.uniform(0.05, 0.95))
            u, v = max(along * width_mm, 0.25 * size), max(along * height_mm, 0.25 * size)
            deep = 0.2 * size
            x, y = [
                (u, deep),
                (width_mm - deep, v),
                (width_mm - u, height_mm - deep),
                (deep, height_mm - v),
            ][int(rng.integers(4))]
        return PlantedDefect(kind, (x, y), size, strength=1.0, angle_deg=angle, shape_seed=seed)
    if kind == "bare_edge":
        side = int(rng.integers(4))
        at = [
            (width_mm, height_mm / 2),
            (width_mm / 2, height_mm),
            (0.0, height_mm / 2),
            (width_mm / 2, 0.0),
        ][side]
        size = float(rng.uniform(0.5, 4.0))
        return PlantedDefect(kind, at, size, angle_deg=90.0 * side, strength=1.0, shape_seed=seed)
    middle = (width_mm / 2, height_mm / 2)
    if kind == "ghosting":
        direction = float(rng.uniform(0, 2 * np.pi))
        shift = _log_uniform(rng, 0.4, 5.0)
        vector = (shift * float(np.cos(direction)), shift * float(np.sin(direction)))
        patterns: tuple[Pattern, ...] = ("slip", "slip", "hinge", "growth", "turn")
        pattern = patterns[int(rng.integers(len(patterns)))]
        share = float(rng.uniform(0.05, 0.1) if faint else rng.uniform(0.15, 0.3))
        return PlantedDefect(
            kind, middle, short, strength=share, vector_mm=vector, pattern=pattern, shape_seed=seed
        )
    if kind == "off_colour":
        tone = "light" if rng.random() < 0.6 else "dark"
        change = float(rng.uniform(0.1, 0.3)) * weak
        return PlantedDefect(kind, middle, short, strength=change, tone=tone, shape_seed=seed)
    if kind == "uneven_press":
        tone = "light" if rng.random() < 0.7 else "dark"
        size = float(rng.uniform(0.35, 0.7)) * short
        change = float(rng.uniform(0.15, 0.35)) * weak
        return PlantedDefect(kind, (x, y), size, strength=change, tone=tone, shape_seed=seed)
    if kind == "crease_line":
        tone = "light" if rng.random() < 0.6 else "dark"
        long = float(rng.uniform(0.25, 0.9)) * short
        change = float(rng.uniform(0.2, 0.5)) * weak
        wide = float(rng.uniform(0.4, 1.5))
        return PlantedDefect(kind, (x, y), long, wide, change, tone, angle, shape_seed=seed)
    if kind == "streaks":
        angle = 0.0 if rng.random() < 0.5 else 90.0
        change = float(rng.uniform(0.12, 0.35)) * weak
        wide = float(rng.uniform(0.15, 0.5))
        return PlantedDefect(
            kind, middle, float(rng.uniform(4, 20)), wide, change, "light", angle, shape_seed=seed
        )
    if kind == "scratch":
        long = _log_uniform(rng, 8.0, 80.0)
        wide = float(rng.uniform(0.06, 0.22))
        strong = float(rng.uniform(0.3, 0.8)) * weak
        return PlantedDefect(kind, (x, y), long, wide, strong, "light", angle, shape_seed=seed)
    if kind == "dent":
        size = _log_uniform(rng, 3.0, 15.0)
        deep = float(rng.uniform(0.08, 0.3)) * weak
        return PlantedDefect(kind, (x, y), size, 0.2, deep, "mixed", angle, shape_seed=seed)
    raise ValueError(f"{kind} cannot be planted; one of {', '.join(PLANTABLE)} can.")


def plan_defects(
    rng: np.random.Generator,
    width_mm: float,
    height_mm: float,
    n: int | None = None,
    kinds: Sequence[Kind] | None = None,
    faint: bool = False,
) -> tuple[PlantedDefect, ...]:
    """A random mix of defects for a panel of width_mm by height_mm.

    `n` is how many (None: one to five). `kinds` limits the kinds; without it local kinds are drawn
    by their usual share and sometimes one that covers the panel is added. `faint` plants them
    about a third as strong, but for lifts and bare edges, which have no such degree.
    Raises ValueError for a kind that cannot be planted.
    """
    count = int(rng.integers(1, 6)) if n is None else n
    if kinds is not None:
        # each of the asked kinds comes before any comes twice
        order = [kinds[i % len(kinds)] for i in range(count)]
        return tuple(_draw(rng, kind, width_mm, height_mm, faint) for kind in order)
    names, share = list(_SHARE), np.array(list(_SHARE.values()))
    chosen = [names[int(i)] for i in rng.choice(len(names), size=count, p=share / share.sum())]
    wide: tuple[Kind, ...] = ("ghosting", "off_colour", "uneven_press", "bare_edge", "streaks")
    if count and rng.random() < 0.35:
        chosen[-1] = wide[int(rng.choice(5, p=[0.5, 0.15, 0.15, 0.1, 0.1]))]
    return tuple(_draw(rng, kind, width_mm, height_mm, faint) for kind in chosen)
