"""How far the picture shows a candidate's own colours elsewhere too.

What a colour turns into, on metal and in a camera, is learnt from wherever the picture has it. A
colour that is in one place only was never learnt: what is seen there may be the model's error as
well as the panel's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

from ..look import Difference
from ..records import F32, F64, Candidate
from .shapes import is_mark

_LEVELS = 20  # of each channel's root light; colours within one step count as the same
_STEP = 2
_ELSEWHERE_MM2 = 6.0
_AROUND_MM, _AROUND_SHARE = 3.0, 0.5  # what lies this near is no other place
_MOST_OWN, _MOST_AROUND = 64, 3000

Codes = NDArray[np.uint16]


def with_known_colours(difference: Difference, found: Sequence[Candidate]) -> list[Candidate]:
    """The candidates, marks and patches with the feature `known_colour` added: the share 0..1 of
    their pixels whose colour in the artwork is found elsewhere on the panel."""
    if not any(is_mark(c) or c.family == "patch" for c in found):
        return list(found)
    frame = difference.panel
    cut = (slice(None, None, _STEP), slice(None, None, _STEP))
    codes = _codes(frame.artwork[cut])
    alike = _alike(codes[(frame.inside & frame.printed)[cut]])
    least = _ELSEWHERE_MM2 * (frame.px_per_mm / _STEP) ** 2
    return [
        replace(
            c, features=c.features | {"known_colour": _known(difference, codes, alike, least, c)}
        )
        if is_mark(c) or c.family == "patch"
        else c
        for c in found
    ]


def _codes(root: F32) -> Codes:
    """One number (H, W) for each colour of root light (H, W, 3)."""
    bins = np.clip(root * np.float32(_LEVELS), 0, _LEVELS - 1).astype(np.uint8)
    weights = np.array([[_LEVELS**2, _LEVELS, 1]], np.float32)
    return np.asarray(cv2.transform(bins.astype(np.float32), weights), np.uint16)


def _alike(codes: Codes) -> F64:
    """How many of the codes (N,) are each colour (levels^3,) or one next to it."""
    count = np.bincount(codes, minlength=_LEVELS**3).reshape((_LEVELS,) * 3).astype(np.float64)
    return np.asarray(np.rint(27 * uniform_filter(count, 3, mode="constant")).ravel(), np.float64)


def _known(
    difference: Difference, codes: Codes, alike: F64, least: float, candidate: Candidate
) -> float:
    """Share of a candidate's pixels whose colour `least` pixels away from it have too."""
    frame = difference.panel
    px = frame.to_px(difference.to_artwork_mm(candidate.outline_mm)) / _STEP
    height, width = codes.shape
    low, high = px.min(axis=0), px.max(axis=0)
    reach = _AROUND_MM * frame.px_per_mm / _STEP + _AROUND_SHARE * float((high - low).max())
    x0, y0 = (int(v) for v in np.clip(low - reach, 0, [width - 1, height - 1]))
    x1, y1 = (int(v) + 1 for v in np.clip(high + reach, 0, [width - 1, height - 1]))
    window = codes[y0:y1, x0:x1]
    mask = np.zeros(window.shape, np.uint8)
    cv2.fillPoly(mask, [np.rint(px - [x0, y0]).astype(np.int32)], 1)
    if not mask.any():
        return 1.0
    own = _thinned(window[mask > 0], _MOST_OWN)
    some = _thinned(window.ravel(), _MOST_AROUND)
    elsewhere = alike[own] - _alike(some)[own] * (window.size / len(some))
    return float((elsewhere >= least).mean())


def _thinned(codes: Codes, most: int) -> Codes:
    return codes[:: max(1, len(codes) // most)]
