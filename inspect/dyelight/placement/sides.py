"""One side of the panel, as a line through the steepest points of the profiles across it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ranks import median, medians
from ..records import F64, Mask
from .profiles import Index, Profiles

# a line must be seen on this share of its side
_LEAST_SUPPORT = 0.35


@dataclass(frozen=True, slots=True)
class Line:
    """Outward offset = middle + slope * along, along in -1/2..1/2 of the side, clockwise. mm."""

    middle: float
    slope: float
    score: float


def sub_pixel(
    profiles: Profiles, rows: Index, along: F64, line: Line, blur_px: float
) -> Line | None:
    """The line through the steepest point of each profile."""
    for window in (3.0, 2.0, 2.0):
        found = steepest(profiles, rows, along, line, blur_px, window)
        if found.ok.sum() < 12:
            return None
        design = np.stack([np.ones(int(found.ok.sum())), along[found.ok]], 1)
        fit = _tukey_line(design, found.offsets_mm, found.weight, 0.15 * profiles.pitch_mm)
        if fit is None:
            return None
        (middle, slope), support = fit
        if support < _LEAST_SUPPORT * len(rows):
            return None
        line = Line(middle, slope, line.score)
    return line


@dataclass(frozen=True, slots=True)
class Steepest:
    """The steepest point of each profile near a line.

    `ok` (N,) which profiles reach far enough to tell; for those, (M,) each, `offsets_mm` outward
    and `weight`, 0 where the steepest point is at the window's end.
    """

    ok: Mask
    offsets_mm: F64
    weight: F64


def steepest(
    profiles: Profiles, rows: Index, along: F64, line: Line, blur_px: float, window: float
) -> Steepest:
    """The steepest point of each of `rows` within `window` blurs of the line."""
    blur_mm = max(blur_px, 0.8) / median(profiles.px_per_mm[rows])
    steps = profiles.steps[rows]
    half = max(2, round(window * blur_mm / profiles.pitch_mm))
    centre = np.round(
        (line.middle + line.slope * along - profiles.offsets_mm[0]) / profiles.pitch_mm
    ).astype(np.intp)
    ok = (centre - half >= 1) & (centre + half <= steps.shape[1] - 2)
    at = centre[ok, None] + np.arange(-half, half + 1)
    near = np.take_along_axis(steps[ok], at, axis=1)
    peak = near.argmax(axis=1)
    inner = np.clip(peak, 1, 2 * half - 1)
    pick = np.arange(len(inner))
    a, b, c = near[pick, inner - 1], near[pick, inner], near[pick, inner + 1]
    bend = a - 2 * b + c
    shift = np.where(np.abs(bend) > 1e-12, 0.5 * (a - c) / np.where(bend == 0, 1, bend), 0.0)
    position = profiles.offsets_mm[at[pick, inner]] + np.clip(shift, -1, 1) * profiles.pitch_mm
    strength = b / np.maximum(medians(near, axis=1), 1e-6)
    weight = np.where((peak > 0) & (peak < 2 * half), np.minimum(strength, 8.0), 0.0)
    return Steepest(np.asarray(ok, np.bool_), position, weight)


def _tukey_line(
    design: F64, value: F64, weight: F64, least_sd: float
) -> tuple[tuple[float, float], float] | None:
    """Weighted Tukey fit: coefficients and number of agreeing points."""
    w = weight.copy()
    coefficients: F64 = np.zeros(2)
    for round_ in range(8):
        normal = design.T @ (design * w[:, None])
        if np.linalg.cond(normal) > 1e10:
            return None
        coefficients = np.asarray(np.linalg.solve(normal, design.T @ (w * value)), np.float64)
        residual = value - design @ coefficients
        live = weight > 0
        if live.sum() < 10:
            return None
        sd = max(1.4826 * median(np.abs(residual[live])), least_sd)
        cut = 4.5 if round_ > 2 else 8.0
        w = weight * np.square(np.clip(1 - np.square(residual / (cut * sd)), 0.0, 1.0))
    support = float(np.sum(w > 0.2 * weight.max()))
    return (float(coefficients[0]), float(coefficients[1])), support
