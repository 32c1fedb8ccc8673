"""Matched filters on the photo frame: how strongly each place stands out, in noise units.

For independent noise of known variance the best linear test for a shape s at a place is
sum(s r / sigma^2) / sqrt(sum(s^2 / sigma^2)) (the matched filter; North 1943, Turin 1960). Here s
is a Gaussian at several widths, on a pyramid. Real noise is neither independent nor fully modelled,
so each width is rescaled by the scatter of its own scores over the panel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.special import ndtri

from ..imaging import area, enlarged, gaussian, reduced, spread, strips
from ..look import PhotoFrame
from ..ranks import median, quantile
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


def _normalised(
    weighted: F32, seen: Mask, halves: Sequence[F32], activity: U8, sigma: float
) -> F32:
    """Scores with unit scatter from sums of r / s^2, of 1 / s^2 and, at half the size, of 1 / s^2
    and of what errs together / s^2: scatter changes slowly enough to be worked out there."""
    size = 2 * int(np.ceil(3 * sigma)) + 1
    top = _blurred(weighted, size, sigma)
    full = (seen.shape[1], seen.shape[0])
    size, narrow = 2 * int(np.ceil(1.5 * sigma)) + 1, sigma / 2
    # the squared Gaussian is a Gaussian narrower by the root of two, of height 1 / (4 pi sigma^2)
    variance = _blurred(halves[0], size, narrow / np.sqrt(2))
    variance *= np.float32(1 / (4 * np.pi * sigma * sigma))
    together = _blurred(halves[1], size, narrow)
    together *= together
    variance += together
    np.maximum(variance, np.float32(1e-12), out=variance)
    score: F32 = np.divide(top, enlarged(np.sqrt(variance, out=variance), full), out=top)
    scatter = _scatter_by_activity(score, activity, seen)
    for rows in strips(full[1], _STRIP_PX):
        if scatter is not None:
            score[rows] /= np.asarray(cv2.LUT(activity[rows], scatter), np.float32)
        score[rows][~seen[rows]] = 0
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
        middle, outer = median(sample[part]), quantile(sample[part], _SHOULDER)
        level.append(median(busy[part]))
        scatter.append(max(middle / 0.6745, outer / normal, 1e-6))
    rising = np.maximum.accumulate(scatter)
    return np.interp(np.arange(256), level, rising).astype(np.float32)


def _activity(coherent: F32, sigma: F32, blur_px: float, full: tuple[int, int]) -> U8:
    """How busy the picture is (H, W) uint8, `full` its width and height: edges' errors over the
    noise, both at half the size, spread by the blur."""
    ratio = gaussian(coherent / sigma, max(blur_px, 0.8))
    # nothing in it is finer than the half size
    return np.asarray(cv2.resize(cv2.convertScaleAbs(ratio, alpha=255.0), full), np.uint8)


def _sums(frame: PhotoFrame) -> tuple[F32, list[F32]]:
    """Residual over variance (H, W), and at half the size the means of: 1 / variance, coherent
    error over variance, coherent error and sigma. An odd last row or column is left off there."""
    height, width = frame.sigma.shape
    weighted = np.empty((height, width), np.float32)
    halves = [np.empty((height // 2, width // 2), np.float32) for _ in range(4)]
    for half in strips(height // 2, _STRIP_PX // 2):
        # the last one takes an odd row as well
        rows = slice(2 * half.start, height if half.stop == height // 2 else 2 * half.stop)
        sigma, coherent = frame.sigma[rows], frame.coherent[rows]
        weight = np.square(sigma)
        np.divide(frame.usable[rows], weight, out=weight, dtype=np.float32)
        np.multiply(weight, frame.residual[rows], out=weighted[rows])
        for out, image in zip(halves, (weight, weight * coherent, coherent, sigma), strict=True):
            out[half] = reduced(image, 2)
    return weighted, halves


def score_levels(frame: PhotoFrame, count: int = 4) -> tuple[ScoreLevel, ...]:
    """Scores from the photo's own blur upward, doubling the width `count` - 1 times."""
    weighted, (*halves, coherent, sigma) = _sums(frame)
    seen = frame.usable
    narrow = max(_NARROW_PX, frame.blur_px)
    activity = _activity(coherent, sigma, frame.blur_px, (seen.shape[1], seen.shape[0]))
    levels = [ScoreLevel(_normalised(weighted, seen, halves, activity, narrow), narrow, 1)]
    step = 1
    while len(levels) < count and min(seen.shape) >= 64:
        # sums over two by two pixels; an odd last row or column is left off
        weight, coherent, weighted = (4 * one for one in (*halves, reduced(weighted, 2)))
        seen, halves = weight > 0, [reduced(weight, 2), reduced(coherent, 2)]
        activity = area(activity, (seen.shape[1], seen.shape[0]))
        step *= 2
        if step * _LEVEL_PX > 1.25 * narrow:
            score = _normalised(weighted, seen, halves, activity, _LEVEL_PX)
            levels.append(ScoreLevel(score, step * _LEVEL_PX, step))
    return tuple(levels)
