"""Regions of the squared-up panel that belong together: the pieces of one mottled patch.

A vapour spot is no disc: its mottle makes several peaks, islands beside the main part, and paler
valleys that look dark against its own middle. They are one thing to a person, and one here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from ..records import F32
from .linked import linked
from .places import Place, joined
from .shapes import hull_px

_GAP = 0.3  # of the larger one's diameter, up to which two pieces are one patch
_MOST_GAP_MM = 6.0
_LIKE = 6.0  # how many times as strong the main part of a patch may be as a piece of it
_MAIN = 0.75  # and how strong at least
_DRAWN_OUT = 5.0  # length over width from which a region is a line, and no piece of a spot
_ZONE = 0.22  # of the panel's short side, from which a region is a zone and takes in no patch
_VALLEY = 0.6  # what is weaker than this share of its neighbour, with the other sign, is its valley


@dataclass(frozen=True, slots=True)
class Region:
    """A place with its sign, peak score and mean height in root light."""

    place: Place
    sign: int
    peak: float
    height: float
    is_line: bool

    @classmethod
    def of(cls, place: Place, light: F32, sign: int, peak: float) -> Region:
        """The region of a place over the light channel's difference (H, W)."""
        _, (a, b), _ = cv2.minAreaRect(hull_px(place.mask))
        is_line = max(a, b) + 1 > _DRAWN_OUT * (min(a, b) + 1)
        height = float(light[place.window][place.mask].mean()) * sign
        return cls(place, sign, peak, height, is_line)

    @property
    def diameter_px(self) -> float:
        """Diameter of the circle of the same area."""
        return self.place.diameter_px


def grouped(regions: Sequence[Region], light: F32, px_per_mm: float) -> list[Region]:
    """The regions with pieces of one patch joined and its valleys dropped, strongest first."""
    zone_px = _ZONE * min(light.shape)

    def together(i: int, j: int) -> bool:
        one, other = regions[i], regions[j]
        return (
            one.sign == other.sign
            and max(one.diameter_px, other.diameter_px) < zone_px
            and _alike(one, other)
            and _near(one, other, _gap_px(one, other, px_per_mm))
        )

    whole = [
        _joined([regions[i] for i in group], light) for group in linked(len(regions), together)
    ]
    kept = [
        one
        for one in whole
        if not any(
            other.sign != one.sign
            and one.height < _VALLEY * other.height
            and one.diameter_px < other.diameter_px
            and _near(one, other, 0.5 * _gap_px(one, other, px_per_mm))
            for other in whole
        )
    ]
    return sorted(kept, key=lambda region: -region.peak)


def _alike(one: Region, other: Region) -> bool:
    if one.is_line != other.is_line:
        return False
    small, large = sorted((one, other), key=lambda region: region.diameter_px)
    # the main part of a spot is no paler than its islands; a wide reflection beside it is
    return _MAIN * small.height <= large.height <= _LIKE * small.height


def _gap_px(one: Region, other: Region, px_per_mm: float) -> float:
    return min(_GAP * max(one.diameter_px, other.diameter_px), _MOST_GAP_MM * px_per_mm)


def _near(one: Region, other: Region, gap_px: float) -> bool:
    """Whether two places come within `gap_px` of each other."""
    reach = int(np.ceil(gap_px)) + 1
    a, b = one.place.box, other.place.box
    if a[0] - reach > b[2] or b[0] - reach > a[2] or a[1] - reach > b[3] or b[1] - reach > a[3]:
        return False
    window = (min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3]))
    away = cv2.distanceTransform((~one.place.within(window)).astype(np.uint8), cv2.DIST_L2, 3)
    return bool(away[other.place.within(window)].min() <= gap_px)


def _joined(group: Sequence[Region], light: F32) -> Region:
    if len(group) == 1:
        return group[0]
    place = joined([region.place for region in group])
    return Region.of(place, light, group[0].sign, max(region.peak for region in group))
