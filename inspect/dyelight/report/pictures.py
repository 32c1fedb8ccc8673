"""The squared-up pictures that reports show: as seen, as expected, and the difference."""

from __future__ import annotations

import cv2
import numpy as np

from ..colour import encode_srgb_u8
from ..imaging import from_cells, sample, strips
from ..look import Difference
from ..look.rootlight import linear_from_root
from ..records import Photo, Pictures

LONG_SIDE_PX = 2000
_CELL_PX = 16
_STRIP_PX = 64
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
    # nodes at the middles of cells, one cell more on each side
    xs = (_CELL_PX * (np.arange(-(-size[0] // _CELL_PX) + 2) - 0.5)) / px_per_mm
    ys = (_CELL_PX * (np.arange(-(-size[1] // _CELL_PX) + 2) - 0.5)) / px_per_mm
    mm = difference.to_artwork_mm(np.stack(np.meshgrid(xs, ys), -1).reshape(-1, 2))
    photo_nodes, frame_nodes = (
        points.astype(np.float32).reshape(len(ys), len(xs), 2)
        for points in (difference.to_photo_px(mm), difference.panel.to_px(mm))
    )
    pixels = (
        photo.pixels if photo.pixels.dtype == np.uint8 else (photo.pixels >> 8).astype(np.uint8)
    )
    root = np.maximum(difference.panel.expected, 0)
    drawn = encode_srgb_u8(np.clip(linear_from_root(root, root), 0, 1, out=root))
    # OpenCV reads four channels twice as quickly as three, once they are there
    drawn = np.asarray(cv2.cvtColor(drawn, cv2.COLOR_RGB2RGBA), np.uint8)
    observed, expected = np.empty((2, size[1], size[0], 3), np.uint8)
    # strip by strip, so that the places of pixels stay in the processor's cache
    for rows in strips(size[1], _STRIP_PX):
        columns = slice(0, size[0])
        observed[rows] = sample(pixels, from_cells(photo_nodes, _CELL_PX, rows, columns))
        here = sample(drawn, from_cells(frame_nodes, _CELL_PX, rows, columns))
        cv2.cvtColor(here, cv2.COLOR_RGBA2RGB, dst=expected[rows])
    apart = cv2.addWeighted(observed, _STRETCH, expected, -_STRETCH, 128)
    return Pictures(
        observed=observed,
        expected=expected,
        difference=np.asarray(apart, np.uint8),
        px_per_mm=px_per_mm,
    )
