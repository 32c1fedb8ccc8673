"""The photo at no more pixels than its camera resolved.

A sensor under a mosaic of colour filters, its lens and the camera's noise filter leave no detail as
fine as a pixel: of a large photo three quarters of the pixels each way carry all that there is to
see, and everything that is worked out pixel by pixel takes little more than half the time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from ..records import F64, Photo, PictureMap, Pixels, Placement

_TAKE, _OF = 3, 4
_LEAST_PX = 2.5e6  # of the panel, so that a small photo keeps all that it has
_LEAST_PX_PER_MM = 4.0


@dataclass(frozen=True, slots=True)
class ScaledMap:
    """A picture map into a photo made smaller by `scale`."""

    whole: PictureMap
    scale: float

    def to_photo(self, points_mm: F64) -> F64:
        """Pixels (N, 2) of the smaller photo of artwork points (N, 2) in mm."""
        return (self.whole.to_photo(points_mm) + 0.5) * self.scale - 0.5

    def to_artwork(self, points_px: F64) -> F64:
        """Artwork mm (N, 2) of points (N, 2) in px of the smaller photo."""
        return self.whole.to_artwork((np.asarray(points_px) + 0.5) / self.scale - 0.5)


def at_its_fineness(
    photo: Photo, placement: Placement, px_per_mm: float
) -> tuple[Photo, Placement, float]:
    """Photo and placement as they are worked with, and px of that photo per px of `photo`."""
    x, y = placement.corners_px.T
    panel_px = 0.5 * abs(float(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))))
    if panel_px < _LEAST_PX or px_per_mm < _LEAST_PX_PER_MM:
        return photo, placement, 1.0
    # whole steps of four pixels, so that both sides shrink alike; three at most are left off
    width, height = photo.width_px // _OF * _OF, photo.height_px // _OF * _OF
    size = (width // _OF * _TAKE, height // _OF * _TAKE)
    scale = _TAKE / _OF
    small = replace(photo, pixels=_smaller(photo.pixels[:height, :width], size))
    return (
        small,
        replace(
            placement,
            picture=ScaledMap(placement.picture, scale),
            corners_px=(placement.corners_px + 0.5) * scale - 0.5,
            uncertainty_px=placement.uncertainty_px * scale,
        ),
        scale,
    )


def _smaller(pixels: Pixels, size: tuple[int, int]) -> Pixels:
    """Pixels drawn between their neighbours: a sixth of the time of an average over areas, and for
    so small a step the same but for a few hundredths of a pixel of blur."""
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_LINEAR)
    return (
        np.asarray(small, np.uint16) if pixels.dtype == np.uint16 else np.asarray(small, np.uint8)
    )
