"""Light that a glossy face adds to the print's own without passing the dye.

It adds up in linear light, while photo and expectation are held against each other in root light.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..records import F32
from .rootlight import OFFSET, ROOT_OFFSET

_LEAST_LEFT = np.float32(0.25) * OFFSET  # linear light that no veil under zero takes away


def veil_slope(expected: F32) -> F32:
    """Change of root light per unit of linear light added, at expected root light."""
    return np.asarray(0.5 / (np.maximum(expected, 0) + ROOT_OFFSET), np.float32)


def under_veil(lit: F32, veil: F32) -> F32:
    """Root light, float32 of any shape, of print `lit` in root light with linear light added."""
    return np.asarray(veiled(lit, veil)[0], np.float32)


def veiled(lit: NDArray[Any], veil: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Root light under a veil and its change with the print's own root light, of any float dtype.

    A response may draw a little under black, where there is no light; it goes on straight there.
    """
    own = np.maximum(lit, 0) + ROOT_OFFSET
    whole = np.sqrt(np.maximum(own * own + veil, _LEAST_LEFT))
    through = own / whole
    return whole - ROOT_OFFSET + through * np.minimum(lit, 0), through
