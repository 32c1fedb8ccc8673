"""Places where what is left of the difference is restless, whatever light lies over them.

A vapour spot is mottled. Under a reflection, on its slope or over busy print a smoothed difference
drowns, but the mottle stays once each neighbourhood's own light, contrast, place and sharpness were
forgiven. Its energy, smoothed at doubling widths, is held against that of the surroundings.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from ..imaging import area, enlarged, gaussian
from ..ranks import median, quantile
from ..records import F32, Mask
from .places import Place

if TYPE_CHECKING:
    from .patch_levels import PatchView

_WIDTHS_MM = (1.5, 3.0, 6.0)  # sigmas
_AROUND = 5  # cells of two sigmas
_LEAST_RISE = 0.7  # of the logarithm of the energy
_BAR = 5.0  # scatters of the logarithm over the panel
_CALM = 0.5  # energy under which nothing is told
_LEAST_ENERGY = 6.0  # of a mottle that can be seen at all; noise has 1
_SEEN = 0.3
_MOST = 12
_FINE_MM, _SHARE = 0.7, 0.25


def find_unrest(view: PatchView) -> list[tuple[Place, float]]:
    """Restless places with their scores, strongest first, none of them sharing ground."""
    out: list[tuple[Place, float]] = []
    for width_mm in _WIDTHS_MM:
        sigma = width_mm * view.frame.px_per_mm
        if sigma > min(view.usable.shape) / 12:
            break
        out += _restless(view, sigma)
    kept: list[tuple[Place, float]] = []
    for place, score in sorted(out, key=lambda one: -one[1]):
        if len(kept) < _MOST and not any(place.shared(other) for other, _ in kept):
            kept.append((place, score))
    return kept


def _restless(view: PatchView, sigma: float) -> list[tuple[Place, float]]:
    """Places of some `sigma` px whose energy stands out of what lies around."""
    step = max(1, int(sigma / 2))
    height, width = view.usable.shape
    size = (max(width // step, 5), max(height // step, 5))
    usable = area(view.usable.astype(np.float32), size)
    weight = gaussian(usable, sigma / step)
    energy = gaussian(area(view.energy * view.usable, size), sigma / step)
    energy = np.asarray(energy / np.maximum(weight, 0.05), np.float32)
    seen = usable > _SEEN
    if seen.sum() < 50:
        return []
    logs = np.log(np.maximum(energy, _CALM))
    around = _around(
        logs, seen, (max(int(width / (2 * sigma)), 5), max(int(height / (2 * sigma)), 5))
    )
    rise = np.where(seen, logs - around, 0)
    scatter = 1.4826 * median(np.abs(rise[seen]))
    score = np.asarray(rise / max(scatter, _LEAST_RISE / _BAR), np.float32)
    return _places(view, np.where(energy > _LEAST_ENERGY, score, 0), rise, step)


def _around(logs: F32, seen: Mask, cells: tuple[int, int]) -> F32:
    filled = np.where(seen, logs, np.float32(median(logs[seen])))
    around = cv2.medianBlur(np.asarray(area(filled, cells), np.float32), _AROUND)
    return enlarged(np.asarray(around, np.float32), (logs.shape[1], logs.shape[0]))


def _places(view: PatchView, score: F32, rise: F32, step: int) -> list[tuple[Place, float]]:
    """Each peak of a score (h, w), down to half its rise, on the panel frame."""
    down, across = (_nearest(*sizes) for sizes in zip(view.usable.shape, score.shape, strict=True))
    out = []
    left = score.copy()
    for _ in range(_MOST):
        top = np.unravel_index(int(left.argmax()), left.shape)
        peak = float(left[top])
        if peak < _BAR or rise[top] < _LEAST_RISE:
            break
        over = (rise > 0.5 * rise[top]).astype(np.uint8)
        _, labels = cv2.connectedComponents(over, connectivity=4)
        part = labels == labels[top]
        left[part] = 0
        small = Place.of(part)
        x0, y0, x1, y1 = small.box
        left_px, right_px = (int(v) for v in np.searchsorted(across, [x0, x1]))
        top_px, bottom_px = (int(v) for v in np.searchsorted(down, [y0, y1]))
        mask = small.mask[down[top_px:bottom_px] - y0][:, across[left_px:right_px] - x0]
        mask = mask & view.usable[top_px:bottom_px, left_px:right_px]
        if mask.any():
            out.append((_drawn_tight(view, Place.of(mask, left_px, top_px)), peak))
    return out


def _nearest(size: int, cells: int) -> NDArray[np.intp]:
    """The cell (size,) that each of `size` px lies in, `cells` of them in all, as OpenCV rounds."""
    return np.minimum((np.arange(size) * (1 / (size / cells))).astype(np.intp), cells - 1)


def _drawn_tight(view: PatchView, rough: Place) -> Place:
    """The place cut out again by its energy over a neighbourhood just wider than the mottle."""
    fine_px = _FINE_MM * view.frame.px_per_mm
    wide = rough.grown(int(2 * fine_px), view.usable.shape)
    energy = gaussian(view.energy[wide.window], fine_px)
    top = quantile(energy[wide.mask], 0.95)
    part = (wide.mask & (energy > _SHARE * top) & view.usable[wide.window]).astype(np.uint8)
    size = 2 * int(fine_px) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    closed = (cv2.morphologyEx(part, cv2.MORPH_CLOSE, disc) > 0) & view.usable[wide.window]
    whole = np.asarray(closed | (part > 0))
    return Place.of(whole, wide.x0, wide.y0) if whole.any() else rough
