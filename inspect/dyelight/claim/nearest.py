"""Which finding a place speaks of."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from ..records import Finding
from .measures import Lies

# doubts of one photo whether a mark is in the print at all
MAY_BE_LIGHT = frozenset(("may_be_reflection", "flat_picture", "may_be_light", "one_photo_only"))


def nearest(findings: Sequence[Finding], lies: Lies) -> tuple[Finding, float] | None:
    """The local finding that a place speaks of, and how far it is from it in mm; None for none.

    A finding that holds the place is before one that lies beside it, within the place's slack.
    """
    near = []
    for item in findings:
        if item.extent == "panel" or len(item.outline_mm) == 0:
            continue
        outline = item.outline_mm.astype(np.float32)
        gap_mm = min(
            max(0.0, -cv2.pointPolygonTest(outline, (float(x), float(y)), True))
            for x, y in lies.core_mm
        )
        if gap_mm <= lies.slack_mm:
            # of those that hold the place: a clear kind first, then the smaller one
            weak = item.kind in ("uneven_press", "unexplained")
            near.append((gap_mm, weak, item.area_mm2, item))
    if not near:
        return None
    first = min(near, key=lambda one: one[:3])
    if MAY_BE_LIGHT & set(first[3].doubts):
        # one defect may be seen in parts: what one of them is for sure, the others are too
        sure = [
            one
            for one in near
            if one[3].kind == first[3].kind and not MAY_BE_LIGHT & set(one[3].doubts)
        ]
        first = min(sure, key=lambda one: one[:3], default=first)
    return first[3], first[0]
