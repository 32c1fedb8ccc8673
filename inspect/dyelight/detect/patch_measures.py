"""What a patch on the squared-up panel is like: border, detail, colour, reflection."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from ..colour import ciede2000, lab_from_linear
from ..look import Difference
from ..look.render import photo_light
from ..look.rootlight import OFFSET, linear_from_root
from ..records import F32, F64, Candidate, Mask
from .light_or_dye import light_share
from .patch_border import Border, patch_border, stacked_border
from .shapes import Box, borders_px, box_around, center_px, edge_shift, length_and_width

if TYPE_CHECKING:
    from .patches import PatchView

_ENOUGH_DETAIL = 60.0  # detail energy over noise that pins its slope to about a tenth
_SLOPE_REACH = 0.35
_LEAST_AROUND, _MOST_AROUND = 0.5, 1.5  # detail kept around a patch, as far as it is believed
_SMOOTH, _MOTTLED = 0.12, 0.2  # unevenness of a reflection at most, and from which it is none
_ROOT_OFFSET = np.float32(np.sqrt(OFFSET))
_DRAWN_OUT = 6.0  # squared length over area from which a patch is a line
_PIXEL_SIGMA = 0.5  # resampling's own blur
_BORDER_NOISE = 0.25  # noise over height that still draws a clean border
_WHITE_MARGIN = 0.015  # root light: more than the light field errs


def measure_patch(
    difference: Difference, view: PatchView, mask: Mask, sign: int, peak: float
) -> Candidate:
    """One candidate of the family `patch`, measured over a mask (H, W) of the panel frame."""
    ppm = view.frame.px_per_mm
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    reach = int(np.ceil(3 * ppm + 1.8 * np.sqrt(mask.sum())))
    reach = min(reach, int(max(3 * ppm + 0.6 * np.sqrt(mask.sum()), 12 * ppm)))
    y0, y1 = max(rows.min() - reach, 0), min(rows.max() + reach + 1, mask.shape[0])
    x0, x1 = max(columns.min() - reach, 0), min(columns.max() + reach + 1, mask.shape[1])
    cut = (slice(y0, y1), slice(x0, x1))
    m, usable = mask[cut], view.usable[cut]
    distance = _signed_distance(m)
    ring = (distance < -0.25 * reach - 1) & usable
    observed, expected = view.frame.observed[cut], view.expected[cut]
    if ring.sum() > 30:
        expected = expected + np.median((observed - expected)[ring], axis=0)
    expected = np.maximum(expected, 0)
    lab_seen, lab_due = _lab(blurred(observed, 1.0)), _lab(blurred(expected, 1.0))
    delta = ciede2000(lab_seen[m], lab_due[m])
    seen_c, due_c = np.hypot(*lab_seen[m, 1:].T), np.hypot(*lab_due[m, 1:].T)
    area = float(m.sum()) / ppm**2
    hull_area = _hull_area(m) / ppm**2
    features = {
        "snr": peak,
        "delta_e00": float(np.mean(delta)),
        "peak_de00": float(np.quantile(delta, 0.98)),
        "delta_l": float(np.mean(lab_seen[m, 0] - lab_due[m, 0])),
        "delta_c": float(np.mean(seen_c - due_c)),
        "area_mm2": area,
        "eq_diameter_mm": float(2 * np.sqrt(area / np.pi)),
        "solidity": min(1.0, area / max(hull_area, 1e-6)),
        "neutral_likeness": _neutral_likeness(observed[m], difference.white[cut][m]),
    }
    features["lightness_share"] = abs(features["delta_l"]) / max(features["delta_e00"], 0.1)
    residual = photo_light(observed - expected)
    features |= _border(residual * np.float32(sign), m, usable, view.blur_px, ppm)
    features |= _detail(observed, expected, m, ring)
    features |= _lengths(m, ppm)
    features |= _opposite(residual * np.float32(sign), m, usable, features["eq_diameter_mm"] * ppm)
    features["edge_shift_px"] = edge_shift(residual, expected, m)
    features["mottle"] = _mottle(residual, m, ring, features["eq_diameter_mm"] * ppm)
    share = light_share(observed, expected, difference.white[cut], m, ring, ppm)
    if share is not None:
        features["light_share"] = share
    likeness = _reflection_likeness(features)
    if likeness is not None:
        features["reflection_likeness"] = likeness
    features["over_white"] = float(
        np.mean((observed[m] - difference.white[cut][m]).min(axis=1) > _WHITE_MARGIN)
    )
    outline, box, center = _outline_mm(difference, view, m, (x0, y0))
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


# what says nothing where letters pale and their ground darkens
_OF_ONE_SIGN = (
    "edge_width_mm", "edge_blur_ratio", "edge_shift_px", "opposite_lobe", "rim_contrast",
    "light_share", "reflection_likeness", "lightness_share", "mottle",
)  # fmt: skip


def measure_washed(difference: Difference, view: PatchView, mask: Mask, peak: float) -> Candidate:
    """One candidate of the family `patch` for a place (H, W) whose detail is washed out.

    Its lightness is that of the darker half, where there was dye to lose.
    """
    found = measure_patch(difference, view, mask, 1, peak)
    due = photo_light(view.expected)
    inked = mask & (due < np.median(due[mask]))
    paler = photo_light(view.residual)[inked]
    features = {k: v for k, v in found.features.items() if k not in _OF_ONE_SIGN}
    # root light runs over its range as lightness runs over 0..100
    features["delta_l"] = 100 * float(paler.mean()) if paler.size else 0.0
    features["washed_out"] = 1.0
    return replace(found, tone="light" if features["delta_l"] > 0 else "dark", features=features)


def blurred(image: F32, sigma_px: float) -> F32:
    """An image (H, W) or (H, W, C) under a Gaussian of `sigma_px`, mirrored at its border."""
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma_px), np.float32)


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
    return float(np.clip(1 - np.median(np.hypot(lab[:, 1], lab[:, 2])) / 12, 0, 1))


def sharpened(view: PatchView, mask: Mask, sign: int) -> Mask:
    """The patch cut out again where the difference, smoothed no more than its noise asks for,
    falls to half: smoothing wide enough to find a patch has moved its border."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    reach = int(np.ceil(2 * view.frame.px_per_mm + 0.3 * np.sqrt(mask.sum())))
    cut = (
        slice(max(rows.min() - reach, 0), rows.max() + reach + 1),
        slice(max(columns.min() - reach, 0), columns.max() + reach + 1),
    )
    m, weight = mask[cut], view.weight[cut]
    signal = photo_light(view.residual[cut]) * np.float32(sign)
    plateau = float(np.median(signal[m]))
    noise = 1 / np.sqrt(max(float(np.median(weight[m])), 1e-9))
    apart = max(3, reach // 2)
    beside = cv2.dilate(m.astype(np.uint8), np.ones((2 * apart + 1, 2 * apart + 1), np.uint8)) == 0
    beside &= view.usable[cut]
    ground = float(np.median(signal[beside])) if beside.sum() > 30 else 0.0
    if plateau <= ground:
        return mask
    # the noise of a Gaussian mean is sigma_n / (2 sqrt(pi) s)
    smooth_px = float(np.clip(noise / (_BORDER_NOISE * (plateau - ground)) / 3.545, 0.7, 4.0))
    signal = blurred(signal, smooth_px)
    near = cv2.dilate(m.astype(np.uint8), np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)) > 0
    fine = (signal > ground + 0.5 * (plateau - ground)) & near & view.usable[cut]
    closed = cv2.morphologyEx(fine.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    count, labels = cv2.connectedComponents(closed, connectivity=4)
    shared = np.bincount(labels[m], minlength=count)
    shared[0] = 0
    if shared.sum() < 0.3 * m.sum():
        return mask
    keep = shared >= 0.1 * shared.max()
    keep[0] = False
    out = np.zeros_like(mask)
    out[cut] = keep[labels]
    return out


def _mottle(residual: F32, mask: Mask, ring: Mask, diameter_px: float) -> float:
    """Unevenness of a patch between fine and its own size, over its mean height; 0 is smooth.

    What the ring around it shows in the same band is noise and taken off.
    """
    band = blurred(residual, 1.0) - blurred(residual, max(0.25 * diameter_px, 2.0))
    core = cv2.erode(np.pad(mask, 1).astype(np.uint8), np.ones((3, 3), np.uint8))[1:-1, 1:-1] > 0
    if core.sum() < 12:
        core = mask
    noise = float(np.var(band[ring])) if ring.sum() > 30 else 0.0
    height = abs(float(np.mean(residual[mask])))
    return float(np.sqrt(max(float(np.var(band[core])) - noise, 0.0)) / max(height, 1e-4))


def _opposite(signal: F32, mask: Mask, usable: Mask, diameter_px: float) -> dict[str, float]:
    """The strongest lobe of the other sign beside a patch: `opposite_lobe`, its depth over the
    patch's own height, and `rim_contrast`, the same over the scatter farther out.

    A dimple turns one flank to the light and the other from it.
    """
    smooth = blurred(signal, max(0.2 * diameter_px, 1.0))
    distance = _signed_distance(mask)
    ring = (distance < 0) & (distance > -1.1 * diameter_px) & usable
    far = (distance < -1.3 * diameter_px) & usable
    height = float(np.quantile(smooth[mask], 0.9))
    if ring.sum() < 12 or far.sum() < 30 or height <= 0:
        return {}
    ground = float(np.median(smooth[far]))
    scatter = 1.4826 * float(np.median(np.abs(smooth[far] - ground)))
    # a tenth of the patch's area must be that deep: one pixel is no lobe
    part = min(0.1 * float(mask.sum()) / float(ring.sum()), 0.5)
    depth = ground - float(np.quantile(smooth[ring], part))
    return {
        "opposite_lobe": float(np.clip(depth / max(height - ground, 1e-6), 0, 3)),
        "rim_contrast": depth / max(scatter, 1e-4),
    }


def _signed_distance(mask: Mask) -> F32:
    """Distance to the mask's border in px, positive inside."""
    padded = np.pad(mask, 1).astype(np.uint8)
    inside = cv2.distanceTransform(padded, cv2.DIST_L2, 5)[1:-1, 1:-1]
    outside = cv2.distanceTransform((mask == 0).astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(np.where(mask, inside - 0.5, 0.5 - outside), np.float32)


def _border(
    residual: F32, mask: Mask, usable: Mask, blur_px: float, ppm: float
) -> dict[str, float]:
    """Softness of the border on the squared-up panel; nothing where it cannot be seen."""
    found = stacked_border(residual, mask, usable, float(np.hypot(blur_px, _PIXEL_SIGMA)))
    return {} if found is None else Border(*found, ppm).features()


def _detail(observed: F32, expected: F32, mask: Mask, ring: Mask) -> dict[str, float]:
    """Detail kept, and whether the difference is light thrown back rather than dye gone.

    Light adds in linear light, so detail survives a reflection: on root light its contrast falls by
    expected over observed, no more and no less. Vapour blurs it away. Where the picture is flat
    neither can be said, and nothing is returned.
    """
    out: dict[str, float] = {}
    seen, due = photo_light(observed), photo_light(expected)
    fine_seen, fine_due = seen - blurred(seen, 2.0), due - blurred(due, 2.0)
    noise = float(np.mean((fine_seen - fine_due)[ring] ** 2)) if ring.sum() > 30 else 1e-5
    energy = float(np.sum(fine_due[mask] ** 2))
    # a patch's own mottle blurs the reading as noise does; neighbouring pixels share it
    noise = max(noise, float(np.var((fine_seen - fine_due)[mask])))
    if energy <= _ENOUGH_DETAIL * noise:
        return out
    lit = fine_due * (due + _ROOT_OFFSET) / (seen + _ROOT_OFFSET)
    kept, slope = _kept(fine_seen, fine_due, mask), _kept(fine_seen, lit, mask)
    # a print that is softer than expected everywhere has lost nothing here
    if ring.sum() > 30 and float(np.sum(fine_due[ring] ** 2)) > _ENOUGH_DETAIL * noise:
        around = float(np.clip(_kept(fine_seen, fine_due, ring), _LEAST_AROUND, _MOST_AROUND))
        kept, slope = kept / around, slope / around
    out["detail_ratio"] = float(np.clip(kept, 0, 2)) ** 2
    out["slope"] = slope
    return out


def _kept(seen: F32, due: F32, where: Mask) -> float:
    """Slope of the seen detail on the due, over a mask."""
    return float(np.sum(seen[where] * due[where]) / max(float(np.sum(due[where] ** 2)), 1e-12))


def _reflection_likeness(features: dict[str, float]) -> float | None:
    """0..1: how nearly detail is as a reflection leaves it; None where detail says nothing.

    A room thrown back by the coating is smooth; vapour is mottled, however well detail agrees.
    """
    if "slope" not in features:
        return None
    detail = 1 - abs(features["slope"] - 1) / _SLOPE_REACH
    smooth = (_MOTTLED - features["mottle"]) / (_MOTTLED - _SMOOTH)
    return float(np.clip(detail, 0, 1) * np.clip(smooth, 0, 1))


def _lengths(mask: Mask, ppm: float) -> dict[str, float]:
    rows, columns = np.nonzero(mask)
    points = np.stack([columns, rows], 1).astype(np.float32)
    _, (a, b), _ = cv2.minAreaRect(points)
    length, width, straight = max(a, b) + 1, min(a, b) + 1, 0.0
    if length * length > _DRAWN_OUT * float(mask.sum()):
        # along the patch's own middle line, which may bend
        part = mask[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1]
        length, width, straight = length_and_width(part)
    return {
        "length_mm": length / ppm,
        "width_mm": width / ppm,
        "elongation": length / width,
        "straightness": straight,
    }


def _hull_area(mask: Mask) -> float:
    rows, columns = np.nonzero(mask)
    hull = cv2.convexHull(np.stack([columns, rows], 1).astype(np.int32))
    return float(cv2.contourArea(hull)) + 0.5 * float(cv2.arcLength(hull, True)) + 1


def _outline_mm(
    difference: Difference, view: PatchView, mask: Mask, origin: tuple[int, int]
) -> tuple[F64, Box, tuple[float, float]]:
    """Outline (N, 2) of a patch's longest border, box and centre in panel mm.

    The mask is a window of the panel frame whose first pixel is `origin`.
    """
    points = np.concatenate([center_px(mask), max(borders_px(mask), key=len)]) + np.array(origin)
    mm = difference.to_panel_mm(view.frame.to_mm(points))
    half = 0.5 / view.frame.px_per_mm
    low, high = mm[1:].min(0) - half, mm[1:].max(0) + half
    return mm[1:], box_around(low, high), (float(mm[0, 0]), float(mm[0, 1]))
