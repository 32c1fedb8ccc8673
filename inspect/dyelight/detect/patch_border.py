"""How soft a patch's border is, from the difference stacked along its whole length.

One profile across a border is mostly noise, mottle and picture. All of them, weighed by their own
height, average to the border's own rise: the edge-spread method of ISO 12233, with the patch's
outline for the edge. A small patch is measured in the photo's own pixels, where a border that the
squared-up panel cannot resolve still shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..imaging import gaussian, sample
from ..look import Difference
from ..look.render import photo_light
from ..ranks import median, medians
from ..records import F32, F64, Mask
from .places import Place

_SMALL_MM = 10.0  # wider patches fade over more than the squared-up panel's own pixels
_QUARTILES = 1.349  # a Gaussian edge rises from 25 % to 75 % in so many sigmas
_JITTER_PX = 0.4  # outline on whole pixels, and bilinear sampling
_STEP_PX = 0.5
_AROUND_PX = 8  # that a border's direction is read from
_REACH = (1.2, 0.4)  # half widths; the shorter where the panel's edge or a reflection is near
_LEAST_PROFILES = 5
_MOST_PROFILES = 400
_ASTRAY = 0.05  # height per px that the middle of the rise may lie off the outline
_SMOOTH_PX = (0.7, 3.0)
_CLEAN = 0.25  # noise over height that still draws a clean outline
_EDGE_OF_GAUSSIAN = 2.563  # 10 % to 90 % of a blurred step, in sigmas


@dataclass(frozen=True, slots=True)
class Border:
    """Sigma of a border in px as seen, and over what blur alone gives; `ppm` px per mm."""

    sigma_px: float
    alone_px: float
    ppm: float

    def features(self) -> dict[str, float]:
        """`edge_width_mm`, the 10-90 % rise as seen, and `edge_blur_ratio`."""
        return {
            "edge_width_mm": _EDGE_OF_GAUSSIAN * self.sigma_px / self.ppm,
            "edge_blur_ratio": min(self.sigma_px / self.alone_px, 50.0),
        }


def stacked_border(
    signal: F32, mask: Mask, usable: Mask, blur_px: float
) -> tuple[float, float] | None:
    """Sigma of the rise of a signal (H, W) across a mask's (H, W) border, and what blur alone
    gives, both in px; None where too little of the border can be seen.

    The signal is positive inside. `blur_px` is the sigma of the image's own blur.
    """
    near = Place.of(mask).grown(_AROUND_PX, mask.shape)
    padded = np.pad(near.mask, 1).astype(np.uint8)
    inside_px = float(cv2.distanceTransform(padded, cv2.DIST_L2, 5).max())
    points, normals = _outline(padded)
    if len(points) < _LEAST_PROFILES:
        return None
    points += [near.x0, near.y0]
    images = signal, usable.astype(np.float32), mask.astype(np.float32)
    for share in _REACH:
        reach = float(np.clip(max(4 * blur_px, share * inside_px), 4.0, 40.0))
        sigma = _stacked(images, points, normals, reach, min(reach, max(inside_px - 0.5, 1.5)))
        if sigma is not None:
            return sigma, float(np.hypot(max(blur_px, 0.5), _JITTER_PX))
    return None


def _stacked(
    images: tuple[F32, F32, F32], points: F64, normals: F64, reach: float, deep: float
) -> float | None:
    """Sigma of the rise of a signal (H, W) along the normals (N, 2) at points (N, 2) of a border,
    read from `reach` px outside to `deep` px inside; `images` are the signal, where it is usable
    and the mask. None where too few profiles can be seen."""
    signal, usable, mask = images
    offsets = np.arange(-reach, deep + _STEP_PX, _STEP_PX)
    at = (points[:, None] + offsets[None, :, None] * normals[:, None]).astype(np.float32)
    profile = sample(signal, at)
    seen = sample(usable, at, 0.0) > 0.99
    keep = seen.mean(axis=1) > 0.9
    # a profile that leaves the patch again, or comes into another part of it, is no edge
    within = sample(mask, at, 0.0)
    keep &= within[:, offsets < -1.5].max(axis=1) < 0.5
    keep &= within[:, offsets > 1.0].min(axis=1) > 0.5
    if keep.sum() < max(_LEAST_PROFILES, 0.15 * len(points)):
        return None
    profile = profile[keep]
    mean = _rise(profile, offsets < -0.5 * reach, offsets > 0.6 * deep)
    if mean is None:
        return None
    return max(_width_of_rise(mean, offsets), 0.1) / _QUARTILES


def _width_of_rise(mean: F64, offsets: F64) -> float:
    """From 25 % to 75 %, both ways from the middle of the rise that is nearest to the outline: a
    raised rim may rise again farther out, and print inside may dip."""
    middle = int(np.argmin(np.abs(mean - 0.5) + _ASTRAY * np.abs(offsets)))
    below = np.flatnonzero(mean[: middle + 1] < 0.25)
    above = np.flatnonzero(mean[middle:] > 0.75)
    low, high = 0, len(mean) - 1
    ends = [float(offsets[low]), float(offsets[high])]
    if below.size:
        low = int(below[-1])
        ends[0] = float(np.interp(0.25, mean[low : low + 2], offsets[low : low + 2]))
    if above.size:
        high = max(middle + int(above[0]), 1)
        ends[1] = float(np.interp(0.75, mean[high - 1 : high + 1], offsets[high - 1 : high + 1]))
    return ends[1] - ends[0]


def _rise(profile: F32, outside: Mask, inside: Mask) -> F64 | None:
    """The rise (offsets,) from 0 to 1 that profiles (N, offsets) have in common.

    The middle one at each offset where single profiles are clean, so that some that cross another
    part of the patch do not count; else their mean, each weighed by its own height.
    """
    outer = profile[:, outside].mean(axis=1, keepdims=True)
    inner = profile[:, inside].mean(axis=1, keepdims=True)
    height = np.maximum(inner - outer, 0)
    usual = median(height)
    noise = median(profile[:, outside].std(axis=1))
    if noise < _CLEAN * usual:
        own = height[:, 0] > 0.9 * usual
        return medians((profile[own] - outer[own]) / height[own]).astype(np.float64)
    weight = float(np.square(height).sum())
    if weight <= 0:
        return None
    return np.asarray((height * (profile - outer)).sum(axis=0) / weight, np.float64)


def _outline(padded: np.ndarray[tuple[int, int], np.dtype[np.uint8]]) -> tuple[F64, F64]:
    """Points (N, 2) of the border between mask and rest in px, and unit normals (N, 2) inwards."""
    soft = cv2.GaussianBlur(padded.astype(np.float32), (0, 0), 1.2)
    contours, _ = cv2.findContours(padded, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    pixels = np.concatenate([c.reshape(-1, 2) for c in contours]).astype(np.float64)
    pixels = pixels[:: max(1, len(pixels) // _MOST_PROFILES)]
    dx, dy = cv2.Scharr(soft, cv2.CV_32F, 1, 0), cv2.Scharr(soft, cv2.CV_32F, 0, 1)
    x, y = pixels.astype(int).T
    normals = np.stack([dx[y, x], dy[y, x]], axis=1).astype(np.float64)
    length = np.linalg.norm(normals, axis=1)
    pixels, normals = pixels[length > 1e-6], normals[length > 1e-6]
    normals /= length[length > 1e-6, None]
    # the border runs half a pixel outside the mask's last pixels
    return pixels - 1 - 0.5 * normals, normals


def patch_border(
    difference: Difference, outline_mm: F64, sign: int, eq_diameter_mm: float
) -> Border | None:
    """The border of a small patch in the photo's own pixels, None where it is large or unseen.

    `outline_mm` (N, 2) is its outline in panel mm, `sign` 1 where it is lighter than expected.
    """
    if eq_diameter_mm > _SMALL_MM:
        return None
    frame = difference.photo
    points = difference.picture.to_photo(difference.to_artwork_mm(outline_mm))
    points = points - np.array([frame.x0, frame.y0])
    pad = int(np.ceil(6 + 4 * frame.blur_px + 0.7 * eq_diameter_mm * frame.px_per_mm))
    height, width = frame.residual.shape
    x0, y0 = (int(max(v - pad, 0)) for v in np.floor(points.min(0)))
    x1, y1 = int(min(points[:, 0].max() + pad, width)), int(min(points[:, 1].max() + pad, height))
    if x1 - x0 < 8 or y1 - y0 < 8:
        return None
    cut = (slice(y0, y1), slice(x0, x1))
    rough = np.zeros((y1 - y0, x1 - x0), np.uint8)
    cv2.fillPoly(rough, [np.rint(points - np.array([x0, y0])).astype(np.int32)], 1)
    usable = frame.usable[cut]
    apart = photo_light(frame.observed[cut]) - frame.sharpness.apply(frame.lit_light(*cut))
    signal = np.asarray(apart * np.float32(sign), np.float32)
    mask = _outlined(signal, rough > 0, usable, median(frame.sigma[cut]))
    if mask is None:
        return None
    found = stacked_border(signal, mask, usable, frame.blur_px)
    return None if found is None else Border(*found, frame.px_per_mm)


def _outlined(signal: F32, rough: Mask, usable: Mask, noise: float) -> Mask | None:
    """The part of a window (H, W) over half the height that the rough mask (H, W) has."""
    inside = rough & usable
    near = cv2.dilate(rough.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    around = ~near & usable
    if inside.sum() < 9 or around.sum() < 9:
        return None
    ground = median(signal[around])
    height = median(signal[inside]) - ground
    if height <= 0:
        return None
    # the noise of a Gaussian mean is sigma_n / (2 sqrt(pi) s)
    smooth = float(np.clip(noise / (_CLEAN * height) / 3.545, *_SMOOTH_PX))
    fine = (gaussian(signal, smooth) > ground + 0.5 * height) & near & usable
    count, labels = cv2.connectedComponents(fine.astype(np.uint8), connectivity=4)
    if count < 2:
        return None
    shared = np.bincount(labels[rough], minlength=count)
    shared[0] = 0
    mask = labels == int(shared.argmax())
    # mottle makes holes whose rims are no border
    filled = np.zeros(mask.shape, np.uint8)
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(filled, contours, -1, 1, cv2.FILLED)
    return np.asarray(filled > 0) if shared.max() >= 0.25 * rough.sum() else None
