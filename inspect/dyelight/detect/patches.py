"""Patches seen on the squared-up panel: vapour spots, coating lift, stains, uneven press.

What stands out of the scatter of its own width is cut out and measured: border, detail kept,
likeness to a reflection, to the bare base.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ..imaging import warped
from ..look import Difference
from ..look.render import photo_light
from ..records import F32, Candidate, Mask
from .detail_loss import find_detail_loss
from .patch_groups import Region, grouped
from .patch_levels import Level, PatchView, patch_view, smoothed_levels
from .patch_measures import measure_patch, measure_washed, sharpened
from .places import Place
from .same import lone_marks
from .shapes import drawn, is_mark

_SKIRT_MM = 0.6
_MARK_MM = 0.5  # a mark's blurred skirt
LOW_BAR = 3.0
HIGH_BAR = 6.0
MOST = 120
_BAR_STEP = 1.5
_STANDS_FOR = 0.6  # share of a washed-out place that one region must hold to stand for it
_FRAGMENT = 0.6
_LEAST_PX = 4


def find_patches(
    difference: Difference, found_before: tuple[Candidate, ...] = ()
) -> tuple[Candidate, ...]:
    """Candidates of the family `patch`, strongest first.

    Small sharp marks found before are left out, so that a strong speck is no patch.
    """
    marks = lone_marks([c for c in found_before if is_mark(c)])
    view = patch_view(difference, drawn(difference, marks, _MARK_MM))
    light = photo_light(view.residual)
    found: list[tuple[float, Place, int]] = []
    for level in smoothed_levels(view):
        for sign in (1, -1):
            found += _regions(view, level, sign)
    found.sort(key=lambda item: -item[0])
    taken = {1: np.zeros(view.usable.shape, bool), -1: np.zeros(view.usable.shape, bool)}
    reach = int(np.ceil(_SKIRT_MM * view.frame.px_per_mm))
    kept: list[Region] = []
    for peak, rough, sign in found[:MOST]:
        if (rough.mask & ~taken[sign][rough.window]).sum() < 0.3 * rough.count:
            continue
        place = sharpened(view, rough, sign)
        fresh = place.mask & ~taken[sign][place.window]
        new = int(fresh.sum())
        if new < 0.5 * place.count:
            continue
        # a wide filter sees a strong patch with a wide skirt: what is new must stand by itself
        here = light[place.window] * np.float32(sign)
        if new < place.count and here[fresh].mean() < 0.6 * here[place.mask].mean():
            continue
        wide = place.grown(reach, view.usable.shape)
        around = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
        taken[sign][wide.window] |= cv2.dilate(wide.mask.astype(np.uint8), around) > 0
        kept.append(Region.of(place, light, sign, peak))
    regions = grouped(kept, light, view.frame.px_per_mm)
    washed, regions = _settled(find_detail_loss(view)[:MOST], regions)
    seen = [measure_patch(difference, view, r.place, r.sign, r.peak) for r in regions]
    seen += [measure_washed(difference, view, place, peak) for place, peak in washed]
    return tuple(one for one in seen if one is not None)


def _settled(
    washed: list[tuple[Place, float]], regions: list[Region]
) -> tuple[list[tuple[Place, float]], list[Region]]:
    """Washed-out places that no region stands for, and the regions that are no fragments of one.

    Where print has run, its letters' paler middles and darker ground are many small regions; a
    darker one may well be as large as the place.
    """
    kept = []
    for place, peak in washed:
        shared = [region.place.shared(place) for region in regions]
        stands = [part >= _STANDS_FOR * place.count for part in shared]
        if any(one and region.sign > 0 for one, region in zip(stands, regions, strict=True)):
            continue
        kept.append((place, peak))
        regions = [
            region
            for region, part in zip(regions, shared, strict=True)
            if part < _FRAGMENT * region.place.count
        ]
    return kept, regions


def _regions(view: PatchView, level: Level, sign: int) -> list[tuple[float, Place, int]]:
    """Each peak over the high bar with the place around it down to half its own height.

    Bars rise step by step, so that a peak on the skirt of a greater one is cut off from it.
    """
    score = level.score * np.float32(sign)
    most = float(score.max())
    known: set[int] = set()
    out: list[tuple[float, Place, int]] = []
    bar = LOW_BAR
    while bar < most and most >= HIGH_BAR:
        over = (score > bar).astype(np.uint8)
        count, labels, stats, _ = cv2.connectedComponentsWithStats(over, connectivity=4)
        for label, top, peak in _peaks(score, np.asarray(labels, np.int32), count):
            if top in known or peak < HIGH_BAR or len(out) >= MOST // 3:
                continue
            known.add(top)
            x, y, w, h = (int(v) for v in stats[label, :4])
            part = (slice(max(y - 2, 0), y + h + 2), slice(max(x - 2, 0), x + w + 2))
            region = (labels[part] == label) & (score[part] > 0.5 * peak)
            place = _drawn_at(region, part, level.step, view.usable)
            if place is not None:
                out.append((peak, place, sign))
        bar *= _BAR_STEP
    return out


def _drawn_at(region: Mask, part: tuple[slice, slice], step: int, usable: Mask) -> Place | None:
    """A region that stands at `part` of the panel frame shrunk by `step`, on the frame itself where
    it is `usable`; None where next to nothing is."""
    y0, x0 = part[0].start * step, part[1].start * step
    rows, columns = region.shape
    size = (columns * step, rows * step)
    # pixel centres of the one in the other's pixels, counted from the part's first
    first = [
        (x0 + 0.5) / step - 0.5 - part[1].start,
        (y0 + 0.5) / step - 0.5 - part[0].start,
    ]
    matrix = np.array([[1 / step, 0, first[0]], [0, 1 / step, first[1]]])
    grey = warped(region.astype(np.float32), matrix, size)
    here = usable[y0 : y0 + size[1], x0 : x0 + size[0]]
    mask = (grey[: here.shape[0], : here.shape[1]] > 0.5) & here
    return Place.of(np.asarray(mask), x0, y0) if mask.sum() >= _LEAST_PX else None


def _peaks(score: F32, labels: NDArray[np.int32], count: int) -> list[tuple[int, int, float]]:
    """Label, flat index of the highest pixel and its score of each labelled part, highest first."""
    at = np.flatnonzero(labels)
    owner, value = labels.ravel()[at], score.ravel()[at]
    order = np.lexsort((-value, owner))
    first = np.unique(owner[order], return_index=True)[1]
    tops = order[first]
    found = [(int(owner[i]), int(at[i]), float(value[i])) for i in tops]
    return sorted(found, key=lambda one: -one[2])[: min(count, MOST // 3)]
