"""Which finding a place speaks of."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from ..records import Finding
from .measures import Lies

# doubts of one photo whether a mark is in the print at all
MAY_BE_LIGHT = frozenset(("may_be_reflection", "flat_picture", "may_be_light", "one_photo_only"))


def near_by(findings: Sequence[Finding], lies: Lies) -> list[tuple[Finding, float]]:
    """The local findings within a place's slack, and how far each is from the place in mm."""
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
            near.append((item, gap_mm))
    return near


def nearest(findings: Sequence[Finding], lies: Lies) -> tuple[Finding, float] | None:
    """The local finding that a place speaks of, and how far it is from it in mm; None for none.

    A finding that holds the place is before one that lies beside it; of those that hold it a clear
    kind is first, then a strip without print, whose cut is a line as well, then the smaller one.
    """
    near = near_by(findings, lies)
    if not near:
        return None
    first = min(near, key=_rank)
    if MAY_BE_LIGHT & set(first[0].doubts):
        # one defect may be seen in parts: what one of them is for sure, the others are too
        sure = [
            one
            for one in near
            if one[0].kind == first[0].kind and not MAY_BE_LIGHT & set(one[0].doubts)
        ]
        first = min(sure, key=_rank, default=first)
    return first


def _rank(near: tuple[Finding, float]) -> tuple[float, bool, bool, float]:
    item, gap_mm = near
    vague = item.kind in ("uneven_press", "unexplained")
    return gap_mm, vague, item.kind != "bare_edge", item.area_mm2
