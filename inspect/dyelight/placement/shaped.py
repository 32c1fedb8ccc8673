"""The outline of a shaped panel, from its whole contour."""

from __future__ import annotations

import numpy as np

from ..records import F64, Artwork, Photo, Pixels
from .outline_record import Outline, described
from .picture_map import FittedMap
from .profiles import BorderPoints, Index, Profiles, border_profiles

_STRETCH_SD = 0.002
_LEAST_SUPPORT = 0.35
_LEAST_SCORE = 0.30


def shaped_outline(
    photo: Photo,
    artwork: Artwork,
    artwork_rgb: Pixels,
    base: FittedMap,
    border: BorderPoints,
    blur_px: float,
) -> Outline | None:
    """Shift, stretch and turn of a shaped panel against the picture, from its whole contour."""
    profiles = border_profiles(photo, artwork_rgb, artwork, base, border, blur_px)
    rows = np.flatnonzero(profiles.valid)
    if rows.size < 0.6 * len(profiles.valid):
        return None
    evidence = profiles.evidence[rows]
    normals = border.normals[rows]
    reach = float(profiles.offsets_mm[-1])
    tries = np.linspace(-0.8 * reach, 0.8 * reach, 41)
    best, shift = -1.0, np.zeros(2)
    count = evidence.shape[1]
    pick = np.arange(rows.size)
    for dx in tries:
        offset = normals[:, :1] * dx + normals[:, 1:] * tries[None, :]
        at = np.round((offset - profiles.offsets_mm[0]) / profiles.pitch_mm).astype(np.intp)
        inside = (at >= 0) & (at < count)
        value = np.where(inside, evidence[pick[:, None], np.clip(at, 0, count - 1)], 0.0)
        score = value.mean(axis=0)
        k = int(score.argmax())
        if score[k] > best:
            best, shift = float(score[k]), np.array([dx, tries[k]])
    if best < _LEAST_SCORE:
        return None
    return _fit_shape(profiles, rows, border, shift, artwork, blur_px)


def _fit_shape(
    profiles: Profiles,
    rows: Index,
    border: BorderPoints,
    shift: F64,
    artwork: Artwork,
    blur_px: float,
) -> Outline | None:
    normals, points = border.normals[rows], border.points_mm[rows]
    centre = np.array([artwork.width_mm, artwork.height_mm]) / 2
    half = centre
    local = (points - centre) / half
    # shift x, y; growth across, down; turn
    design = np.stack(
        [
            normals[:, 0],
            normals[:, 1],
            normals[:, 0] * local[:, 0] * half[0],
            normals[:, 1] * local[:, 1] * half[1],
            normals[:, 1] * local[:, 0] * half[0] - normals[:, 0] * local[:, 1] * half[1],
        ],
        1,
    )
    prior = np.diag([0.0, 0.0, 1.0, 1.0, 1.0]) / np.square(_STRETCH_SD * 2)
    values = np.concatenate([shift, np.zeros(3)])
    blur_mm = max(blur_px, 0.8) / float(np.median(profiles.px_per_mm[rows]))
    for window in (0.5, 0.3, 0.2):
        reach = window + 2.0 * blur_mm
        expected = design @ values
        distance = profiles.offsets_mm[None, :] - expected[:, None]
        near = np.where(np.abs(distance) <= reach, profiles.steps[rows], 0.0)
        peak = near.argmax(axis=1)
        found = profiles.offsets_mm[peak]
        live = profiles.evidence[rows, peak] > 0.3
        if live.sum() < _LEAST_SUPPORT * len(rows):
            return None
        w = live.astype(np.float64)
        for _ in range(6):
            residual = found - design @ values
            sd = max(1.4826 * float(np.median(np.abs(residual[live]))), 0.3 * profiles.pitch_mm)
            w = live * np.square(np.clip(1 - np.square(residual / (4.5 * sd)), 0, 1))
            normal = design.T @ (design * w[:, None]) / sd**2 + prior
            values = np.linalg.solve(normal, design.T @ (w * found) / sd**2)
    corners = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]) * 2 * half
    off = corners - centre
    turned = np.stack([-off[:, 1], off[:, 0]], 1) * values[4]
    moved = corners + values[:2] + off * values[2:4] + turned
    support = float(np.mean(w > 0.2))
    if support < _LEAST_SUPPORT:
        return None
    return described(moved, artwork, (True, True, True, True))
