"""Matched filters on the photo frame: how strongly each place stands out, in noise units.

For independent noise of known variance the best linear test for a shape s at a place is
sum(s r / sigma^2) / sqrt(sum(s^2 / sigma^2)) (the matched filter; North 1943, Turin 1960). Here s
is a Gaussian at several widths, on a pyramid. Real noise is neither independent nor fully modelled,
so each width is rescaled by the scatter of its own scores over the panel.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.special import ndtri

from ..imaging import area, enlarged, gaussian, reduced, spread, strips
from ..look import PhotoFrame
from ..records import F32, U8, Mask

_NARROW_PX = 0.8
_LEVEL_PX = 1.3
_BINS = 12
_STRIP_PX = 48  # rows worked on at a time, so that all they need lies in the cache
_SHOULDER = 0.93  # soft patches may fill some per cent of the panel, and are no noise


@dataclass(frozen=True, slots=True)
class ScoreLevel:
    """Scores (H, W) float32 at one width: sigma `width_px` in frame px, every `step` px."""

    score: F32
    width_px: float
    step: int


def _normalised(weighted: F32, weight: F32, coherent: F32, activity: U8, sigma: float) -> F32:
    """Scores with unit scatter from sums of r / s^2, of 1 / s^2 and of what errs together / s^2."""
    size = 2 * int(np.ceil(3 * sigma)) + 1
    top = _blurred(weighted, size, sigma)
    full = (weight.shape[1], weight.shape[0])
    # scatter changes slowly enough to be worked out at half the size
    small = (max(full[0] // 2, 1), max(full[1] // 2, 1))
    size, narrow = 2 * int(np.ceil(1.5 * sigma)) + 1, sigma / 2
    # the squared Gaussian is a Gaussian narrower by the root of two, of height 1 / (4 pi sigma^2)
    variance = _blurred(area(weight, small), size, narrow / np.sqrt(2))
    variance *= np.float32(1 / (4 * np.pi * sigma * sigma))
    together = _blurred(area(coherent, small), size, narrow)
    together *= together
    variance += together
    np.maximum(variance, np.float32(1e-12), out=variance)
    score: F32 = np.divide(top, enlarged(np.sqrt(variance, out=variance), full), out=top)
    seen = weight > 0
    scatter = _scatter_by_activity(score, activity, seen)
    if scatter is not None:
        score /= np.asarray(cv2.LUT(activity, scatter), np.float32)
    score[~seen] = 0
    return score


def _blurred(image: F32, size: int, sigma: float) -> F32:
    return np.asarray(cv2.GaussianBlur(image, (size, size), sigma), np.float32)


def _scatter_by_activity(score: F32, activity: U8, seen: Mask) -> F32 | None:
    """Scatter of scores (256,) float32 against how busy the picture is there, never falling.

    Busy places err more than any noise model says. The middle of the distribution gives the
    scatter; its shoulder warns when the tails are fat. The shoulder must lie below the share of a
    bin that defects can fill. None where too little is seen.
    """
    some = spread(seen.shape, least_step=3)
    keep = seen[some]
    sample, busy = np.abs(score[some][keep]), activity[some][keep]
    if sample.size < 400:
        return None
    bins = int(np.clip(sample.size // 2000, 1, _BINS))
    normal = float(ndtri((1 + _SHOULDER) / 2))
    order = np.argsort(busy, kind="stable")
    level, scatter = [], []
    for part in np.array_split(order, bins):
        middle, outer = np.quantile(sample[part], [0.5, _SHOULDER])
        level.append(float(np.median(busy[part])))
        scatter.append(max(float(middle) / 0.6745, float(outer) / normal, 1e-6))
    rising = np.maximum.accumulate(scatter)
    return np.interp(np.arange(256), level, rising).astype(np.float32)


def _activity(coherent: F32, sigma: F32, blur_px: float) -> U8:
    """How busy the picture is (H, W) uint8: edges' errors over the noise, spread by the blur."""
    full = (sigma.shape[1], sigma.shape[0])
    small = (max(full[0] // 2, 1), max(full[1] // 2, 1))
    ratio = area(coherent, small)
    ratio /= area(sigma, small)
    ratio = gaussian(ratio, max(blur_px, 0.8))
    # from the half size, as nothing in it is finer
    return np.asarray(cv2.resize(cv2.convertScaleAbs(ratio, alpha=255.0), full), np.uint8)


def _halved(image: F32) -> F32:
    """Sums over two by two pixels; an odd last row or column is left off."""
    return np.asarray(reduced(image, 2) * np.float32(4), np.float32)


def score_levels(frame: PhotoFrame, count: int = 4) -> tuple[ScoreLevel, ...]:
    """Scores from the photo's own blur upward, doubling the width `count` - 1 times."""
    weight, weighted, coherent = np.empty((3, *frame.sigma.shape), np.float32)
    for rows in strips(weight.shape[0], _STRIP_PX):
        np.square(frame.sigma[rows], out=weight[rows])
        np.divide(frame.usable[rows], weight[rows], out=weight[rows], dtype=np.float32)
        np.multiply(weight[rows], frame.residual[rows], out=weighted[rows])
        np.multiply(weight[rows], frame.coherent[rows], out=coherent[rows])
    narrow = max(_NARROW_PX, frame.blur_px)
    activity = _activity(frame.coherent, frame.sigma, frame.blur_px)
    levels = [ScoreLevel(_normalised(weighted, weight, coherent, activity, narrow), narrow, 1)]
    step = 1
    while len(levels) < count and min(weight.shape) >= 64:
        weight, weighted, coherent = _halved(weight), _halved(weighted), _halved(coherent)
        size = (weight.shape[1], weight.shape[0])
        activity = area(activity, size)
        step *= 2
        if step * _LEVEL_PX > 1.25 * narrow:
            score = _normalised(weighted, weight, coherent, activity, _LEVEL_PX)
            levels.append(ScoreLevel(score, step * _LEVEL_PX, step))
    return tuple(levels)
