"""One thing is told once, however many measures saw it."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from ..records import Finding, Kind

_RASTER_PX, _THIN_PX = 64, 3  # across the smaller finding; across the thinner of both
_MOST_RASTER_PX = 1024
_SAME = 0.5  # of the smaller one's area
_AS_LARGE = 4.0
_WIDE: frozenset[Kind] = frozenset({"ghosting", "off_colour", "uneven_press", "streaks"})


def each_once(findings: Sequence[Finding]) -> list[Finding]:
    """The findings but for local ones of which another has told, the surer or the named one.

    A spot may be cut out twice, by how much lighter it is and by how restless; a crease be seen as
    a line and as a patch. What is far larger than the other one is more than that.
    """
    kept: list[Finding] = []
    for finding in sorted(findings, key=lambda one: (one.kind == "unexplained", -one.confidence)):
        alike = (other for other in kept if _may_be_told_by(finding, other))
        if not any(_shared(finding, other) > _SAME for other in alike):
            kept.append(finding)
    ids = {id(one) for one in kept}
    return [one for one in findings if id(one) in ids]


def _may_be_told_by(one: Finding, other: Finding) -> bool:
    """Whether a finding may be the same thing as another at its place, or a part of it: of one kind
    or without one, or a patch of much the same size."""
    if one.area_mm2 > _AS_LARGE * other.area_mm2:
        return False
    if one.kind == other.kind:
        return True
    if "unexplained" in (one.kind, other.kind):
        # what lies on a zone or under a second image is a thing of its own
        return not {one.kind, other.kind} & _WIDE
    patches = "solidity" in one.features and "solidity" in other.features
    return patches and other.area_mm2 < _AS_LARGE * one.area_mm2


def _shared(one: Finding, other: Finding) -> float:
    """The share of the smaller one's outline that lies within the other's."""
    if "panel" in (one.extent, other.extent):
        return 0.0
    boxes = np.array([one.box_mm, other.box_mm])
    low, high = boxes[:, :2].max(axis=0), boxes[:, 2:].min(axis=0)
    if (high <= low).any():
        return 0.0
    # all of the smaller one is drawn, fine enough for the thinner
    smaller = min(one, other, key=lambda finding: finding.area_mm2)
    low, high = np.array(smaller.box_mm[:2]), np.array(smaller.box_mm[2:])
    longest = float((high - low).max())
    thin_mm = min(_thickness_mm(one), _thickness_mm(other))
    across = min(max(_RASTER_PX, _THIN_PX * longest / max(thin_mm, 1e-3)), _MOST_RASTER_PX)
    px_per_mm = across / max(longest, 1e-3)
    width, height = (int(v) + 1 for v in np.ceil((high - low) * px_per_mm))

    def drawn(finding: Finding) -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
        at = np.rint((np.asarray(finding.outline_mm) - low) * px_per_mm).astype(np.int32)
        return np.asarray(cv2.fillPoly(np.zeros((height, width), np.uint8), [at], 1), np.uint8)

    both = np.count_nonzero(drawn(one) & drawn(other))
    return both / max(int(np.count_nonzero(drawn(smaller))), 1)


def _thickness_mm(finding: Finding) -> float:
    """How thick a finding is where it is drawn out: its area over the longer side of its box."""
    x0, y0, x1, y1 = finding.box_mm
    return finding.area_mm2 / max(x1 - x0, y1 - y0, 1e-3)
