"""Tiles that see straight lines of one direction only, as in stripes.

Such a tile measures the shift across its lines. Its own idea of their direction errs by a degree or
so, and over many tiles that error passes for a measurement along the lines, where nothing is seen.
So where most tiles see lines of one direction, that direction is taken from all of them together.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..records import F64
from .frame_fit import Observations

# a tile is of lines where its error along them is at least so many times the one across
_LINE_RATIO = 10.0
# share of all information that such tiles must hold, and how far their directions may scatter
_MOST_LINES = 0.8
_LEAST_TILES = 6
# error along the lines, view px, from which a tile does not count as seeing their end
_CLEAR_END_PX = 0.5
_SCATTER_DEG = 6.0


def along_one_line(seen: Observations, pitch: float) -> Observations:
    """The observations with the lines' common direction, where most of them see lines alone.

    `pitch` is the view's in photo px.
    """
    values, axes = np.linalg.eigh(seen.information)
    across, along = values[:, 1], values[:, 0]
    lines = along * _LINE_RATIO**2 < across
    told = float(across[lines].sum())
    if lines.sum() < _LEAST_TILES or told < _MOST_LINES * float(across.sum()):
        return seen
    # of the rest only what sees an end of a line clearly is believed: noise ends lines too
    lines |= along * (_CLEAR_END_PX * pitch) ** 2 < 1
    normals = axes[lines, :, 1]
    turned, scatter_deg = _smooth(normals, seen.points_px[lines], across[lines])
    if scatter_deg > _SCATTER_DEG:
        return seen
    information = seen.information.copy()
    information[lines] = across[lines, None, None] * turned[:, :, None] * turned[:, None, :]
    return replace(seen, information=information)


def _smooth(normals: F64, at: F64, weight: F64) -> tuple[F64, float]:
    """Directions (N, 2) as a plane in their place, for perspective turns them evenly, and how far
    the single ones scatter about it, degrees."""
    # an axis has no sign, its doubled angle has
    doubled = (normals[:, 0] + 1j * normals[:, 1]) ** 2
    middle = np.sum(weight * doubled)
    middle /= max(abs(middle), 1e-12)
    off = np.angle(doubled / middle) / 2
    place = (at - at.mean(axis=0)) / max(float(np.ptp(at, axis=0).max()), 1.0)
    terms = np.column_stack([np.ones(len(at)), place])
    root = np.sqrt(np.minimum(weight, np.median(weight)))
    for _ in range(3):
        plane = np.linalg.lstsq(terms * root[:, None], off * root, rcond=None)[0]
        left = off - terms @ plane
        typical = max(1.4826 * float(np.median(np.abs(left))), 1e-4)
        root = np.sqrt(np.minimum(weight, np.median(weight))) / np.hypot(1, left / (2 * typical))
    angle = np.angle(middle) / 2 + terms @ plane
    return np.column_stack([np.cos(angle), np.sin(angle)]), float(np.degrees(typical))
