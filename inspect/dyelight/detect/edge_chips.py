"""Coating that broke away at the panel's edge: a small bare bite with a sharp border.

Coating lifts first at edges and corners, where patches and marks are not looked for, since a
rounded rim catches light there. A bite is told from that light by its colour, which is the bare
base's, by its end along the edge, where the rim goes on as before, and by its depth.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import cv2
import numpy as np

from ..look import Difference
from ..look.render import photo_light
from ..ranks import median, medians, quantile
from ..records import F32, Candidate, Mask
from .bared_metal import begins_past_the_edge, could_be_metal
from .edge_bareness import BARE, bareness, departure, greyness
from .patch_levels import PatchView, patch_view
from .patch_measures import measure_patch
from .places import Place

_RIM_MM = 0.35  # nearer to the outline its own error and the rounded rim decide
_UNSEEN_RIM_MM = 1.1  # an outline that was not seen may be off by the print's drift
_DEPTH_MM = 12.0
_TOUCH_MM, _BLURS = 0.9, 1.5
_SHINE_MM, _SHINE_BLURS = 0.6, 3.0  # what lies behind shines in no further over the rim
_LEAST_DEPTH_MM = 0.8
_LEAST_GREY_MM = 1.25  # what lies behind an edge that is a little off is grey as well
_LEAST_MM2, _MOST_MM2 = 0.6, 150.0
_MEAN_BARE = 0.35
_AROUND_MM = 3.0
_AROUND_BARE = 0.4  # of the bite's own
_LONG = 4.0  # length along the edge over depth from which it is the rim or a bare strip
_MOST = 12
_ALIKE_PX = 4
_LEAST_GREY = 0.25  # neutral likeness of a place of whatever departs: a chroma of 9
_LEAST_SCATTER = 0.004  # root light
_SOFTEST, _OVER_WHITE = 3.0, 0.5
_STRONG_DE00 = 12.0
_PRINT_SHOWS = 0.55
_END_MM = 4.0  # about a corner's rounding
_DARKER = 8.0  # L*
_OWN = 0.5  # share of another candidate's box within a bite's, from which it is part of it


def find_chips(
    difference: Difference, found_before: tuple[Candidate, ...] = ()
) -> tuple[Candidate, ...]:
    """Candidates of the family `chip`, measured as patches are, largest first.

    Not along a bare edge that was found before.
    """
    frame = difference.panel
    ppm = frame.px_per_mm
    rim_mm = _RIM_MM if difference.outline_seen else _UNSEEN_RIM_MM
    # what lies past the edge shines in as far as the photo's blur
    blur_mm = difference.photo.blur_px / difference.photo.px_per_mm
    touch_mm = rim_mm - _RIM_MM + _TOUCH_MM + _BLURS * blur_mm
    shine_mm = rim_mm + _SHINE_MM + _SHINE_BLURS * blur_mm
    band = frame.in_photo & frame.opaque & ~difference.past_end
    band &= (frame.edge_mm > rim_mm) & (frame.edge_mm < _DEPTH_MM)
    if not band.any():
        return ()
    taken = [c.box_mm for c in found_before if c.family == "border"]
    apart = frame.observed - difference.under_veil
    rim = apart[band & (frame.edge_mm < touch_mm + _TOUCH_MM)]
    out: list[Candidate] = []
    view: PatchView | None = None
    for shows, least_mm, least_grey in (
        (bareness(difference, band), _LEAST_DEPTH_MM, 0.0),
        (greyness(difference, band, apart), _LEAST_GREY_MM, 0.0),
        (departure(apart, band, frame.edge_mm, ppm), _LEAST_GREY_MM, _LEAST_GREY),
    ):
        least_mm += rim_mm - _RIM_MM
        for place in _bites(frame.edge_mm, shows, band, touch_mm, least_mm, ppm):
            # the bite itself was left out of what patches are measured in
            view = view or patch_view(difference)
            usable = view.usable.copy()
            usable[place.window] |= place.mask
            near = place.grown(int(_AROUND_MM * ppm), usable.shape).window
            usable[near] |= band[near]
            own = replace(view, usable=usable)
            height = _middle_of(apart[place.window][place.mask])
            sign = 1 if float(photo_light(height.reshape(1, 1, 3))[0, 0]) >= 0 else -1
            one = measure_patch(difference, own, place, sign, _snr(height, rim, place.count))
            if one is None or not _could_be_bare(one):
                continue
            if one.features["neutral_likeness"] < least_grey:
                continue
            shallow = bool(frame.edge_mm[place.window][place.mask].max() < shine_mm)
            dark = _is_dark(one)
            if (dark or shallow) and begins_past_the_edge(difference, place, shallow=shallow):
                continue
            if dark and not could_be_metal(difference, place):
                continue
            if any(_shared(one.box_mm, box) > _OWN for box in taken):
                continue
            out.append(replace(one, family="chip"))
            taken.append(one.box_mm)
    return tuple(out)


def _bites(
    edge_mm: F32, shows: F32, band: Mask, touch_mm: float, least_mm: float, ppm: float
) -> Iterator[Place]:
    """The largest places of the band (H, W) where the base `shows` and that are shaped as a bite,
    reaching at least `least_mm` in."""
    square = np.ones((2, 2), np.uint8)
    bare = cv2.erode((shows > BARE).astype(np.uint8), square, anchor=(1, 1))
    # with the anchor of the erosion all would come to lie a pixel further right and down
    bare = cv2.dilate(bare, square, anchor=(0, 0))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(bare, connectivity=4)
    found = 0
    for label in np.argsort(-stats[:, cv2.CC_STAT_AREA]):
        area = float(stats[label, cv2.CC_STAT_AREA]) / ppm**2
        if label == 0 or area > _MOST_MM2:
            continue
        if area < _LEAST_MM2 or found >= _MOST:
            return
        x, y, w, h = (int(v) for v in stats[label, :4])
        place = Place.of(labels[y : y + h, x : x + w] == label, x, y)
        if _is_bite(edge_mm, shows, band, place, (touch_mm, least_mm), ppm):
            found += 1
            yield place


def with_chips_whole(found: Sequence[Candidate]) -> list[Candidate]:
    """The candidates without those that lie within a bite, and without bites that are the ends of
    a bare strip, at the panel's corners."""
    strips = [c for c in found if c.family == "border"]
    ends = {id(c) for c in found if is_chip(c) and any(_ends(c, strip) for strip in strips)}
    found = [c for c in found if id(c) not in ends]
    chips = [c for c in found if is_chip(c)]
    return [
        c
        for c in found
        if is_chip(c)
        or c.extent == "panel"
        or not any(_shared(c.box_mm, chip.box_mm) > _OWN for chip in chips)
    ]


def _ends(chip: Candidate, strip: Candidate) -> bool:
    """Whether a bite lies where a strip along one side ends, and is about as wide as that."""
    low, high = np.array(strip.box_mm[:2]), np.array(strip.box_mm[2:])
    first, last = np.array(chip.box_mm[:2]), np.array(chip.box_mm[2:])
    wide_mm = float((high - low).min())
    near = (first > low - _END_MM).all() and (last < high + _END_MM).all()
    return bool(near and (last - first).max() < wide_mm + _END_MM)


def is_chip(candidate: Candidate) -> bool:
    """Whether a candidate is a bite at the edge."""
    return candidate.family == "chip"


def _is_bite(
    edge_mm: F32,
    shows: F32,
    band: Mask,
    place: Place,
    from_to_mm: tuple[float, float],
    ppm: float,
) -> bool:
    depth = edge_mm[place.window][place.mask]
    touch_mm, least_mm = from_to_mm
    if depth.min() > touch_mm or depth.max() < least_mm:
        return False
    rim = place.mask & (edge_mm[place.window] < touch_mm)
    rows, columns = np.nonzero(rim)
    along = float(np.hypot(np.ptp(rows), np.ptp(columns)) + 1) / ppm
    if along > _LONG * float(depth.max()):
        return False
    wide = place.grown(int(np.ceil(_AROUND_MM * ppm)), band.shape)
    gap = 2 * int(np.ceil(0.6 * ppm)) + 1
    skirt = cv2.dilate(wide.mask.astype(np.uint8), np.ones((gap, gap), np.uint8)) > 0
    beside = ~skirt & band[wide.window] & (edge_mm[wide.window] < touch_mm + _TOUCH_MM)
    if beside.sum() < 12:
        return False
    mean = float(shows[place.window][place.mask].mean())
    around = quantile(shows[wide.window][beside], 0.6)
    return mean > _MEAN_BARE and around < _AROUND_BARE * mean


def _could_be_bare(candidate: Candidate) -> bool:
    """Whether it may be lifted coating at all: light ends softly, or is brighter than the base."""
    features = candidate.features
    # where no border could be read, only what no reflection is as strong as, nor a shadow
    sure = candidate.delta_e00 > _STRONG_DE00 and not _is_dark(candidate)
    soft = features.get("edge_blur_ratio", 0.0 if sure else np.inf) > _SOFTEST
    # the print's own detail goes on under light, and not where it broke away
    shown = features.get("reflection_likeness", 0.0) > _PRINT_SHOWS
    return not soft and not shown and features["over_white"] < _OVER_WHITE


def _is_dark(candidate: Candidate) -> bool:
    """Whether it is so much darker than the print that it may be a shadow, or lie behind."""
    return candidate.features["delta_l"] < -_DARKER


def _middle_of(apart: F32) -> F32:
    """The middle (3,) of differences (N, 3)."""
    return medians(apart)


def _snr(height: F32, rim: F32, count: int) -> float:
    """Height (3,) of a bite of `count` px over the scatter of the rim's differences (N, 3) along
    it, from their middle."""
    length = float(np.linalg.norm(height))
    along = rim @ (height / np.float32(max(length, 1e-6)))
    middle = median(along)
    scatter = max(1.4826 * median(np.abs(along - middle)), _LEAST_SCATTER)
    # neighbouring pixels err alike, by the rim's own light
    return abs(length - middle) / scatter * float(np.sqrt(np.clip(count / _ALIKE_PX, 1, 9)))


def _shared(
    box: tuple[float, float, float, float], other: tuple[float, float, float, float]
) -> float:
    """Share of a box x0, y0, x1, y1 that another covers."""
    across = min(box[2], other[2]) - max(box[0], other[0])
    down = min(box[3], other[3]) - max(box[1], other[1])
    area = max((box[2] - box[0]) * (box[3] - box[1]), 1e-9)
    return max(across, 0.0) * max(down, 0.0) / area
