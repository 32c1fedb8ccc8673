"""What a patch on the squared-up panel is like: border, detail, colour, reflection, rim."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from ..colour import ciede2000, lab_from_linear
from ..look import Difference
from ..look.render import photo_light
from ..look.rootlight import linear_from_root
from ..records import F32, F64, Candidate, Mask

if TYPE_CHECKING:
    from .patches import PatchView

_EDGE_OF_GAUSSIAN = 2.563  # 10 % to 90 % of a blurred step, in sigmas


def measure_patch(
    difference: Difference, view: PatchView, mask: Mask, sign: int, peak: float
) -> Candidate | None:
    """One candidate of the family `patch`, or None where nothing is left to measure."""
    ppm = view.frame.px_per_mm
    rows, columns = np.nonzero(mask)
    reach = int(np.ceil(3 * ppm + 0.6 * np.sqrt(mask.sum())))
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
    lab_seen = lab_from_linear(
        np.clip(linear_from_root(cv2.GaussianBlur(observed, (0, 0), 1.0)), 0, 1)
    )
    lab_due = lab_from_linear(
        np.clip(linear_from_root(cv2.GaussianBlur(expected, (0, 0), 1.0)), 0, 1)
    )
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
        "neutral_likeness": float(np.clip(1 - np.median(seen_c) / 12, 0, 1)),
    }
    features |= _border(
        photo_light(observed - expected) * np.float32(sign), distance, usable, view.blur_px, ppm
    )
    features |= _detail(observed, expected, m, ring, difference.artwork.base)
    features |= _lengths(m, ppm)
    outline, box, center = _outline_mm(difference, view, mask)
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


def _signed_distance(mask: Mask) -> F32:
    """Distance to the mask's border in px, positive inside."""
    padded = np.pad(mask, 1).astype(np.uint8)
    inside = cv2.distanceTransform(padded, cv2.DIST_L2, 5)[1:-1, 1:-1]
    outside = cv2.distanceTransform((mask == 0).astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(np.where(mask, inside - 0.5, 0.5 - outside), np.float32)


def _border(
    signal: F32, distance: F32, usable: Mask, blur_px: float, ppm: float
) -> dict[str, float]:
    """Rise of the border from its mean profile across it, and what the rim adds."""
    reach = int(min(max(distance.max(), 3), 40))
    bins = np.arange(-reach, reach + 1)
    index = np.clip(np.rint(distance).astype(np.intp) + reach, 0, 2 * reach)
    weight = usable & (np.abs(distance) <= reach)
    count = np.bincount(index[weight], minlength=2 * reach + 1)
    total = np.bincount(index[weight], signal[weight], 2 * reach + 1)
    good = count > 3
    if good.sum() < 4:
        return {}
    profile = np.interp(bins, bins[good], total[good] / count[good])
    outer, inner = profile[: max(reach // 2, 1)].mean(), profile[reach + 1 :]
    plateau = float(np.quantile(inner, 0.75)) if inner.size else float(profile.max())
    if plateau - outer <= 0:
        return {}
    rise = (profile - outer) / (plateau - outer)
    peak = int(np.argmax(rise >= 0.9)) if (rise >= 0.9).any() else 2 * reach
    below = np.flatnonzero(rise[:peak] <= 0.1)
    low = int(below[-1]) if below.size else 0
    x_high = _crossing(rise, peak, 0.9)
    x_low = _crossing(rise, low + 1, 0.1) if low + 1 <= peak else float(low)
    width = max(x_high - x_low, 0.5)
    alone = _EDGE_OF_GAUSSIAN * max(np.hypot(blur_px, 0.6), 0.5)
    return {"edge_width_mm": width / ppm, "edge_blur_ratio": width / alone}


def _crossing(profile: F64, at: int, level: float) -> float:
    """Where a profile crosses a level between `at` - 1 and `at`, linearly."""
    if at <= 0 or at >= len(profile):
        return float(at)
    a, b = profile[at - 1], profile[at]
    return float(at) if b == a else at - 1 + float(np.clip((level - a) / (b - a), 0, 1))


def _detail(observed: F32, expected: F32, mask: Mask, ring: Mask, base: str) -> dict[str, float]:
    """Detail kept, and whether the difference adds light (reflection) or lacks dye.

    In linear light a reflection gives photo = expected + b: slope 1. Missing dye leaves white alone,
    so the line through the expected values ends in white: slope 1 - b / white. Where the picture is
    flat neither can be said, and nothing is returned for it.
    """
    out: dict[str, float] = {}
    seen, due = photo_light(observed), photo_light(expected)
    fine_seen = seen - cv2.GaussianBlur(seen, (0, 0), 2.0)
    fine_due = due - cv2.GaussianBlur(due, (0, 0), 2.0)
    noise = float(np.mean((fine_seen - fine_due)[ring] ** 2)) if ring.sum() > 30 else 1e-5
    energy = float(np.sum(fine_due[mask] ** 2))
    if energy > 60 * noise:
        kept = float(np.sum(fine_seen[mask] * fine_due[mask])) / energy
        out["detail_ratio"] = float(np.clip(kept, 0, 2)) ** 2
    x = linear_from_root(due)[mask].astype(np.float64)
    y = linear_from_root(seen)[mask].astype(np.float64)
    varied = float(np.var(x)) * x.size
    if x.size > 20 and varied > 0:
        slope = float(np.cov(x, y, bias=True)[0, 1] / np.var(x))
        offset = float(y.mean() - slope * x.mean())
        left = y - slope * x - offset
        # neighbours share their errors: count a ninth of them as independent
        error = float(np.sqrt(np.mean(left**2) / max(varied / 9, 1e-12)))
        lift = float(np.mean(y - x))
        white = max(float(np.quantile(linear_from_root(due), 0.995)), float(x.max()), 0.5)
        reflected, pale = 1.0, 1 - lift / max(white - float(x.mean()), 0.05)
        out["slope"], out["offset"] = slope, offset
        if error < 0.35 * abs(reflected - pale):
            out["reflection_likeness"] = float(np.clip((slope - pale) / (reflected - pale), 0, 1))
    return out


def _lengths(mask: Mask, ppm: float) -> dict[str, float]:
    rows, columns = np.nonzero(mask)
    points = np.stack([columns, rows], 1).astype(np.float32)
    _, (a, b), _ = cv2.minAreaRect(points)
    length, width = max(a, b) + 1, min(a, b) + 1
    return {
        "length_mm": length / ppm,
        "width_mm": width / ppm,
        "elongation": length / width,
    }


def _hull_area(mask: Mask) -> float:
    rows, columns = np.nonzero(mask)
    hull = cv2.convexHull(np.stack([columns, rows], 1).astype(np.int32))
    return float(cv2.contourArea(hull)) + 0.5 * float(cv2.arcLength(hull, True)) + 1


def _outline_mm(
    difference: Difference, view: PatchView, mask: Mask
) -> tuple[F64, tuple[float, float, float, float], tuple[float, float]]:
    contours, _ = cv2.findContours(
        np.pad(mask, 1).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE
    )
    largest = max(contours, key=len).reshape(-1, 2).astype(np.float64) - 1
    rows, columns = np.nonzero(mask)
    middle = np.array([[columns.mean(), rows.mean()]])
    mm = difference.to_panel_mm(view.frame.to_mm(np.concatenate([middle, largest])))
    half = 0.5 / view.frame.px_per_mm
    low, high = mm[1:].min(0) - half, mm[1:].max(0) + half
    return (
        mm[1:],
        (float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        (float(mm[0, 0]), float(mm[0, 1])),
    )
