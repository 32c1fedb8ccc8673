"""Root light: the scale on which photo and expectation are subtracted.

A photon count varies with its own root, so the root of linear light has nearly the same noise from
shadow to highlight (the variance-stabilising root of Anscombe, Biometrika 35, 1948). A small offset
keeps the slope finite at black; it is chosen so that the slope there equals sRGB's own 12.92, since
the file's eight-bit steps and its compression live on that scale.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..colour import decode_srgb
from ..records import F32

# slope at black of sqrt(x + e) is 1 / (2 sqrt(e)) = 12.92
OFFSET = np.float32((1 / (2 * 12.92)) ** 2)
ROOT_OFFSET = np.float32(np.sqrt(OFFSET))
# root light at the top of a photo's range, over which no channel reads
TOP = np.float32(np.sqrt(1 + OFFSET) - np.sqrt(OFFSET))


def root_from_linear(linear: F32, out: F32 | None = None) -> F32:
    """Root light, float32 of any shape, of linear light (values under zero count as zero).

    `out` may be `linear` itself.
    """
    root: F32 = np.maximum(linear, np.float32(0), out=out)
    root += OFFSET
    np.sqrt(root, out=root)
    root -= ROOT_OFFSET
    return root


def linear_from_root(root: F32, out: F32 | None = None) -> F32:
    """Linear light of root light, the inverse of `root_from_linear`. `out` may be `root` itself."""
    linear: F32 = np.add(root, ROOT_OFFSET, out=out)
    linear *= linear
    linear -= OFFSET
    return linear


_ROOT_OF_8BIT = root_from_linear(decode_srgb(np.arange(256, dtype=np.uint8)))


def root_from_pixels(pixels: NDArray[Any], out: F32 | None = None) -> F32:
    """Root light, float32 of the same shape, of sRGB-encoded uint8 or uint16 pixels."""
    if pixels.dtype == np.uint8:
        return np.asarray(cv2.LUT(pixels, _ROOT_OF_8BIT, dst=out), np.float32)
    root = decode_srgb(pixels)
    return root_from_linear(root, root if out is None else out)
