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

Bins = NDArray[np.int16]


def with_known_colours(difference: Difference, found: Sequence[Candidate]) -> list[Candidate]:
    """The candidates, marks and patches with the feature `known_colour` added: the share 0..1 of
    their pixels whose colour in the artwork is found elsewhere on the panel."""
    if not any(is_mark(c) or c.family == "patch" for c in found):
        return list(found)
    frame = difference.panel
    cut = (slice(None, None, _STEP), slice(None, None, _STEP))
    bins = _bins(frame.artwork[cut])
    shown = (frame.inside & frame.printed)[cut]
    red, green, blue = bins[shown].astype(np.intp).T
    codes = (red * _LEVELS + green) * _LEVELS + blue
    count = np.bincount(codes, minlength=_LEVELS**3).reshape((_LEVELS,) * 3).astype(np.float64)
    # pixels of the same colour or of one next to it
    alike = np.rint(27 * uniform_filter(count, 3, mode="constant"))
    least = _ELSEWHERE_MM2 * (frame.px_per_mm / _STEP) ** 2
    return [
        replace(
            c, features=c.features | {"known_colour": _known(difference, bins, alike, least, c)}
        )
        if is_mark(c) or c.family == "patch"
        else c
        for c in found
    ]


def _bins(root: F32) -> Bins:
    return np.clip(root * _LEVELS, 0, _LEVELS - 1).astype(np.int16)


def _known(
    difference: Difference, bins: Bins, alike: F64, least: float, candidate: Candidate
) -> float:
    """Share of a candidate's pixels whose colour `least` pixels away from it have too."""
    frame = difference.panel
    px = frame.to_px(difference.to_artwork_mm(candidate.outline_mm)) / _STEP
    height, width = bins.shape[:2]
    low, high = px.min(axis=0), px.max(axis=0)
    reach = _AROUND_MM * frame.px_per_mm / _STEP + _AROUND_SHARE * float((high - low).max())
    x0, y0 = (int(v) for v in np.clip(low - reach, 0, [width - 1, height - 1]))
    x1, y1 = (int(v) + 1 for v in np.clip(high + reach, 0, [width - 1, height - 1]))
    window = bins[y0:y1, x0:x1]
    mask = np.zeros(window.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.rint(px - [x0, y0]).astype(np.int32)], 1)
    if not mask.any():
        return 1.0
    own = _thinned(window[mask > 0], _MOST_OWN)
    around = window.reshape(-1, 3)
    some = _thinned(around, _MOST_AROUND)
    near = (np.abs(own[:, None] - some[None]) <= 1).all(axis=2).sum(axis=1)
    elsewhere = alike[tuple(own.T)] - near * (len(around) / len(some))
    return float((elsewhere >= least).mean())


def _thinned(colours: Bins, most: int) -> Bins:
    return colours[:: max(1, len(colours) // most)]
