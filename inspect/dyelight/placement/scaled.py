"""Grey working copies of photo and artwork at chosen scales."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..records import F32, F64, U8, Artwork, Mask, Photo, Pixels


def _full_range(pixels: Pixels) -> float:
    return 65535.0 if pixels.dtype == np.uint16 else 255.0


def shrink(pixels: Pixels, factor: float) -> Pixels:
    """Pixels resized by `factor` <= 1 by area averaging; the same array where factor is 1."""
    height, width = pixels.shape[:2]
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    if size == (width, height):
        return pixels
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), dtype=pixels.dtype)


def to_grey(pixels: Pixels) -> F32:
    """Luma (H, W) float32 in 0..1 of sRGB-encoded pixels."""
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    return np.asarray(grey, dtype=np.float32) * np.float32(1.0 / _full_range(pixels))


def unclipped(pixels: Pixels) -> U8:
    """255 where every channel stands below the top of its range, else 0 (H, W)."""
    top = 0.992 * _full_range(pixels)
    return np.asarray(cv2.inRange(pixels, (0.0, 0.0, 0.0), (top, top, top)), dtype=np.uint8)


@dataclass(frozen=True, slots=True)
class PhotoView:
    """A window of the photo at a working scale.

    `grey` (h, w) float32 in 0..1; `usable` (h, w) bool, False where clipped. View pixel (i, j) lies at
    photo pixel `x0 + i*pitch`, `y0 + j*pitch`; pitch >= 1.
    """

    grey: F32
    usable: Mask
    x0: float
    y0: float
    pitch: float

    def to_photo(self, points: F64) -> F64:
        """Photo px (N, 2) of view points (N, 2)."""
        return np.asarray(points * self.pitch + np.array([self.x0, self.y0]), dtype=np.float64)

    def from_photo(self, points_px: F64) -> F64:
        """View points (N, 2) of photo px (N, 2)."""
        return np.asarray((points_px - np.array([self.x0, self.y0])) / self.pitch, dtype=np.float64)


def photo_view(photo: Photo, window: tuple[int, int, int, int], pitch: int) -> PhotoView:
    """The window x0, y0, x1, y1 (whole photo px) of a photo, averaged over pitch x pitch pixels."""
    x0, y0, x1, y1 = window
    width = max(1, (x1 - x0) // pitch)
    height = max(1, (y1 - y0) // pitch)
    crop = photo.pixels[y0 : y0 + height * pitch, x0 : x0 + width * pitch]
    grey = to_grey(crop) if min(crop.shape[:2]) else np.zeros((1, 1), np.float32)
    calm = unclipped(crop)
    if pitch > 1 and grey.shape == (height * pitch, width * pitch):
        size = (width, height)
        grey = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
        calm = np.asarray(cv2.resize(calm, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    lead = (pitch - 1) / 2
    return PhotoView(grey, calm == 255, x0 + lead, y0 + lead, float(pitch))


@dataclass(frozen=True, slots=True)
class ArtworkView:
    """The artwork at a working scale.

    `grey` (h, w) float32 in 0..1; `solid` (h, w) float32, 1 where there is metal, or None; `rgb` the
    colours they come from, at this or a finer scale. Artwork mm (x, y) lies at view pixel
    (x + bleed) * scale - 1/2 on each axis.
    """

    rgb: Pixels
    grey: F32
    solid: F32 | None
    scale_x: float
    scale_y: float
    bleed_mm: float

    def halved(self, factor: float) -> ArtworkView:
        """The same view smaller by `factor` <= 1."""
        height, width = self.grey.shape
        size = (max(1, round(width * factor)), max(1, round(height * factor)))
        if size == (width, height):
            return self
        grey = np.asarray(
            cv2.resize(self.grey, size, interpolation=cv2.INTER_AREA), dtype=np.float32
        )
        solid = self.solid
        if solid is not None:
            solid = np.asarray(
                cv2.resize(solid, size, interpolation=cv2.INTER_AREA), dtype=np.float32
            )
        return ArtworkView(
            self.rgb,
            grey,
            solid,
            self.scale_x * size[0] / width,
            self.scale_y * size[1] / height,
            self.bleed_mm,
        )


def artwork_view(artwork: Artwork, factor: float) -> ArtworkView:
    """The artwork shrunk by `factor` <= 1."""
    small = shrink(artwork.pixels, min(1.0, factor))
    solid: F32 | None = None
    if artwork.alpha is not None:
        alpha = cv2.resize(
            artwork.alpha, (small.shape[1], small.shape[0]), interpolation=cv2.INTER_AREA
        )
        solid = np.asarray(alpha, dtype=np.float32) / np.float32(255.0)
    full_x, full_y = artwork.px_per_mm
    return ArtworkView(
        small,
        to_grey(small),
        solid,
        full_x * small.shape[1] / artwork.pixels.shape[1],
        full_y * small.shape[0] / artwork.pixels.shape[0],
        artwork.bleed_mm,
    )
