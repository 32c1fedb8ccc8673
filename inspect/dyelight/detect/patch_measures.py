"""What a patch on the squared-up panel is like: border, detail, colour, reflection."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from ..colour import ciede2000, lab_from_linear
from ..imaging import distance_inside, gaussian, highest, some_of
from ..look import Difference
from ..look.render import photo_light
from ..look.rootlight import linear_from_root
from ..ranks import median, quantile
from ..records import F32, F64, Candidate, Mask
from .dye_change import dye_share
from .light_or_dye import light_share
from .patch_border import Border, patch_border, stacked_border
from .patch_ground import ground
from .patch_levels import MOST_ENERGY, PatchView
from .patch_texture import (
    colour_share,
    detail,
    mottle,
    opposite,
    reflection_likeness,
)
from .places import Place, Window
from .shapes import Box, borders_px, box_around, center_px, edge_shift, hull_px, length_and_width

_GIVEN_UP = 0.5  # share of a patch
_GIVEN_UP_BESIDE = 0.05  # share of what lies around it
_SOFT_PX = 5  # that a Gaussian of one px reaches
_DRAWN_OUT = 6.0  # squared length over area from which a patch is a line
_UNSEEN_DE00 = 0.7
_PIXEL_SIGMA = 0.5  # resampling's own blur
_BORDER_NOISE = 0.25  # noise over height that still draws a clean border
_VEIL = 0.008  # root light: two eight-bit steps
# a pale patch so clear that keeps no more of the detail than this is more than an edge out of place
_LOST_SNR, _LOST_DETAIL, _NO_EDGE_PX = 9.0, 0.45, 2.5
_WHITE_MARGIN = 0.015  # root light: more than the light field errs


def measure_patch(
    difference: Difference,
    view: PatchView,
    place: Place,
    sign: int,
    peak: float,
    *,
    washed: bool = False,
) -> Candidate | None:
    """One candidate of the family `patch`, measured over a place of the panel frame; None where
    its colour is so near to the expected that no rule would ever take it."""
    ppm = view.frame.px_per_mm
    across = float(np.sqrt(place.count))
    reach = int(np.ceil(3 * ppm + 1.8 * across))
    reach = max(min(reach, int(max(3 * ppm + 0.6 * across, 12 * ppm))), _SOFT_PX)
    wide = place.grown(reach, view.usable.shape)
    cut, m = wide.window, wide.mask
    usable = view.usable[cut]
    away = distance_inside(~m)
    ring = (away > 0.25 * reach + 1.5) & usable
    observed, expected, white = view.frame.observed[cut], view.expected[cut], difference.white[cut]
    seen, due = photo_light(observed), view.due[cut]
    if np.count_nonzero(ring) > 30:
        colours = [np.asarray(one, np.float32) for one in cv2.split(observed - expected)]
        *carried, carried_due = ground([*colours, seen - due], ring, m)
        expected, due = expected + cv2.merge(carried), due + carried_due
    expected, due = np.maximum(expected, 0), np.maximum(due, 0)
    # the patch itself, and around it as far as the Gaussian
    inner, near = (place.grown(px, view.usable.shape).window_in(wide) for px in (0, _SOFT_PX))
    told = _thinned(m)
    lab_seen, lab_due = (
        _lab(gaussian(image[near], 1.0)[told[near]]) for image in (observed, expected)
    )
    delta = ciede2000(lab_seen, lab_due)
    if not washed and float(delta.mean()) < _UNSEEN_DE00:
        return None
    seen_c, due_c = np.hypot(*lab_seen[:, 1:].T), np.hypot(*lab_due[:, 1:].T)
    area = float(m.sum()) / ppm**2
    hull = hull_px(place.mask)
    hull_area = _hull_area(hull) / ppm**2
    features = {
        "snr": peak,
        "delta_e00": float(np.mean(delta)),
        "peak_de00": quantile(delta, 0.98),
        "delta_l": float(np.mean(lab_seen[:, 0] - lab_due[:, 0])),
        "delta_c": float(np.mean(seen_c - due_c)),
        "area_mm2": area,
        "eq_diameter_mm": float(2 * np.sqrt(area / np.pi)),
        "solidity": min(1.0, area / max(hull_area, 1e-6)),
        "neutral_likeness": _neutral_likeness(observed[told], white[told]),
    }
    features["dye_share"] = dye_share(lab_seen, lab_due, features["delta_e00"])
    residual = seen - photo_light(expected)
    features |= _border(residual * np.float32(sign), m, usable, view.blur_px, ppm)
    features |= detail(seen, due, m, ring)
    features |= _lengths(place.mask, hull, ppm)
    features |= opposite(
        residual * np.float32(sign), m, usable, away, features["eq_diameter_mm"] * ppm
    )
    features["colour_share"] = colour_share(residual, expected, m, usable)
    features["edge_shift_px"] = edge_shift(residual[near], expected[near], m[near])
    if sign > 0 and peak > _LOST_SNR and features.get("detail_ratio", 1.0) < _LOST_DETAIL:
        # an edge that is off its place keeps its detail
        features["edge_shift_px"] = max(features["edge_shift_px"], _NO_EDGE_PX)
    features |= _unrest(view.energy[cut], view.given_up[cut], m, ring)
    features["mottle"] = mottle(residual, m, ring, features["eq_diameter_mm"] * ppm)
    share = light_share(observed, _unveiled(view, place, cut, expected), white, m, ring, ppm)
    if share is not None:
        features["light_share"] = share
    likeness = reflection_likeness(features)
    if likeness is not None:
        features["reflection_likeness"] = likeness
    over = -highest(white[inner] - observed[inner])[place.mask]
    features["over_white"] = float(np.mean(over > _WHITE_MARGIN))
    outline, box, center = _outline_mm(difference, view, place)
    fine = patch_border(difference, outline, sign, features["eq_diameter_mm"])
    if fine is not None:
        features |= fine.features()
    features["fill"] = area / max((box[2] - box[0]) * (box[3] - box[1]), area)
    return Candidate(
        family="patch",
        center_mm=center,
        box_mm=box,
        outline_mm=outline,
        area_mm2=area,
        delta_e00=features["delta_e00"],
        snr=peak,
        tone="light" if features["delta_l"] > 0 else "dark",
        features=features,
    )


def _thinned(mask: Mask) -> Mask:
    """The pixels of a mask that are plenty for a mean or a quantile, as `some_of` takes them."""
    told = np.zeros(mask.size, bool)
    told[some_of(np.arange(mask.size).reshape(mask.shape), mask)] = True
    return told.reshape(mask.shape)


def _unveiled(view: PatchView, place: Place, cut: Window, expected: F32) -> F32:
    """The expected root light (h, w, 3) of a window without its wider neighbourhood's veil: one
    that was taken into account must not hide that there is one. `expected` is with it.

    Nothing is carried over from around it, where the same veil lies.
    """
    plain = view.frame.expected
    veil = (view.expected[place.window] - plain[place.window])[place.mask]
    return plain[cut] if float(np.abs(veil).max()) >= _VEIL else expected


# what says nothing where letters pale and their ground darkens, and where print bounds the place
_OF_ONE_SIGN = (
    "edge_width_mm", "edge_blur_ratio", "edge_shift_px", "opposite_lobe", "rim_contrast",
    "light_share", "reflection_likeness", "dye_share", "mottle", "solidity",
    "colour_share",
)  # fmt: skip


def without(candidate: Candidate, names: tuple[str, ...]) -> Candidate:
    """The candidate without the features that say nothing of it."""
    kept = {k: v for k, v in candidate.features.items() if k not in names}
    return replace(candidate, features=kept)


def measure_washed(
    difference: Difference, view: PatchView, place: Place, peak: float
) -> Candidate | None:
    """One candidate of the family `patch` for a place whose detail is washed out.

    Its lightness is that of the darker print, where there was dye to lose.
    """
    found = measure_patch(difference, view, place, 1, peak, washed=True)
    if found is None:
        return None
    due = photo_light(view.expected[place.window])
    dark, pale = (quantile(due[place.mask], share) for share in (0.05, 0.95))
    inked = place.mask & (due < 0.5 * (dark + pale))
    paler = view.residual[place.window][inked]
    found = without(found, _OF_ONE_SIGN)
    features = dict(found.features)
    # root light runs over its range as lightness runs over 0..100
    features["delta_l"] = 100 * float(paler.mean()) if paler.size else 0.0
    features["washed_out"] = 1.0
    return replace(found, tone="light" if features["delta_l"] > 0 else "dark", features=features)


def _unrest(energy: F32, given_up: Mask, mask: Mask, ring: Mask) -> dict[str, float]:
    """Mean energy left over (H, W) within a patch, and its rise over that of the ring around it.

    A patch that was given up as far off is as far from the expected as anything can be. Beside what
    was given up, as a lamp's sharp sides are, the look follows nothing, and no rise is said.
    """
    lost = float(given_up[mask].mean()) > _GIVEN_UP
    inside = float(MOST_ENERGY) if lost else float(energy[mask].mean())
    around = float(energy[ring].mean()) if ring.sum() > 30 else inside
    if not lost and float(given_up[ring].mean() if ring.any() else 0.0) > _GIVEN_UP_BESIDE:
        return {"left_over": inside}
    return {"left_over": inside, "left_over_rise": inside / max(around, 1.0)}


def _lab(root: F32) -> F32:
    return lab_from_linear(np.clip(linear_from_root(root), 0, 1))


def _neutral_likeness(observed: F32, white: F32) -> float:
    """1 where the colour (N, 3) is grey, 0 from a chroma of 12 on.

    Beside the lit white base, or in the photo itself: a picture of few colours says little of how
    white looks in its light, and cameras balance to grey.
    """
    seen = np.maximum(linear_from_root(observed), 0)
    lit = np.maximum(linear_from_root(white), 0.02)
    both = [_grey(np.clip(seen / lit, 0, 1)), _grey(np.clip(seen, 0, 1))]
    return max(both)


def _grey(linear: F32) -> float:
    lab = lab_from_linear(np.asarray(linear.reshape(1, -1, 3), np.float32))[0]
    return float(np.clip(1 - median(np.hypot(lab[:, 1], lab[:, 2])) / 12, 0, 1))


def sharpened(view: PatchView, place: Place, sign: int) -> Place:
    """The patch cut out again where the difference, smoothed no more than its noise asks for,
    falls to half: smoothing wide enough to find a patch has moved its border."""
    reach = int(np.ceil(2 * view.frame.px_per_mm + 0.3 * np.sqrt(place.count)))
    wide = place.grown(reach, view.usable.shape)
    m, cut = wide.mask, wide.window
    weight, usable = view.weight[cut], view.usable[cut]
    signal = view.residual[cut] * np.float32(sign)
    plateau = median(signal[m])
    noise = 1 / np.sqrt(max(median(weight[m]), 1e-9))
    away = cv2.distanceTransform((~m).astype(np.uint8), cv2.DIST_C, 3)
    beside = (away > max(3, reach // 2)) & usable
    ground = median(signal[beside]) if beside.sum() > 30 else 0.0
    if plateau <= ground:
        return place
    # the noise of a Gaussian mean is sigma_n / (2 sqrt(pi) s)
    smooth_px = float(np.clip(noise / (_BORDER_NOISE * (plateau - ground)) / 3.545, 0.7, 4.0))
    signal = gaussian(signal, smooth_px)
    fine = (signal > ground + 0.5 * (plateau - ground)) & (away <= reach) & usable
    closed = cv2.morphologyEx(fine.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    count, labels = cv2.connectedComponents(closed, connectivity=4)
    shared = np.bincount(labels[m], minlength=count)
    shared[0] = 0
    if shared.sum() < 0.3 * place.count:
        return place
    keep = shared >= 0.1 * shared.max()
    keep[0] = False
    return Place.of(np.asarray(keep[labels]), wide.x0, wide.y0)


def _border(
    residual: F32, mask: Mask, usable: Mask, blur_px: float, ppm: float
) -> dict[str, float]:
    """Softness of the border on the squared-up panel; nothing where it cannot be seen."""
    found = stacked_border(residual, mask, usable, float(np.hypot(blur_px, _PIXEL_SIGMA)))
    return {} if found is None else Border(*found, ppm).features()


def _lengths(mask: Mask, hull: F32, ppm: float) -> dict[str, float]:
    _, (a, b), _ = cv2.minAreaRect(hull)
    length, width, straight = max(a, b) + 1, min(a, b) + 1, 0.0
    if length * length > _DRAWN_OUT * float(mask.sum()):
        # along the patch's own middle line, which may bend
        (left, top), (right, bottom) = hull.min(0).astype(int), hull.max(0).astype(int)
        part = mask[top : bottom + 1, left : right + 1]
        length, width, straight = length_and_width(part)
    return {
        "length_mm": length / ppm,
        "width_mm": width / ppm,
        "elongation": length / width,
        "straightness": straight,
    }


def _hull_area(hull: F32) -> float:
    return float(cv2.contourArea(hull)) + 0.5 * float(cv2.arcLength(hull, True)) + 1


def _outline_mm(
    difference: Difference, view: PatchView, place: Place
) -> tuple[F64, Box, tuple[float, float]]:
    """Outline (N, 2) of a patch's longest border, box and centre in panel mm."""
    mask, origin = place.mask, np.array([place.x0, place.y0])
    points = np.concatenate([center_px(mask), max(borders_px(mask), key=len)]) + origin
    mm = difference.to_panel_mm(view.frame.to_mm(points))
    half = 0.5 / view.frame.px_per_mm
    low, high = mm[1:].min(0) - half, mm[1:].max(0) + half
    return mm[1:], box_around(low, high), (float(mm[0, 0]), float(mm[0, 1]))
