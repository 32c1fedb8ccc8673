"""Patches seen on the squared-up panel: vapour spots, coating lift, stains, uneven press.

The difference is smoothed at doubling widths, each pixel weighted by its inverse variance, so that
edges, where place and blur err, speak less. What stands out of the scatter of its own width is cut
out and measured: border, detail kept, likeness to a reflection, to the bare base.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..imaging import area, enlarged, warped
from ..look import Difference, PanelFrame
from ..look.panel_frame import gradient
from ..look.render import photo_light
from ..records import F32, U8, Candidate, Mask
from .detail_loss import find_detail_loss
from .patch_groups import Region, grouped
from .patch_measures import blurred, measure_patch, measure_washed, sharpened
from .same import lone_marks
from .shapes import drawn, is_mark

_FIRST_MM = 0.6
_EDGE_MM = 1.2
_UNSEEN_EDGE_MM = 2.2  # the print's outline may be off the metal's by its drift
_SKIRT_MM = 0.6
_MARK_MM = 0.5  # a mark's blurred skirt
LOW_BAR = 3.0
HIGH_BAR = 6.0
MOST = 120
_BAR_STEP = 1.5
_STANDS_FOR = 0.35  # share of a washed-out place that one region must hold to stand for it
_FRAGMENT = 0.6
_AROUND = 5  # cells of two sigmas
_BINS = 5
_LOW_SPAN = 1.12  # scatters between the 5th and 30th percentile of normal noise
_LEAST_SCATTER = 0.0008  # root light: what eight-bit steps leave after smoothing


@dataclass(frozen=True, slots=True)
class PatchView:
    """The panel frame made ready for patches.

    `expected` (H, W, 3) blurred to match and `residual` (H, W, 3) photo minus expected, both root
    light; `weight` (H, W) inverse variance, zero where not `usable` (H, W).
    """

    frame: PanelFrame
    expected: F32
    residual: F32
    weight: F32
    usable: Mask
    blur_px: float


def patch_view(difference: Difference, ignore: Mask | None = None) -> PatchView:
    """Weigh every pixel of the panel frame; those to `ignore` (H, W) bool have no weight."""
    frame = difference.panel
    edge_mm = _EDGE_MM if difference.outline_seen else _UNSEEN_EDGE_MM
    usable = frame.inside & frame.printed & ~difference.hidden & (frame.edge_mm > edge_mm)
    if ignore is not None:
        usable &= ~ignore
    expected = frame.expected
    blur_px = max(difference.photo.blur_px * frame.px_per_mm / difference.photo.px_per_mm, 0.5)
    residual = frame.observed - expected
    slope2 = gradient(expected) ** 2
    light = photo_light(residual)
    sample = np.abs(light[usable]) if usable.any() else np.zeros(1, np.float32)
    noise2 = max(1.4826 * float(np.median(sample)), 0.001) ** 2
    g2 = slope2[usable] if usable.any() else np.zeros(1, np.float32)
    busy = g2 > np.quantile(g2, 0.8)
    ratio = (
        np.minimum(sample[busy] ** 2, 25 * noise2).mean() / max(float(g2[busy].mean()), 1e-9)
        if busy.any()
        else 0.0
    )
    weight = 1 / (noise2 + np.float32(ratio) * slope2)
    weight[~usable] = 0
    return PatchView(frame, expected, residual, np.asarray(weight, np.float32), usable, blur_px)


def darker_scatter(light: F32, busy: U8, seen: Mask) -> F32 | None:
    """Scatter (256,) float32 of a smoothed difference against how busy the picture is there.

    From the darker side of each bin alone, since reflections and pale patches may fill much of the
    lighter; never falling with business. None where too little is seen.
    """
    step = (slice(None, None, 2), slice(None, None, 2))
    keep = seen[step]
    sample, level = light[step][keep], busy[step][keep]
    if sample.size < 200:
        return None
    order = np.argsort(level, kind="stable")
    places, scatter = [], []
    for part in np.array_split(order, int(np.clip(sample.size // 2000, 1, _BINS))):
        low, middle = np.quantile(sample[part], [0.05, 0.3])
        places.append(float(np.median(level[part])))
        scatter.append(max(float(middle - low) / _LOW_SPAN, 1e-6))
    rising = np.maximum.accumulate(scatter)
    return np.interp(np.arange(256), places, rising).astype(np.float32)


@dataclass(frozen=True, slots=True)
class _Level:
    score: F32
    sigma_px: float
    step: int
    scatter: float


def _levels(view: PatchView, wanted_px: float | None = None) -> list[_Level]:
    """Scores at doubling widths; with `wanted_px` only at the width nearest to it."""
    short = min(view.usable.shape)
    levels: list[_Level] = []
    weight, weighted = view.weight, view.residual * view.weight[..., None]
    busy_weighted = gradient(view.expected) * view.weight
    sigma = max(1.5, _FIRST_MM * view.frame.px_per_mm)
    step = 1
    widths = [w for w in (sigma * 2.0**k for k in range(16)) if w < short / 9]
    only = None
    if wanted_px is not None and widths:
        only = min(widths, key=lambda width: abs(np.log(width / wanted_px)))
    while sigma * step < short / 9:
        if only is not None and sigma * step < 0.75 * only:
            weight, weighted, busy_weighted = map(_halved, (weight, weighted, busy_weighted))
            step *= 2
            continue
        if only is not None and levels:
            break
        top, bottom = blurred(weighted, sigma), blurred(weight, sigma)
        top_busy = blurred(busy_weighted, sigma)
        least = 1e-6 * float(weight.max())
        smooth = top / np.maximum(bottom, least)[..., None]
        light = photo_light(np.asarray(smooth, np.float32))
        seen = (weight > 0) & (
            bottom > 0.02 * float(np.median(weight[weight > 0]) if (weight > 0).any() else 1)
        )
        if seen.sum() < 50:
            break
        light = _without_broad(light, seen, sigma)
        busy = np.asarray(
            cv2.convertScaleAbs(top_busy / np.maximum(bottom, least), alpha=4000.0), np.uint8
        )
        by_activity = darker_scatter(light, busy, seen)
        if by_activity is None:
            break
        spread = np.maximum(cv2.LUT(busy, by_activity), np.float32(_LEAST_SCATTER))
        score = light / spread
        score[~seen] = 0
        middle_spread = float(np.median(spread[seen]))
        levels.append(_Level(np.asarray(score, np.float32), sigma, step, middle_spread))
        weight, weighted, busy_weighted = _halved(weight), _halved(weighted), _halved(busy_weighted)
        step *= 2
    return levels


def _without_broad(light: F32, seen: Mask, sigma: float) -> F32:
    """A smoothed difference (H, W) less the median of what lies around, some five patches wide.

    Light that is off over a wide place hides no spot within it, and a median does not dip beside a
    strong patch as a mean would. Where too little lies around, the whole panel's darker side, to
    which glare adds nothing, stands for it.
    """
    low, middle = np.quantile(light[seen], [0.05, 0.3])
    ground = float(middle + 0.4 * (middle - low) / _LOW_SPAN)
    height, width = light.shape
    cells = (int(width / (2 * sigma)), int(height / (2 * sigma)))
    if min(cells) < 2 * _AROUND:
        return light - np.float32(ground)
    filled = np.where(seen, light, np.float32(ground))
    around = cv2.medianBlur(area(filled, cells), _AROUND)
    return np.asarray(light - enlarged(np.asarray(around, np.float32), (width, height)))


def _halved(image: F32) -> F32:
    """Means over two by two pixels; an odd last row or column is left off."""
    size = (image.shape[1] // 2, image.shape[0] // 2)
    return area(image[: size[1] * 2, : size[0] * 2], size)


def spot_scatter(difference: Difference, diameter_mm: float) -> float | None:
    """Scatter in root light of the difference smoothed as suits a spot this wide."""
    view = patch_view(difference)
    wanted = diameter_mm / 2.8 * view.frame.px_per_mm
    levels = _levels(view, wanted)
    return levels[0].scatter if levels else None


def find_patches(
    difference: Difference, found_before: tuple[Candidate, ...] = ()
) -> tuple[Candidate, ...]:
    """Candidates of the family `patch`, strongest first.

    Small sharp marks found before are left out, so that a strong speck is no patch.
    """
    marks = lone_marks([c for c in found_before if is_mark(c)])
    view = patch_view(difference, drawn(difference, marks, _MARK_MM))
    light = photo_light(view.residual)
    found: list[tuple[float, Mask, int]] = []
    for level in _levels(view):
        for sign in (1, -1):
            found += _regions(view, level, sign)
    found.sort(key=lambda item: -item[0])
    taken = {1: np.zeros(view.usable.shape, bool), -1: np.zeros(view.usable.shape, bool)}
    reach = 2 * int(np.ceil(_SKIRT_MM * view.frame.px_per_mm)) + 1
    around = np.ones((reach, reach), np.uint8)
    kept: list[Region] = []
    for peak, rough, sign in found[:MOST]:
        if (rough & ~taken[sign]).sum() < 0.3 * rough.sum():
            continue
        mask = sharpened(view, rough, sign)
        fresh = mask & ~taken[sign]
        if fresh.sum() < 0.5 * mask.sum():
            continue
        # a wide filter sees a strong patch with a wide skirt: what is new must stand by itself
        if (
            fresh.sum() < mask.sum()
            and light[fresh].mean() * sign < 0.6 * light[mask].mean() * sign
        ):
            continue
        taken[sign] |= cv2.dilate(mask.astype(np.uint8), around) > 0
        kept.append(Region.of(mask, light, sign, peak))
    regions = grouped(kept, light, view.frame.px_per_mm)
    washed, regions = _settled(find_detail_loss(view)[:MOST], regions)
    seen = [measure_patch(difference, view, r.mask, r.sign, r.peak) for r in regions]
    seen += [measure_washed(difference, view, mask, peak) for mask, peak in washed]
    return tuple(seen)


def _settled(
    washed: list[tuple[Mask, float]], regions: list[Region]
) -> tuple[list[tuple[Mask, float]], list[Region]]:
    """Washed-out places that no region stands for, and the regions that are no fragments of one.

    Where print has run, its letters' paler middles and darker ground are many small regions.
    """
    kept = []
    for mask, peak in washed:
        area = float(mask.sum())
        shared = [float((region.mask & mask).sum()) for region in regions]
        if any(part >= _STANDS_FOR * area for part in shared):
            continue
        kept.append((mask, peak))
        regions = [
            region
            for region, part in zip(regions, shared, strict=True)
            if part < _FRAGMENT * float(region.mask.sum())
        ]
    return kept, regions


def _regions(view: PatchView, level: _Level, sign: int) -> list[tuple[float, Mask, int]]:
    """Each peak over the high bar with the place around it down to half its own height.

    Bars rise step by step, so that a peak on the skirt of a greater one is cut off from it.
    """
    score = level.score * np.float32(sign)
    most = float(score.max())
    height, width = view.usable.shape
    known: set[int] = set()
    out: list[tuple[float, Mask, int]] = []
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
            mask = _drawn_at(region, part, score.shape, (height, width)) & view.usable
            if mask.sum() >= 4:
                out.append((peak, np.asarray(mask), sign))
        bar *= _BAR_STEP
    return out


def _drawn_at(
    region: Mask, part: tuple[slice, slice], shape: tuple[int, ...], full: tuple[int, int]
) -> Mask:
    """A region that stands at `part` of an image of `shape` (H, W), on one of the shape `full`."""
    down, across = full[0] / shape[0], full[1] / shape[1]
    y0, x0 = int(part[0].start * down), int(part[1].start * across)
    rows, columns = region.shape
    size = (int(np.ceil(columns * across)), int(np.ceil(rows * down)))
    # pixel centres of the one in the other's pixels, counted from the part's first
    first = [
        (x0 + 0.5) / across - 0.5 - part[1].start,
        (y0 + 0.5) / down - 0.5 - part[0].start,
    ]
    matrix = np.array([[1 / across, 0, first[0]], [0, 1 / down, first[1]]])
    grey = warped(region.astype(np.float32), matrix, size)
    out = np.zeros(full, bool)
    place = out[y0 : y0 + size[1], x0 : x0 + size[0]]
    place[...] = grey[: place.shape[0], : place.shape[1]] > 0.5
    return out


def _peaks(score: F32, labels: NDArray[np.int32], count: int) -> list[tuple[int, int, float]]:
    """Label, flat index of the highest pixel and its score of each labelled part, highest first."""
    at = np.flatnonzero(labels)
    owner, value = labels.ravel()[at], score.ravel()[at]
    order = np.lexsort((-value, owner))
    first = np.unique(owner[order], return_index=True)[1]
    tops = order[first]
    found = [(int(owner[i]), int(at[i]), float(value[i])) for i in tops]
    return sorted(found, key=lambda one: -one[2])[: min(count, MOST // 3)]
