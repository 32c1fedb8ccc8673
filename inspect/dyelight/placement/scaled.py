"""Grey working copies of photo and artwork at chosen scales."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..imaging import area
from ..records import F32, F64, U8, Artwork, Mask, Photo, Pixels

_STRIP = 128


def _full_range(pixels: Pixels) -> float:
    return 65535.0 if pixels.dtype == np.uint16 else 255.0


def shrink(pixels: Pixels, factor: float) -> Pixels:
    """Pixels resized by `factor` <= 1 by area averaging; the same array where factor is 1."""
    height, width = pixels.shape[:2]
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    if size == (width, height):
        return pixels
    small: NDArray[Any] = pixels
    # halving is many times quicker than an average over parts of pixels, and leaves little to that
    while 2 * size[0] <= width and 2 * size[1] <= height and width % 2 == height % 2 == 0:
        width, height = width // 2, height // 2
        small = area(small, (width, height))
    if size != (width, height):
        small = area(small, size)
    if pixels.dtype == np.uint16:
        return np.asarray(small, dtype=np.uint16)
    return np.asarray(small, dtype=np.uint8)


def blurred(pixels: Pixels, sigma: float) -> Pixels:
    """Pixels under a Gaussian of `sigma` px, of the same type."""
    soft = cv2.GaussianBlur(pixels, (0, 0), sigma)
    if pixels.dtype == np.uint16:
        return np.asarray(soft, dtype=np.uint16)
    return np.asarray(soft, dtype=np.uint8)


def to_grey(pixels: Pixels) -> F32:
    """Luma (H, W) float32 in 0..1 of sRGB-encoded pixels."""
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    return np.asarray(grey, dtype=np.float32) * np.float32(1.0 / _full_range(pixels))


def _light(pixels: Pixels) -> F32:
    """The square of luma (H, W) float32 in 0..1."""
    if pixels.dtype == np.uint16:
        return np.square(to_grey(pixels))
    table = np.square(np.arange(256, dtype=np.float32) * np.float32(1 / 255))
    return np.asarray(cv2.LUT(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), table), dtype=np.float32)


def averaged(grey: F32, size: tuple[int, int]) -> F32:
    """Encoded brightness averaged down to (width, height) as light adds: squared, averaged, rooted.

    Averages of encoded values would move the edges between light and dark.
    """
    return rooted(area(np.asarray(cv2.multiply(grey, grey), dtype=np.float32), size))


def rooted(light: NDArray[Any]) -> F32:
    """Encoded brightness of light."""
    return np.asarray(cv2.sqrt(light), dtype=np.float32)


def softened(grey: F32, sigma: float) -> F32:
    """Encoded brightness blurred by a Gaussian as light adds."""
    soft = cv2.GaussianBlur(cv2.multiply(grey, grey), (0, 0), sigma)
    return rooted(soft)


def unclipped(pixels: Pixels) -> U8:
    """255 where every channel stands below the top of its range, else 0 (H, W)."""
    top = 0.992 * _full_range(pixels)
    # the highest of all is found five times as quickly as each pixel is held against it
    if pixels.max(initial=0) <= top:
        return np.full(pixels.shape[:2], 255, np.uint8)
    return np.asarray(cv2.inRange(pixels, (0.0, 0.0, 0.0), (top, top, top)), dtype=np.uint8)


@dataclass(frozen=True, slots=True)
class PhotoView:
    """A window of the photo at a working scale.

    `grey` (h, w) float32 in 0..1; `usable` (h, w) bool, False where clipped. View pixel (i, j) lies
    at photo pixel `x0 + i*pitch`, `y0 + j*pitch`; pitch is a power of two.
    """

    grey: F32
    usable: Mask
    x0: float
    y0: float
    pitch: float

    def to_photo(self, points: F64) -> F64:
        """Photo px (N, 2) of view points (N, 2)."""
        return np.asarray(points * self.pitch + np.array([self.x0, self.y0]), dtype=np.float64)


def grey_strip(pixels: Pixels, y0: int, y1: int, x0: int, x1: int) -> tuple[F32, U8]:
    """Luma (h, w) float32 and 255 where nothing clips (h, w), of rows y0..y1, columns x0..x1."""
    if pixels.dtype == np.uint16:
        wide = np.ascontiguousarray(pixels[y0:y1, x0:x1], dtype=np.uint16)
        return to_grey(wide), unclipped(wide)
    narrow = np.ascontiguousarray(pixels[y0:y1, x0:x1], dtype=np.uint8)
    return to_grey(narrow), unclipped(narrow)


class PhotoViews:
    """Windows of one photo at pitches 1, 2, 4, 8..., each level made once from the one before."""

    def __init__(self, photo: Photo) -> None:
        self.photo = photo
        self._levels: dict[int, tuple[F32, U8]] = {}

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the photo in px."""
        return self.photo.width_px, self.photo.height_px

    def window(self, box: tuple[int, int, int, int], pitch: int) -> PhotoView:
        """The window x0, y0, x1, y1 (whole photo px) averaged over pitch x pitch pixels.

        `pitch` is a power of two; the window is cut to whole cells of it.
        """
        x0, y0, x1, y1 = (edge // pitch for edge in box)
        if pitch == 1:
            grey, calm = grey_strip(self.photo.pixels, y0, y1, x0, x1)
            return PhotoView(grey, calm == 255, float(x0), float(y0), 1.0)
        light, calm = self._level(pitch)
        cut = (slice(y0, max(y1, y0 + 1)), slice(x0, max(x1, x0 + 1)))
        lead = (pitch - 1) / 2
        grey = rooted(np.ascontiguousarray(light[cut]))
        return PhotoView(grey, calm[cut] == 255, x0 * pitch + lead, y0 * pitch + lead, float(pitch))

    def _level(self, pitch: int) -> tuple[F32, U8]:
        """Light (h, w), the square of brightness, and 255 where nothing clips (h, w)."""
        if pitch not in self._levels:
            finer = self._first() if pitch == 2 else self._level(pitch // 2)
            self._levels[pitch] = finer if pitch == 2 else (_half(finer[0]), _half(finer[1]))
        return self._levels[pitch]

    def _first(self) -> tuple[F32, U8]:
        height, width = self.photo.height_px // 2, self.photo.width_px // 2
        light = np.empty((height, width), dtype=np.float32)
        calm = np.empty((height, width), dtype=np.uint8)
        # in strips, so that no full-size float image is ever held
        for y in range(0, height, _STRIP):
            rows = slice(y, min(y + _STRIP, height))
            pixels = self.photo.pixels[2 * rows.start : 2 * rows.stop, : 2 * width]
            light[rows] = _half(_light(pixels))
            calm[rows] = _half(unclipped(pixels))
        return light, calm


def _half(image: NDArray[Any]) -> NDArray[Any]:
    """The image averaged over 2 x 2 pixels; an odd last row or column is left out."""
    height, width = image.shape[0] // 2, image.shape[1] // 2
    even = image[: max(2 * height, 1), : max(2 * width, 1)]
    return area(even, (max(width, 1), max(height, 1)))


def near_power_of_two(pitch: float) -> int:
    """The power of two nearest to `pitch` by ratio, at least 1."""
    return int(2 ** max(0, round(float(np.log2(max(pitch, 1.0))))))


@dataclass(frozen=True, slots=True)
class ArtworkView:
    """The artwork at a working scale.

    `grey` (h, w) float32 in 0..1; `solid` (h, w) float32, 1 where there is metal, or None; `rgb`
    the colours they come from, at this or a finer scale; `hue_share` a coarse map over the whole
    artwork of how much more its colour changes than its brightness. Artwork mm (x, y) lies at view
    pixel (x + bleed) * scale - 1/2 on each axis. `levels` keeps light and metal at halved sizes.
    """

    rgb: Pixels
    grey: F32
    hue_share: F32
    solid: F32 | None
    scale_x: float
    scale_y: float
    bleed_mm: float
    levels: list[tuple[F32, F32 | None]] = field(default_factory=list, repr=False, compare=False)

    def hue_share_at(self, points_mm: F64) -> F64:
        """`hue_share` (N,) at artwork points (N, 2) in mm."""
        rows, columns = self.hue_share.shape
        across = self.grey.shape[1] / self.scale_x
        down = self.grey.shape[0] / self.scale_y
        x = (points_mm[:, 0] + self.bleed_mm) / across * columns
        y = (points_mm[:, 1] + self.bleed_mm) / down * rows
        ix = np.clip(x.astype(np.intp), 0, columns - 1)
        iy = np.clip(y.astype(np.intp), 0, rows - 1)
        return np.asarray(self.hue_share[iy, ix], dtype=np.float64)

    def halved(self, factor: float) -> ArtworkView:
        """The same view smaller by `factor` <= 1."""
        height, width = self.grey.shape
        size = (max(1, round(width * factor)), max(1, round(height * factor)))
        if size == (width, height):
            return self
        light, solid, scale = self._level(int(min(width / size[0], height / size[1])).bit_length())
        down = (size[0] / light.shape[1], size[1] / light.shape[0])
        return ArtworkView(
            self.rgb,
            rooted(area(light, size)),
            self.hue_share,
            None if solid is None else area(solid, size),
            self.scale_x * scale * down[0],
            self.scale_y * scale * down[1],
            self.bleed_mm,
        )

    def _level(self, count: int) -> tuple[F32, F32 | None, float]:
        """Light and metal halved `count` - 1 times, and their scale against this view's."""
        if not self.levels:
            light = np.asarray(cv2.multiply(self.grey, self.grey), dtype=np.float32)
            self.levels.append((light, self.solid))
        while len(self.levels) < count:
            light, solid = self.levels[-1]
            self.levels.append((_half(light), None if solid is None else _half(solid)))
        return *self.levels[count - 1], 0.5 ** (count - 1)


def _hue_share(rgb: Pixels) -> F32:
    """Local spread of two colour differences over that of brightness, at about 400 px length."""
    small = shrink(rgb, min(1.0, 400 / max(rgb.shape[:2]))).astype(np.float32)
    small *= np.float32(1 / _full_range(rgb))
    r, g, b = small[..., 0], small[..., 1], small[..., 2]
    layers = np.stack([0.299 * r + 0.587 * g + 0.114 * b, r - g, (r + g) / 2 - b], axis=2)
    window = (9, 9)
    mean = cv2.blur(layers, window)
    variance = np.maximum(cv2.blur(layers * layers, window) - mean * mean, 0.0)
    bright = np.sqrt(variance[..., 0])
    colour = np.sqrt(variance[..., 1] + variance[..., 2])
    return np.asarray(colour / (bright + np.float32(0.004)), dtype=np.float32)


def artwork_view(artwork: Artwork, most_px: float) -> ArtworkView:
    """The artwork halved until it has no more than `most_px` pixels."""
    small: NDArray[Any] = artwork.pixels
    alpha: NDArray[Any] | None = artwork.alpha
    scale = 1.0
    while small.shape[0] * small.shape[1] > most_px:
        small, scale = _half(small), scale / 2
        alpha = None if alpha is None else _half(alpha)
    full_x, full_y = artwork.px_per_mm
    return ArtworkView(
        small,
        to_grey(small),
        _hue_share(small),
        None if alpha is None else alpha.astype(np.float32) / np.float32(255.0),
        full_x * scale,
        full_y * scale,
        artwork.bleed_mm,
    )
