"""Places where the picture's fine detail is washed out, though its mean colour hardly changed.

Vapour lets dye run: over fine print, such as text or foliage, letters pale and their ground
darkens, and what a spot of even colour would show cancels out. There the slope of the photo's
detail on the expected detail, window by window, tells (local regression; the slope's own error from
what it leaves). Light thrown back lowers contrast too, by what it adds, and is allowed for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from ..imaging import area, enlarged, gaussian, reduced
from ..look.render import photo_light
from ..look.rootlight import ROOT_OFFSET
from ..ranks import median, quantile
from ..records import F32, Mask
from .places import Place

if TYPE_CHECKING:
    from .patch_levels import PatchView

_FINE_PX = 2.0
_WINDOW_MM = 1.2
_WINDOWS = 3  # widths, each twice the one before: a wide spot is told by more detail
_LEAST_LOSS = 0.3
_LEAST_WIDE_LOSS = 0.2
_SCORE = 8.0
_LEAST_MM2 = 6.0
_GAP_MM = 3.0  # of bare ground between lines of print, over which a spot goes on
_LEAST_DETAIL = 0.006  # root light: one and a half eight-bit steps
_TELLING = 0.12  # error up to which a slope says something
_CELL_PX = 4.0  # neighbouring pixels' detail is not independent
_AROUND = 5  # cells of four windows over which a slope is usual
_TONES = 6
_TONE_CELLS = 50  # told, that say what is usual for a tone


def find_detail_loss(view: PatchView) -> list[tuple[Place, float]]:
    """Places where detail is lost, with their scores, strongest first."""
    ppm = view.frame.px_per_mm
    seen, due = photo_light(view.frame.observed), view.due
    usable = view.usable.astype(np.float32)
    broad_seen, broad_due = gaussian(seen, _FINE_PX), gaussian(due, _FINE_PX)
    lit = (broad_due + ROOT_OFFSET) / np.maximum(broad_seen + ROOT_OFFSET, ROOT_OFFSET)
    fine_due = (due - broad_due) * np.minimum(lit, 1.0)
    fine_seen = seen - broad_seen
    # a window's mean needs no pixel by itself, and OpenCV halves quickly
    products = tuple(
        reduced(one, 2)
        for one in (
            usable,
            fine_due**2 * usable,
            fine_seen * fine_due * usable,
            fine_seen**2 * usable,
            broad_due * usable,
        )
    )
    out: list[tuple[Place, float]] = []
    for doubled in range(_WINDOWS):
        sigma = max(_WINDOW_MM * ppm, 4.0) * 2**doubled
        if sigma > min(seen.shape) / 9:
            break
        out += _lost(view, products, sigma, _LEAST_WIDE_LOSS if doubled else _LEAST_LOSS)
    full = [one for one in out if _holds_detail(fine_due, one[0])]
    return _apart(sorted(full, key=lambda one: -one[1]))


def _holds_detail(fine_due: F32, place: Place) -> bool:
    """Whether a quarter of a place or more is due detail that no camera smooths away as noise."""
    there = np.abs(fine_due[place.window][place.mask])
    return quantile(there, 0.75) > _LEAST_DETAIL


def _lost(
    view: PatchView, products: tuple[F32, ...], sigma: float, least: float
) -> list[tuple[Place, float]]:
    """Places where windows of `sigma` px keep less of the detail due than is usual around them.

    `products`, halved: usable, due by due, seen by due and seen by seen detail, and the light due.
    """
    step = max(1, int(sigma / 2))
    height, width = view.usable.shape
    size = (max(width // step, 4), max(height // step, 4))
    usable, due2, both, seen2, light = (gaussian(area(one, size), sigma / step) for one in products)
    weight = np.maximum(usable, 1e-3)
    slope = both / np.maximum(due2, 1e-9)
    rest = np.maximum(seen2 - slope * both, 1e-9)
    count = 4 * np.pi * sigma**2 / _CELL_PX
    noise = np.sqrt(rest / (np.maximum(due2, 1e-9) * count))
    told = (weight > 0.5) & (noise < _TELLING)
    if told.sum() < 50:
        return []
    kept = np.asarray(slope, np.float32)
    around = _usual(kept, told, size, sigma / step)
    around = np.minimum(around, _usual_of_tone(kept, told, np.asarray(light / weight, np.float32)))
    loss = np.where(told, around - slope, 0).astype(np.float32)
    spread = 1.4826 * median(np.abs(loss[told]))
    error = np.hypot(noise, spread)
    over = told & (loss > least) & (loss > _SCORE * error)
    return _masks(view, np.asarray(over), np.asarray(loss / error, np.float32), step)


def _apart(found: list[tuple[Place, float]]) -> list[tuple[Place, float]]:
    """Of places that share ground, the one with the best score."""
    out: list[tuple[Place, float]] = []
    for place, score in found:
        if not any(place.shared(other) for other, _ in out):
            out.append((place, score))
    return out


def _usual(slope: F32, told: Mask, size: tuple[int, int], sigma: float) -> F32:
    """The slope that is usual around each place: the middle one of its neighbourhood."""
    middle = median(slope[told])
    filled = np.where(told, slope, np.float32(middle)).astype(np.float32)
    cells = (int(size[0] / (4 * sigma)), int(size[1] / (4 * sigma)))
    if min(cells) < 2 * _AROUND:
        return np.full_like(filled, np.float32(middle))
    return enlarged(np.asarray(cv2.medianBlur(area(filled, cells), _AROUND), np.float32), size)


def _usual_of_tone(slope: F32, told: Mask, light: F32) -> F32:
    """The slope that is usual where the print is as light: a shop's ink and a camera's curve draw
    detail flatter in the shadows than the look expects, and do so wherever the shadow is."""
    sample = light[told]
    edges = [quantile(sample, one / _TONES) for one in range(1, _TONES)]
    tone = np.digitize(light, edges)
    out = np.full_like(slope, np.inf)
    for one in range(_TONES):
        alike = tone == one
        there = slope[told & alike]
        if there.size > _TONE_CELLS:
            out[alike] = median(there)
    return out


def _masks(view: PatchView, over: Mask, score: F32, step: int) -> list[tuple[Place, float]]:
    height, width = view.usable.shape
    size = 2 * max(1, round(_GAP_MM * view.frame.px_per_mm / step)) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    whole = cv2.morphologyEx(np.pad(over.astype(np.uint8), size), cv2.MORPH_CLOSE, disc)
    whole = np.ascontiguousarray(whole[size:-size, size:-size])
    count, labels, stats, _ = cv2.connectedComponentsWithStats(whole, connectivity=4)
    least = _LEAST_MM2 * (view.frame.px_per_mm / step) ** 2
    out = []
    for label in range(1, count):
        if stats[label, cv2.CC_STAT_AREA] < least:
            continue
        part = np.asarray(labels == label)
        full = enlarged(part.astype(np.float32), (width, height)) > 0.5
        mask = np.asarray(full & view.usable)
        if mask.any():
            out.append((Place.of(mask), float(score[part].max())))
    return sorted(out, key=lambda one: -one[1])
