"""What a second image leaves behind locally, so that its traces are not reported one by one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..look import Difference
from ..look.render import photo_light
from ..records import Candidate
from .shapes import is_mark

_REACH = 1.6  # hinge, growth and turn shift some places further than the mean vector says
_ALLOWANCE = 0.8  # of the second image: what its own model leaves
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
    frame = difference.panel
    x0, y0, x1, y1 = mark.box_mm
    reach = _REACH * shift_mm
    corners = np.array([[x0 - reach, y0 - reach], [x1 + reach, y1 + reach]])
    (left, top), (right, bottom) = np.rint(frame.to_px(corners)).astype(int)
    around = photo_light(frame.expected)[max(top, 0) : bottom + 1, max(left, 0) : right + 1]
    if around.size == 0:
        return False
    low, high = np.quantile(around, [0.02, 0.98])
    # root light runs over its range as lightness runs over 0..100
    height = abs(mark.features["delta_l"]) / 100
    return bool(height <= _ALLOWANCE * strength * float(high - low))
