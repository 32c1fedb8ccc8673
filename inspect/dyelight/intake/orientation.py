"""Turning a picture upright by the orientation that its camera wrote down."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

EXIF_ORIENTATION = 0x0112


def orientation_of(exif: Image.Exif) -> int:
    """The Exif orientation, 1 to 8; 1 where there is none or where it makes no sense."""
    value = exif.get(EXIF_ORIENTATION)
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def upright(pixels: NDArray[Any], orientation: int) -> NDArray[Any]:
    """The picture (H, W, ...) as it should be looked at, contiguous, by Exif orientation 1 to 8.

    Exif 2.32, tag 0x0112: 2 mirrored, 3 half turn, 4 flipped, 5 transposed, 6 a quarter turn to the
    right, 7 transposed over the other diagonal, 8 a quarter turn to the left.
    """
    if orientation >= 5:
        pixels = pixels.swapaxes(0, 1)
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    return np.ascontiguousarray(pixels)
