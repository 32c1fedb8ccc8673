"""Colour response: artwork root light to photo root light under mean light.

A cubic polynomial in the three artwork channels (polynomial colour correction, see Finlayson,
Mackiewicz, Hurlbert, IEEE TIP 24(5), 2015), and a small table of what it leaves over.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..imaging import lined_up
from ..records import F32
from .colour_table import ColourTable

TERMS = 20
_CHUNK = 6 << 10  # pixels whose terms fit the cache
# each monomial from the fifth on is the product of two earlier ones, some at a time in one step
_PRODUCTS = (
    (slice(4, 7), slice(1, 4), slice(1, 4)),
    (slice(7, 9), slice(1, 3), slice(2, 4)),
    (slice(9, 10), slice(3, 4), slice(1, 2)),
    (slice(10, 13), slice(4, 7), slice(1, 4)),
    (slice(13, 15), slice(4, 5), slice(2, 4)),
    (slice(15, 17), slice(5, 6), slice(1, 4, 2)),
    (slice(17, 19), slice(6, 7), slice(1, 3)),
    (slice(19, 20), slice(7, 8), slice(3, 4)),
)


def terms(root: F32, out: F32 | None = None) -> F32:
    """The 20 monomials up to degree 3 of root light (3, N), as (20, N) float32."""
    rows = np.empty((TERMS, root.shape[1]), np.float32) if out is None else out[:, : root.shape[1]]
    rows[0] = 1
    rows[1:4] = root
    for product, one, other in _PRODUCTS:
        np.multiply(rows[one], rows[other], out=rows[product])
    return rows


@dataclass(frozen=True, slots=True)
class ColourResponse:
    """Response from artwork root light to photo root light under mean light.

    `weights` (3, 20) float32 is the cubic, `table` what the cubic leaves over, or None.
    """

    weights: F32
    table: ColourTable | None = None

    def apply(self, root: F32) -> F32:
        """Expected root light (H, W, 3) of artwork root light (H, W, 3)."""
        planes = np.empty((3, *root.shape[:2]), np.float32)
        cv2.mixChannels([np.ascontiguousarray(root)], list(planes), [0, 0, 1, 1, 2, 2])
        self.apply_to_planes(planes.reshape(3, -1))
        return np.asarray(cv2.merge(list(planes)), np.float32)

    def apply_to_planes(self, planes: F32) -> None:
        """Turn artwork root light (3, N) into expected root light, in place."""
        size = planes.shape[1]
        rows = lined_up((TERMS, min(_CHUNK, size)))
        for start in range(0, size, _CHUNK):
            part = planes[:, start : start + _CHUNK]
            expected = self.weights @ terms(part, rows)
            if self.table is not None:
                self.table.add_to(expected, part)
            part[...] = expected
