"""Coating that broke away at the panel's edge: a small bare bite with a sharp border.

Coating lifts first at edges and corners, where patches and marks are not looked for, since a
rounded rim catches light there. A bite is told from that light by its colour, which is the bare
base's, by its end along the edge, where the rim goes on as before, and by its depth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from ..imaging import highest, summed
from ..look import Difference
from ..look.render import photo_light
from ..records import F32, Candidate, Mask
from .edge_strips import TELLS, EdgeLight, expected_on
from .patch_levels import PatchView, patch_view
from .patch_measures import measure_patch
from .places import Place

_RIM_MM = 0.35  # nearer to the outline its own error and the rounded rim decide
_DEPTH_MM = 12.0
_TOUCH_MM = 0.9
_LEAST_DEPTH_MM = 0.8
_LEAST_MM2, _MOST_MM2 = 0.6, 150.0
# of the way from print to base: metal that shows is darker than the base where it is coated white
_BARE, _MEAN_BARE = 0.28, 0.35
_AROUND_MM = 3.0
_AROUND_BARE = 0.4  # of the bite's own
_LONG = 4.0  # length along the edge over depth from which it is the rim or a bare strip
_MOST = 12
_ROW = 1024
_ALIKE_PX = 4
_LEAST_SCATTER = 0.004  # root light
_SOFTEST, _OVER_WHITE = 3.0, 0.5
_OWN = 0.5  # share of another candidate's box within a bite's, from which it is part of it


def find_chips(
    difference: Difference, found_before: tuple[Candidate, ...] = ()
) -> tuple[Candidate, ...]:
    """Candidates of the family `chip`, measured as patches are, largest first.

    Only where the metal's outline was seen, and not along a bare edge that was found before.
    """
    frame = difference.panel
    if not difference.outline_seen:
        return ()
    ppm = frame.px_per_mm
    band = frame.in_photo & frame.opaque & (frame.edge_mm > _RIM_MM) & (frame.edge_mm < _DEPTH_MM)
    if not band.any():
        return ()
    bareness = _bareness(difference, band)
    bare = cv2.morphologyEx((bareness > _BARE).astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2)))
    bare[~band] = 0
    _, labels, stats, _ = cv2.connectedComponentsWithStats(bare, connectivity=4)
    order = np.argsort(-stats[:, cv2.CC_STAT_AREA])
    strips = [c.box_mm for c in found_before if c.family == "border"]
    out: list[Candidate] = []
    light = photo_light(frame.observed) - photo_light(frame.expected)
    usual = _rim_light(light, band & (frame.edge_mm < 2 * _TOUCH_MM))
    view: PatchView | None = None
    for label in order:
        area = float(stats[label, cv2.CC_STAT_AREA]) / ppm**2
        if label == 0 or area > _MOST_MM2:
            continue
        if area < _LEAST_MM2 or len(out) >= _MOST:
            break
        x, y, w, h = (int(v) for v in stats[label, :4])
        place = Place.of(labels[y : y + h, x : x + w] == label, x, y)
        if not _is_bite(frame.edge_mm, bareness, band, place, ppm):
            continue
        # the bite itself was left out of what patches are measured in
        view = view or patch_view(difference)
        usable = view.usable.copy()
        usable[place.window] |= place.mask
        near = place.grown(int(_AROUND_MM * ppm), usable.shape).window
        usable[near] |= band[near]
        own = replace(view, usable=usable)
        one = measure_patch(difference, own, place, 1, _snr(light, usual, place))
        if one is None or not _could_be_bare(one):
            continue
        if any(_shared(one.box_mm, box) > _OWN for box in strips):
            continue
        out.append(replace(one, family="chip"))
    return tuple(out)


def with_chips_whole(found: Sequence[Candidate]) -> list[Candidate]:
    """The candidates without those that lie within a bite."""
    chips = [c for c in found if is_chip(c)]
    return [
        c
        for c in found
        if is_chip(c)
        or c.extent == "panel"
        or not any(_shared(c.box_mm, chip.box_mm) > _OWN for chip in chips)
    ]


def is_chip(candidate: Candidate) -> bool:
    """Whether a candidate is a bite at the edge."""
    return candidate.family == "chip"


def _bareness(difference: Difference, band: Mask) -> F32:
    """0 where the photo shows the print, 1 where it shows the base (H, W); 0 off the band and
    where the two look alike."""
    rows, columns = np.nonzero(band)
    # in rows, since images are no wider than a short integer
    padded = np.pad(np.stack([columns, rows], axis=-1), ((0, -rows.size % _ROW), (0, 0)), "edge")
    at = padded.reshape(-1, _ROW, 2).astype(np.float32)
    due, base = (
        image.reshape(-1, 3)[: rows.size]
        for image in expected_on(difference, EdgeLight.of(difference), at)
    )
    seen = difference.panel.observed[rows, columns]
    room = base - due
    whole = summed((room * room)[None])[0]
    share = summed(((seen - due) * room)[None])[0] / np.maximum(whole, np.float32(1e-9))
    # another colour than on the way from print to base is no bare base
    off = highest(np.abs(seen - due - share[:, None] * room)[None])[0]
    alike = off < np.maximum(0.5 * np.sqrt(whole), TELLS)
    out = np.zeros(band.shape, np.float32)
    out[rows, columns] = np.where((whole > 3 * TELLS**2) & alike, share, 0)
    return out


def _is_bite(edge_mm: F32, bareness: F32, band: Mask, place: Place, ppm: float) -> bool:
    depth = edge_mm[place.window][place.mask]
    if depth.min() > _TOUCH_MM or depth.max() < _LEAST_DEPTH_MM:
        return False
    rim = place.mask & (edge_mm[place.window] < _TOUCH_MM)
    rows, columns = np.nonzero(rim)
    along = float(np.hypot(np.ptp(rows), np.ptp(columns)) + 1) / ppm
    if along > _LONG * float(depth.max()):
        return False
    wide = place.grown(int(np.ceil(_AROUND_MM * ppm)), band.shape)
    gap = 2 * int(np.ceil(0.6 * ppm)) + 1
    skirt = cv2.dilate(wide.mask.astype(np.uint8), np.ones((gap, gap), np.uint8)) > 0
    beside = ~skirt & band[wide.window] & (edge_mm[wide.window] < 2 * _TOUCH_MM)
    if beside.sum() < 12:
        return False
    mean = float(bareness[place.window][place.mask].mean())
    around = float(np.quantile(bareness[wide.window][beside], 0.6))
    return mean > _MEAN_BARE and around < _AROUND_BARE * mean


def _could_be_bare(candidate: Candidate) -> bool:
    """Whether it may be lifted coating at all: light ends softly, or is brighter than the base."""
    features = candidate.features
    soft = features.get("edge_blur_ratio", np.inf) > _SOFTEST
    return not soft and features["over_white"] < _OVER_WHITE


def _rim_light(light: F32, rim: Mask) -> tuple[float, float]:
    """The middle of a difference (H, W) over the rim, and its scatter there, root light."""
    sample = light[rim]
    middle = float(np.median(sample))
    return middle, max(1.4826 * float(np.median(np.abs(sample - middle))), _LEAST_SCATTER)


def _snr(light: F32, usual: tuple[float, float], place: Place) -> float:
    """Mean height of a bite over the rim's middle and scatter."""
    height = float(light[place.window][place.mask].mean()) - usual[0]
    # neighbouring pixels err alike, by the rim's own light
    return height / usual[1] * float(np.sqrt(np.clip(place.count / _ALIKE_PX, 1, 9)))


def _shared(
    box: tuple[float, float, float, float], other: tuple[float, float, float, float]
) -> float:
    """Share of a box x0, y0, x1, y1 that another covers."""
    across = min(box[2], other[2]) - max(box[0], other[0])
    down = min(box[3], other[3]) - max(box[1], other[1])
    area = max((box[2] - box[0]) * (box[3] - box[1]), 1e-9)
    return max(across, 0.0) * max(down, 0.0) / area
