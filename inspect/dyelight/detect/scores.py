"""Matched filters on the photo frame: how strongly each place stands out, in noise units.

For independent noise of known variance the best linear test for a shape s at a place is
sum(s r / sigma^2) / sqrt(sum(s^2 / sigma^2)) (the matched filter; North 1943, Turin 1960). Here s is
a Gaussian at several widths, on a pyramid. Real noise is neither independent nor fully modelled, so
each width is rescaled by the scatter of its own scores over the panel.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..look import PhotoFrame
from ..records import F32

_NARROW_PX = 0.8
_LEVEL_PX = 1.3


@dataclass(frozen=True, slots=True)
class ScoreLevel:
    """Scores (H, W) float32 at one width: sigma `width_px` in frame px, every `step` px."""

    score: F32
    width_px: float
    step: int


def _normalised(weighted: F32, weight: F32, coherent: F32, sigma: float) -> F32:
    """Scores with unit scatter from sums of r / s^2, of 1 / s^2 and of what errs together / s^2."""
    size = 2 * int(np.ceil(3 * sigma)) + 1
    top = cv2.GaussianBlur(weighted, (size, size), sigma)
    # the squared Gaussian is a Gaussian narrower by the root of two, of height 1 / (4 pi sigma^2)
    variance = cv2.GaussianBlur(weight, (size, size), sigma / np.sqrt(2))
    variance *= np.float32(1 / (4 * np.pi * sigma * sigma))
    together = cv2.GaussianBlur(coherent, (size, size), sigma)
    cv2.multiply(together, together, dst=together)
    variance += together
    score = top / cv2.sqrt(cv2.max(variance, 1e-12))
    seen = weight > 0
    sample = np.abs(score[::3, ::3][seen[::3, ::3]])
    if sample.size > 100:
        # the middle of the distribution gives the noise; its shoulder warns when tails are fat
        middle, shoulder = np.quantile(sample, [0.5, 0.98])
        score /= np.float32(max(middle / 0.6745, shoulder / 2.326, 1e-6))
    score[~seen] = 0
    return np.asarray(score, np.float32)


def _halved(image: F32) -> F32:
    """Sums over two by two pixels; an odd last row or column is left off."""
    size = (image.shape[1] // 2, image.shape[0] // 2)
    even = image[: size[1] * 2, : size[0] * 2]
    return np.asarray(cv2.resize(even, size, interpolation=cv2.INTER_AREA) * np.float32(4))


def score_levels(frame: PhotoFrame, count: int = 4) -> tuple[ScoreLevel, ...]:
    """Scores from the photo's own blur upward, doubling the width `count` - 1 times."""
    weight = np.where(frame.usable, 1 / (frame.sigma * frame.sigma), 0).astype(np.float32)
    weighted = weight * frame.residual
    coherent = weight * frame.coherent
    narrow = max(_NARROW_PX, frame.blur_px)
    levels = [ScoreLevel(_normalised(weighted, weight, coherent, narrow), narrow, 1)]
    step = 1
    while len(levels) < count and min(weight.shape) >= 64:
        weight, weighted, coherent = _halved(weight), _halved(weighted), _halved(coherent)
        step *= 2
        if step * _LEVEL_PX > 1.25 * narrow:
            score = _normalised(weighted, weight, coherent, _LEVEL_PX)
            levels.append(ScoreLevel(score, step * _LEVEL_PX, step))
    return tuple(levels)
