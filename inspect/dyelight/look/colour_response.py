"""Colour response: artwork root light to photo root light under mean light.

A cubic polynomial in the three artwork channels (polynomial colour correction, see Finlayson,
Mackiewicz, Hurlbert, IEEE TIP 24(5), 2015), and a small table of what it leaves over.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..records import F32
from .colour_table import ColourTable

TERMS = 20
_CHUNK = 1 << 13  # pixels whose terms fit the cache
# each monomial from the fifth on is the product of two earlier ones
_PRODUCTS = (
    *((1, 1), (2, 2), (3, 3), (1, 2), (2, 3), (3, 1)),
    *((4, 1), (5, 2), (6, 3)),
    *((4, 2), (4, 3), (5, 1), (5, 3), (6, 1), (6, 2), (7, 3)),
)


def terms(root: F32, out: F32 | None = None) -> F32:
    """The 20 monomials up to degree 3 of root light (3, N), as (20, N) float32."""
    rows = np.empty((TERMS, root.shape[1]), np.float32) if out is None else out[:, : root.shape[1]]
    rows[0] = 1
    rows[1:4] = root
    for row, (a, b) in enumerate(_PRODUCTS, start=4):
        np.multiply(rows[a], rows[b], out=rows[row])
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
        planes: F32 = np.asarray(np.stack(cv2.split(np.ascontiguousarray(root))), np.float32)
        self.apply_to_planes(planes.reshape(3, -1))
        return np.asarray(cv2.merge(list(planes)), np.float32)

    def apply_to_planes(self, planes: F32) -> None:
        """Turn artwork root light (3, N) into expected root light, in place."""
        size = planes.shape[1]
        rows = np.empty((TERMS, min(_CHUNK, size)), np.float32)
        for start in range(0, size, _CHUNK):
            part = planes[:, start : start + _CHUNK]
            expected = self.weights @ terms(part, rows)
            if self.table is not None:
                self.table.add_to(expected, part)
            part[...] = expected
