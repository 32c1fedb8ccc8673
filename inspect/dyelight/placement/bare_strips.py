"""Bare strips outside a rough outline: a plain print's cut can be clearer than the metal's edge."""

from __future__ import annotations

import numpy as np

from ..records import F64, Artwork, Photo
from .picture_map import FittedMap
from .profiles import gather

_ROWS = 120
_INSIDE_MM, _FROM_MM, _MOST_MM = 2.5, 0.6, 7.0
_LEVEL_MM = (0.3, 0.8)  # where a strip's own colour is read
_LEAST_MM, _WIDEST_MM = 0.9, 6.5
_LIGHTER = 0.05  # coded light by which the bare base is lighter than dye on it
_DEPARTS = 0.06  # coded light by which what lies beyond differs from the strip
_LEAST_ROWS = 0.6
_STRAIGHT_MM = 0.15


def past_bare_strips(photo: Photo, artwork: Artwork, picture: FittedMap, corners_mm: F64) -> F64:
    """Corners (4, 2) in artwork mm with the sides moved out over bare strips beside them.

    A strip is as light as or lighter than the print beside it, of one colour, and ends on a
    straight line of its own. A table does not end, and a shadow is dark.
    """
    lines = []
    for side in range(4):
        start, end = corners_mm[side], corners_mm[(side + 1) % 4]
        along = (end - start) / np.linalg.norm(end - start)
        out = np.array([along[1], -along[0]])
        strip = _strip(photo, picture, start, end, out)
        near, far = (0.0, 0.0) if strip is None else strip
        lines.append((start + near * out, end + far * out))
    moved = [_crossing(lines[side - 1], lines[side]) for side in range(4)]
    return np.asarray(moved, np.float64)


def _crossing(one: tuple[F64, F64], other: tuple[F64, F64]) -> F64:
    """Where two lines (start, end) meet."""
    ways = np.stack([one[1] - one[0], other[0] - other[1]], axis=1)
    at = np.linalg.solve(ways, other[0] - one[0])[0]
    return np.asarray(one[0] + at * (one[1] - one[0]), np.float64)


def _strip(
    photo: Photo, picture: FittedMap, start: F64, end: F64, out: F64
) -> tuple[float, float] | None:
    """Width in mm of the bare strip outside a side, at its start and at its end; None for none."""
    share = np.linspace(0.08, 0.92, _ROWS)
    points = start + share[:, None] * (end - start)
    px = picture.to_photo(np.concatenate([points, points + out]))
    px_per_mm = float(np.median(np.linalg.norm(px[_ROWS:] - px[:_ROWS], axis=1)))
    pitch = max(0.5 / max(px_per_mm, 1e-6), 0.05)
    depth = np.arange(-_INSIDE_MM, _MOST_MM, pitch)
    at = points[:, None] + depth[None, :, None] * out
    seen, inside = gather(photo.pixels, picture.to_photo(at.reshape(-1, 2)).reshape(*at.shape))
    print_zone = depth < -_FROM_MM
    level_zone = (depth > _LEVEL_MM[0]) & (depth < max(_LEVEL_MM[1], _LEVEL_MM[0] + 3 * pitch))
    level = np.median(seen[:, level_zone], axis=1)
    lighter = (level - np.median(seen[:, print_zone], axis=1)).mean(axis=1)
    departs = np.abs(seen - level[:, None]).max(axis=2) > _DEPARTS
    # one pixel of noise is no end
    departs[:, :-1] &= departs[:, 1:]
    departs &= depth > _LEVEL_MM[1]
    ends = departs.any(axis=1) & inside[:, : int(np.searchsorted(depth, _LEAST_MM))].all(axis=1)
    width = depth[departs.argmax(axis=1)]
    good = ends & (width > _LEAST_MM) & (width < _WIDEST_MM) & (lighter > _LIGHTER)
    if good.mean() < _LEAST_ROWS:
        return None
    keep = good
    slope, middle = 0.0, float(np.median(width[good]))
    for _ in range(3):
        off = np.abs(width - middle - slope * (share - 0.5))
        keep = good & (off < max(3 * float(np.median(off[good])), _STRAIGHT_MM))
        slope, middle = (float(v) for v in np.polyfit(share[keep] - 0.5, width[keep], 1))
    off = np.abs(width[good] - middle - slope * (share[good] - 0.5))
    if keep.mean() < _LEAST_ROWS or float(np.median(off)) > max(_STRAIGHT_MM, pitch):
        return None
    edges = (middle - 0.5 * slope, middle + 0.5 * slope)
    return edges if min(edges) > 0 else None
