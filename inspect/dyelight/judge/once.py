"""One thing is told once, however many measures saw it."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from ..records import Finding, Kind

_RASTER_PX = 64
_SAME = 0.5  # of the smaller one's area
_AS_LARGE = 4.0
_WIDE: frozenset[Kind] = frozenset({"ghosting", "off_colour", "uneven_press", "streaks"})


def each_once(findings: Sequence[Finding]) -> list[Finding]:
    """The findings but for local ones of which another has told, the surer or the named one.

    A spot may be cut out twice, by how much lighter it is and by how restless; a crease be seen as
    a line and as a patch.
    """
    kept: list[Finding] = []
    for finding in sorted(findings, key=lambda one: (one.kind == "unexplained", -one.confidence)):
        alike = (other for other in kept if _may_be_one(finding, other))
        if not any(_shared(finding, other) > _SAME for other in alike):
            kept.append(finding)
    ids = {id(one) for one in kept}
    return [one for one in findings if id(one) in ids]


def _may_be_one(one: Finding, other: Finding) -> bool:
    """Whether two findings at one place would be the same thing: of one kind or without one, or
    patches of much the same size."""
    if one.kind == other.kind:
        return True
    if "unexplained" in (one.kind, other.kind):
        # what lies on a zone or under a second image is a thing of its own
        return not {one.kind, other.kind} & _WIDE
    areas = sorted((one.area_mm2, other.area_mm2))
    patches = "solidity" in one.features and "solidity" in other.features
    return patches and areas[1] < _AS_LARGE * areas[0]


def _shared(one: Finding, other: Finding) -> float:
    """The share of the smaller one's outline that lies within the other's."""
    if "panel" in (one.extent, other.extent):
        return 0.0
    boxes = np.array([one.box_mm, other.box_mm])
    low, high = boxes[:, :2].max(axis=0), boxes[:, 2:].min(axis=0)
    if (high <= low).any():
        return 0.0
    smaller = min(one, other, key=lambda finding: finding.area_mm2)
    # only what lies in both boxes can be shared
    px_per_mm = _RASTER_PX / float((high - low).max())
    width, height = (int(v) + 1 for v in np.ceil((high - low) * px_per_mm))

    def drawn(finding: Finding) -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
        at = np.rint((np.asarray(finding.outline_mm) - low) * px_per_mm).astype(np.int32)
        return np.asarray(cv2.fillPoly(np.zeros((height, width), np.uint8), [at], 1), np.uint8)

    both = float(np.count_nonzero(drawn(one) & drawn(other))) / px_per_mm**2
    return both / max(smaller.area_mm2, 1e-6)
