"""What a second image leaves behind locally, so that its traces are not reported one by one."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from ..look import Difference
from ..look.render import photo_light
from ..ranks import median
from ..records import Candidate
from .places import Place
from .shapes import drawn, is_mark

_REACH = 1.6  # hinge, growth and turn shift some places further than the mean vector says
_ALLOWANCE = 0.4  # of the second image: what its own model leaves
_PER_CENT = 0.01


def without_traces(difference: Difference, found: Sequence[Candidate]) -> list[Candidate]:
    """The candidates without marks and patches that a double image over the panel accounts for.

    A second image of strength s changes a place by at most s times the contrast between that place
    and those within reach of the shift. What is no stronger than that is its trace.
    """
    doubles = [c for c in found if c.family == "double"]
    return [
        c
        for c in found
        if not (is_mark(c) or c.family == "patch")
        or not any(_accounts_for(difference, double, c) for double in doubles)
    ]


def _accounts_for(difference: Difference, double: Candidate, mark: Candidate) -> bool:
    shift_mm = double.features.get("shift_mm", 0.0)
    strength = double.features.get("strength", 0.0) * _PER_CENT
    mask = drawn(difference, [mark])
    if not mask.any():
        return False
    reach = int(np.ceil(_REACH * shift_mm * difference.panel.px_per_mm))
    place = Place.of(mask).grown(reach, mask.shape)
    light = photo_light(difference.panel.expected[place.window])
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    contrast = cv2.dilate(light, around) - cv2.erode(light, around)
    # at the middle one of its pixels: a crease may cross an edge that is no reason for the rest
    usual = median(contrast[place.mask])
    # root light runs over its range as lightness runs over 0..100
    height = abs(mark.features["delta_l"]) / 100
    return height <= _ALLOWANCE * strength * usual
