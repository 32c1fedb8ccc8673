"""The panel's true outline in the photo, measured on its edges and not taken from the picture."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from ..records import F64, Artwork, Mask, Photo, Pixels
from .outline_record import Outline, described
from .picture_map import FittedMap
from .profiles import (
    BorderPoints,
    Index,
    Profiles,
    border_profiles,
    rectangle_points,
    shape_points,
)
from .shaped import shaped_outline

_PER_SIDE = 160
_SLOPES = np.linspace(-1.0, 1.0, 25)
# mm over a side by which the edge may run askew to the picture, as a share of the side's length
_SKEW_SHARE = 0.006
_TOP_LINES = 4
# prior spreads of print against panel
_DRIFT_SD_MM = 0.8
_STRETCH_SD = 0.002
_SKEW_SD = 0.0012
# weight of these priors against the evidence of the sides
_PRIOR_WEIGHT = 0.6
# a line must be seen on this share of its side
_LEAST_SUPPORT = 0.35
_LEAST_SCORE = 0.30


@dataclass(frozen=True, slots=True)
class _Line:
    """Outward offset = middle + slope * along, along in -1/2..1/2 of the side, clockwise. mm."""

    middle: float
    slope: float
    score: float


def find_outline(
    photo: Photo, artwork: Artwork, artwork_rgb: Pixels, picture: FittedMap, blur_px: float
) -> Outline | None:
    """The outline near the picture's trim, or None where its edges do not show.

    Lines are straight in the frame of homography and lens; the paper's own warp is left out.
    """
    base = picture.without_spline()
    if artwork.alpha is not None:
        shape = shape_points(artwork, 4 * _PER_SIDE)
        if shape is None:
            return None
        return shaped_outline(photo, artwork, artwork_rgb, base, shape, blur_px)
    border = rectangle_points(artwork, _PER_SIDE)
    profiles = border_profiles(photo, artwork_rgb, artwork, base, border, blur_px)
    along = _along(artwork, border)
    lengths = (artwork.width_mm, artwork.height_mm, artwork.width_mm, artwork.height_mm)
    choices: list[list[_Line | None]] = []
    for side in range(4):
        rows = border.side == side
        lines = _candidate_lines(profiles, rows & profiles.valid, rows, along, lengths[side])
        choices.append([*lines, None])
    best = _consistent(choices, artwork)
    if best is None:
        return None
    fitted: list[_Line | None] = []
    errors = []
    for side, line in enumerate(best):
        if line is None:
            fitted.append(None)
            continue
        rows = np.flatnonzero((border.side == side) & profiles.valid)
        fine = _sub_pixel(profiles, rows, along[rows], line, blur_px)
        fitted.append(None if fine is None else fine[0])
        if fine is not None:
            errors.append(fine[1])
    return _from_lines(fitted, artwork, float(np.mean(errors)) if errors else 0.0)


def _along(artwork: Artwork, border: BorderPoints) -> F64:
    """Position along each side, clockwise, -1/2 at its start and 1/2 at its end."""
    w, h = artwork.width_mm, artwork.height_mm
    x, y = border.points_mm[:, 0] / w, border.points_mm[:, 1] / h
    out = np.choose(border.side, [x, y, 1 - x, 1 - y]) - 0.5
    return np.asarray(out, dtype=np.float64)


def _candidate_lines(
    profiles: Profiles, rows: Mask, all_rows: Mask, along: F64, length_mm: float
) -> list[_Line]:
    """The strongest lines of one side, at most a few, best first."""
    if rows.sum() < 0.5 * all_rows.sum():
        return []
    evidence = profiles.evidence[rows]
    t = along[rows]
    count = evidence.shape[1]
    index = np.arange(count)
    scores = np.empty((_SLOPES.size, count))
    for k, slope in enumerate(_SLOPES * _SKEW_SHARE * length_mm):
        at = index[None, :] + np.round(slope * t / profiles.pitch_mm).astype(np.intp)[:, None]
        value = np.take_along_axis(evidence, np.clip(at, 0, count - 1), axis=1)
        value = np.where((at >= 0) & (at < count), value, 0.0)
        scores[k] = value.mean(axis=0)
    lines: list[_Line] = []
    left = scores.copy()
    width = max(2, round(0.25 / profiles.pitch_mm))
    for _ in range(_TOP_LINES):
        steepest, at_px = divmod(int(left.argmax()), count)
        score = float(left[steepest, at_px])
        if score < _LEAST_SCORE:
            break
        slope = float(_SLOPES[steepest]) * _SKEW_SHARE * length_mm
        lines.append(_Line(float(profiles.offsets_mm[at_px]), slope, score))
        left[:, max(0, at_px - width) : at_px + width + 1] = 0.0
    return lines


def _consistent(
    choices: list[list[_Line | None]], artwork: Artwork
) -> tuple[_Line | None, ...] | None:
    """One line per side, together most likely the panel; None below 3 sides."""
    w, h = artwork.width_mm, artwork.height_mm
    lengths = np.array([w, h, w, h])
    best, best_score = None, -np.inf
    for combo in product(*choices):
        lines = [line for line in combo if line is not None]
        if len(lines) < 3:
            continue
        score = 4.0 * sum(line.score for line in lines)
        skews = [
            line.slope / length
            for line, length in zip(combo, lengths, strict=True)
            if line is not None
        ]
        turn = float(np.median(skews))
        score -= 0.5 * sum(min(((s - turn) / _SKEW_SD) ** 2, 25.0) for s in skews) * _PRIOR_WEIGHT
        top, right, bottom, left = combo
        for one, two, span in ((top, bottom, h), (left, right, w)):
            if one is None or two is None:
                continue
            spread = np.hypot(_STRETCH_SD, 0.15 / span)
            score -= 0.5 * (((one.middle + two.middle) / span) / spread) ** 2 * _PRIOR_WEIGHT
            score -= 0.5 * (((two.middle - one.middle) / 2) / _DRIFT_SD_MM) ** 2 * _PRIOR_WEIGHT
        if score > best_score:
            best, best_score = combo, score
    return best


def _sub_pixel(
    profiles: Profiles, rows: Index, along: F64, line: _Line, blur_px: float
) -> tuple[_Line, float] | None:
    """The line through the steepest point of each profile, and its standard error in mm."""
    blur_mm = max(blur_px, 0.8) / float(np.median(profiles.px_per_mm[rows]))
    middle, slope = line.middle, line.slope
    steps = profiles.steps[rows]
    last = steps.shape[1] - 1
    error = np.inf
    for window in (3.0, 2.0, 2.0):
        half = max(2, round(window * blur_mm / profiles.pitch_mm))
        centre = np.round(
            (middle + slope * along - profiles.offsets_mm[0]) / profiles.pitch_mm
        ).astype(np.intp)
        ok = (centre - half >= 1) & (centre + half <= last - 1)
        if ok.sum() < 12:
            return None
        at = centre[ok, None] + np.arange(-half, half + 1)
        near = np.take_along_axis(steps[ok], at, axis=1)
        peak = near.argmax(axis=1)
        inner = np.clip(peak, 1, 2 * half - 1)
        pick = np.arange(len(inner))
        a, b, c = near[pick, inner - 1], near[pick, inner], near[pick, inner + 1]
        bend = a - 2 * b + c
        shift = np.where(np.abs(bend) > 1e-12, 0.5 * (a - c) / np.where(bend == 0, 1, bend), 0.0)
        position = profiles.offsets_mm[at[pick, inner]] + np.clip(shift, -1, 1) * profiles.pitch_mm
        strength = b / np.maximum(np.median(near, axis=1), 1e-6)
        weight = np.where((peak > 0) & (peak < 2 * half), np.minimum(strength, 8.0), 0.0)
        design = np.stack([np.ones(int(ok.sum())), along[ok]], 1)
        fit = _tukey_line(design, position, weight, 0.15 * profiles.pitch_mm)
        if fit is None:
            return None
        (middle, slope), error, support = fit
        if support < _LEAST_SUPPORT * len(rows):
            return None
    return _Line(middle, slope, line.score), error


def _tukey_line(
    design: F64, value: F64, weight: F64, least_sd: float
) -> tuple[tuple[float, float], float, float] | None:
    """Weighted Tukey fit: coefficients, standard error at the middle, number of agreeing points."""
    w = weight.copy()
    coefficients: F64 = np.zeros(2)
    sd = np.inf
    for round_ in range(8):
        normal = design.T @ (design * w[:, None])
        if np.linalg.cond(normal) > 1e10:
            return None
        coefficients = np.asarray(np.linalg.solve(normal, design.T @ (w * value)), np.float64)
        residual = value - design @ coefficients
        live = weight > 0
        if live.sum() < 10:
            return None
        sd = max(1.4826 * float(np.median(np.abs(residual[live]))), least_sd)
        cut = 4.5 if round_ > 2 else 8.0
        w = weight * np.square(np.clip(1 - np.square(residual / (cut * sd)), 0.0, 1.0))
    support = float(np.sum(w > 0.2 * weight.max()))
    count = max(float(np.square(w.sum()) / np.maximum(np.square(w).sum(), 1e-12)), 1.0)
    return (float(coefficients[0]), float(coefficients[1])), sd / np.sqrt(count), support


def _from_lines(lines: list[_Line | None], artwork: Artwork, error_mm: float) -> Outline | None:
    """The outline from its lines; a missing one is put where the size wants it."""
    w, h = artwork.width_mm, artwork.height_mm
    seen = tuple(line is not None for line in lines)
    if sum(seen) < 3:
        return None
    filled = list(lines)
    spans = (h, w, h, w)
    for side in range(4):
        opposite = lines[(side + 2) % 4]
        if lines[side] is not None or opposite is None:
            continue
        near, far = lines[(side + 1) % 4], lines[(side + 3) % 4]
        if near is None or far is None:
            return None
        # the other pair tells how much larger the panel is than the print, per mm
        growth = (near.middle + far.middle) / spans[(side + 1) % 4]
        length = spans[(side + 1) % 4]
        turn = opposite.slope / length
        filled[side] = _Line(growth * spans[side] - opposite.middle, turn * length, 0.0)
    top, right, bottom, left = (line for line in filled if line is not None)
    # each side as a*x + b*y = c in artwork mm
    rows = np.array(
        [
            [top.slope / w, 1.0, -top.middle + top.slope * 0.5],
            [1.0, -right.slope / h, w + right.middle - right.slope * 0.5],
            [bottom.slope / w, 1.0, h + bottom.middle + bottom.slope * 0.5],
            [1.0, -left.slope / h, -left.middle - left.slope * 0.5],
        ]
    )
    corners = np.array(
        [
            np.linalg.solve(rows[[i, j], :2], rows[[i, j], 2])
            for i, j in ((0, 3), (0, 1), (2, 1), (2, 3))
        ]
    )
    return described(corners, artwork, (seen[0], seen[1], seen[2], seen[3]), error_mm)
