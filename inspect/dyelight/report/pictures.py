"""The squared-up pictures that reports show: as seen, as expected, and the difference."""

from __future__ import annotations

import numpy as np

from ..colour import encode_srgb_u8
from ..imaging import sample, warped
from ..look import Difference
from ..look.rootlight import linear_from_root
from ..records import F32, F64, Photo, Pictures

LONG_SIDE_PX = 2000
_STRETCH = 6.0  # differences are shown this many times as strong


def squared_up_pictures(photo: Photo, difference: Difference) -> Pictures:
    """The panel squared up, uint8 sRGB (H, W, 3): photo, expected look, stretched difference."""
    artwork = difference.artwork
    long_mm = max(artwork.width_mm, artwork.height_mm)
    px_per_mm = min(LONG_SIDE_PX / long_mm, difference.photo.px_per_mm)
    size = (
        max(1, round(artwork.width_mm * px_per_mm)),
        max(1, round(artwork.height_mm * px_per_mm)),
    )
    xs = (np.arange(0, size[0] + 16, 16) + 0.5) / px_per_mm
    ys = (np.arange(0, size[1] + 16, 16) + 0.5) / px_per_mm
    mm = difference.to_artwork_mm(np.stack(np.meshgrid(xs, ys), -1).reshape(-1, 2))
    photo_at = _dense(difference.picture.to_photo(mm), len(ys), len(xs), size)
    pixels = (
        photo.pixels if photo.pixels.dtype == np.uint8 else (photo.pixels >> 8).astype(np.uint8)
    )
    observed = sample(pixels, photo_at)
    frame_at = _dense(difference.panel.to_px(mm), len(ys), len(xs), size)
    expected_root = sample(difference.panel.expected, frame_at)
    expected = encode_srgb_u8(np.clip(linear_from_root(np.maximum(expected_root, 0)), 0, 1))
    apart = (observed.astype(np.float32) - expected) * _STRETCH + 128
    return Pictures(
        observed=np.asarray(observed, np.uint8),
        expected=expected,
        difference=np.clip(apart, 0, 255).astype(np.uint8),
        px_per_mm=px_per_mm,
    )


def _dense(points: F64, rows: int, columns: int, size: tuple[int, int]) -> F32:
    """A grid known every 16 px from the first pixel on, drawn at every pixel."""
    grid = points.astype(np.float32).reshape(rows, columns, 2)
    # node k lies at pixel 16 k: an affine warp keeps that, a resize would shift by half a cell
    return np.asarray(warped(grid, np.array([[1 / 16, 0, 0], [0, 1 / 16, 0]]), size), np.float32)
