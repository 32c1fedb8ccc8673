"""Patches seen on the squared-up panel: vapour spots, coating lift, stains, uneven press.

What stands out of the scatter of its own width is cut out and measured: border, detail kept,
likeness to a reflection, to the bare base.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..imaging import as_u8, warped
from ..look import Difference
from ..ranks import median
from ..records import F32, Candidate, Mask
from .detail_loss import find_detail_loss
from .dimples import find_dimple, is_flank, is_two_faced
from .patch_groups import Region, grouped
from .patch_levels import (
    SIGMAS_ACROSS,
    WIDE_MM,
    Level,
    PatchView,
    patch_view,
    smoothed_levels,
    without_veil,
)
from .patch_measures import measure_patch, measure_washed, sharpened, without
from .places import Place, Window
from .same import lone_marks
from .shapes import drawn, is_mark
from .unrest import find_unrest

_SKIRT_MM = 0.6
_MARK_MM = 0.5  # a mark's blurred skirt
LOW_BAR = 3.0
HIGH_BAR = 7.5  # of 3300 fainter ones on 424 simulated photos none was sure enough to be told
MOST = 120
_BAR_STEP = 1.5
_STANDS_FOR = 0.6  # share of a washed-out place that one region must hold to stand for it
_FRAGMENT = 0.6
_SAME = 0.5
_LEAST_PX = 4
_OF_A_DIMPLE = ("opposite_lobe", "rim_contrast")
_NEW = 2  # marks the place just filled


def find_patches(
    difference: Difference, found_before: tuple[Candidate, ...] = ()
) -> tuple[Candidate, ...]:
    """Candidates of the family `patch`, first what a smoothed difference shows, strongest first.

    Small sharp marks found before are left out, so that a strong speck is no patch.
    """
    marks = lone_marks([c for c in found_before if is_mark(c)])
    ignore = drawn(difference, marks, _MARK_MM)
    view = patch_view(difference, ignore)
    plain = without_veil(view)
    wide_px = WIDE_MM * view.frame.px_per_mm

    def measured_at(place: Place, sign: int, peak: float) -> Candidate | None:
        seen = plain if place.diameter_px > wide_px else view
        return measure_patch(difference, seen, place, sign, peak)

    narrow, wide = _kept(view, plain, wide_px)
    washed = find_detail_loss(view)[:MOST]
    regions = _whole(narrow + wide, washed)
    measured = [(r.place, measured_at(r.place, r.sign, r.peak)) for r in regions]
    measured += [(place, measure_washed(difference, view, place, peak)) for place, peak in washed]
    known = [place for place, _ in measured]
    for place, peak in find_unrest(view):
        if is_two_faced(difference.left_over, place):
            found_whole = find_dimple(difference, view, place, peak)
            if found_whole is not None:
                dimple, flanks = found_whole
                # they are not told by themselves
                measured = [one for one in measured if not is_flank(one[0], flanks)]
                measured.append((place, dimple))
                continue
        # what a smoothed difference shows as well is better measured there; but a wide patch does
        # not stand for mottle within it, nor do pieces for the whole
        if not any(other.shared(place) > _SAME * max(other.count, place.count) for other in known):
            one = measured_at(place, _sign(view, place), peak)
            # mottle is light and dark by turns: no lobe of a dimple
            measured.append((place, one and without(one, _OF_A_DIMPLE)))
    return tuple(one for _, one in measured if one is not None)


def _kept(view: PatchView, plain: PatchView, wide_px: float) -> tuple[list[Region], list[Region]]:
    """The regions of patches no wider than `wide_px`, seen under the wider neighbourhood's light,
    and of wider ones, seen without, each with pieces of one patch joined."""
    least_px = wide_px / SIGMAS_ACROSS
    found: list[tuple[float, Place, int, PatchView]] = []
    for seen, span in ((view, (0.0, least_px)), (plain, (least_px, np.inf))):
        these = [
            (peak, place, own, seen)
            for level in smoothed_levels(seen, span)
            for sign in (1, -1)
            for peak, place, own in _regions(seen, level, sign)
        ]
        found += sorted(these, key=lambda item: -item[0])[:MOST]
    taken = {1: np.zeros(view.usable.shape, bool), -1: np.zeros(view.usable.shape, bool)}
    reach = int(np.ceil(_SKIRT_MM * view.frame.px_per_mm))
    kept: tuple[list[Region], list[Region]] = ([], [])
    for peak, rough, sign, seen in found:
        if (rough.mask & ~taken[sign][rough.window]).sum() < 0.3 * rough.count:
            continue
        place = sharpened(seen, rough, sign)
        fresh = place.mask & ~taken[sign][place.window]
        new = int(fresh.sum())
        if new < 0.5 * place.count:
            continue
        # a wide filter sees a strong patch with a wide skirt: what is new must stand by itself
        here = seen.residual[place.window] * np.float32(sign)
        if new < place.count and here[fresh].mean() < 0.6 * here[place.mask].mean():
            continue
        grown = place.grown(reach, view.usable.shape)
        around = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
        taken[sign][grown.window] |= cv2.dilate(grown.mask.astype(np.uint8), around) > 0
        kept[seen is plain].append(Region.of(place, seen.residual, sign, peak))
    ppm = view.frame.px_per_mm
    return grouped(kept[0], view.residual, ppm), grouped(kept[1], plain.residual, ppm)


def _sign(view: PatchView, place: Place) -> int:
    """Whether most of a place's mottle is lighter than what lies around it, or darker."""
    here = view.residual[place.window]
    around = median(here[~place.mask]) if not place.mask.all() else 0.0
    return 1 if float(here[place.mask].mean() - around) >= 0 else -1


def _whole(regions: list[Region], washed: list[tuple[Place, float]]) -> list[Region]:
    """The regions that are no fragments of a washed-out place.

    Where print has run, its letters' paler middles and darker ground are many small regions; a
    darker one may well be as large as the place. A paler one as large stands beside it: which of
    the two is told is settled by what they are named.
    """
    for place, _ in washed:
        shared = [region.place.shared(place) for region in regions]
        if any(
            region.sign > 0 and part >= _STANDS_FOR * place.count
            for region, part in zip(regions, shared, strict=True)
        ):
            continue
        regions = [
            region
            for region, part in zip(regions, shared, strict=True)
            if part < _FRAGMENT * region.place.count
        ]
    return regions


def _regions(view: PatchView, level: Level, sign: int) -> list[tuple[float, Place, int]]:
    """Each peak over the high bar with the place around it down to half its own height.

    Bars rise step by step, so that a peak on the skirt of a greater one is cut off from it.
    """
    score = level.score * np.float32(sign)
    most = float(score.max())
    shape = (score.shape[0], score.shape[1])
    known: set[tuple[int, int]] = set()
    out: list[tuple[float, Place, int]] = []
    bar = LOW_BAR
    parts = _parts(score, bar) if most >= HIGH_BAR else []
    while parts:
        for part in parts[: MOST // 3]:
            if part.top in known or len(out) >= MOST // 3:
                continue
            known.add(part.top)
            grown = Place(part.mask, part.x0, part.y0).grown(2, shape)
            region = grown.mask & (score[grown.window] > 0.5 * part.peak)
            place = _drawn_at(region, grown.window, level.step, view.usable)
            if place is not None:
                out.append((part.peak, place, sign))
        bar *= _BAR_STEP
        # what is over this bar lies within what was over the one before
        parts = [
            inner.moved(part.x0, part.y0)
            for part in parts
            if part.peak > bar
            for inner in _parts(np.where(part.mask, score[part.window], np.float32(0)), bar)
        ]
        parts.sort(key=lambda part: -part.peak)
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


@dataclass(frozen=True, slots=True)
class _Part:
    """A connected place of a score whose first pixel is (x0, y0), its `top` pixel (x, y) and the
    `peak` there."""

    mask: Mask
    x0: int
    y0: int
    top: tuple[int, int]
    peak: float

    @property
    def window(self) -> Window:
        """Rows and columns of the score under the mask."""
        height, width = self.mask.shape
        return slice(self.y0, self.y0 + height), slice(self.x0, self.x0 + width)

    def moved(self, x: int, y: int) -> _Part:
        """The same part of a score in which this one's first pixel is (x, y)."""
        top = (self.top[0] + x, self.top[1] + y)
        return _Part(self.mask, self.x0 + x, self.y0 + y, top, self.peak)


def _parts(score: F32, bar: float) -> list[_Part]:
    """The connected places over a bar that peak over the high bar, highest first."""
    over = as_u8(score > bar)
    tops = np.flatnonzero(score >= max(HIGH_BAR, bar))
    # most tops lie in a place that is done, and bytes are read faster than elements of an array
    state = over.data.cast("B")
    # one for all, as OpenCV would clear a new one for every place
    filled = np.zeros((over.shape[0] + 2, over.shape[1] + 2), np.uint8)
    out = []
    for at in tops.tolist():
        if state[at] != 1:
            continue
        y, x = divmod(at, score.shape[1])
        _, _, _, (x0, y0, w, h) = cv2.floodFill(over, filled, (x, y), _NEW, flags=4)
        here = over[y0 : y0 + h, x0 : x0 + w]
        mask = here == _NEW
        here[mask] = 0
        inside = np.where(mask, score[y0 : y0 + h, x0 : x0 + w], np.float32(0))
        down, across = divmod(int(inside.argmax()), w)
        top = (x0 + across, y0 + down)
        out.append(_Part(mask, x0, y0, top, float(inside[down, across])))
    return sorted(out, key=lambda part: -part.peak)
