"""What a cubic leaves over of the colour response: a small, held-back table in three dimensions.

Node values are fitted by least squares on trilinear weights, smooth from node to node and pulled to
zero, so that a colour needs many samples before the table answers to it. A stain on the only patch
of its colour is therefore not learned as that colour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageFilter

from ..records import F32, F64

NODES = 9
_TOP = np.float32(0.9625)  # root light of white
_RANGE = np.float32(0.1)  # corrections beyond this are no longer a matter of the table
_PULL = 40.0  # samples that outweigh the pull to zero
_SMOOTH = 30.0


def _second_differences() -> F64:
    """Squared second differences along each axis of the node cube, as a matrix."""
    eye = np.eye(NODES)
    one = np.diff(eye, n=2, axis=0)
    square = one.T @ one
    return (
        np.kron(np.kron(square, eye), eye)
        + np.kron(np.kron(eye, square), eye)
        + np.kron(np.kron(eye, eye), square)
    )


@dataclass(frozen=True, slots=True)
class ColourTable:
    """Corrections `nodes` (9, 9, 9, 3) float32 in root light, indexed blue, green, red."""

    nodes: F32

    @classmethod
    def fit(cls, artwork: F32, left: F32, weight: F32, scatter: float) -> ColourTable:
        """Table of what is `left` (N, 3) at artwork root light (N, 3), by weights (N,)."""
        position = np.clip(artwork / _TOP, 0, 1).astype(np.float64) * (NODES - 1)
        low = np.minimum(position.astype(np.intp), NODES - 2)
        part = position - low
        size = NODES**3
        corners, shares = [], []
        for corner in range(8):
            bits = np.array([corner & 1, corner >> 1 & 1, corner >> 2 & 1])
            at = low + bits
            share = np.prod(np.where(bits, part, 1 - part), axis=1)
            corners.append((at[:, 2] * NODES + at[:, 1]) * NODES + at[:, 0])
            shares.append(share)
        gram = np.zeros(size * size)
        right = np.zeros((size, 3))
        for i in range(8):
            for c in range(3):
                right[:, c] += np.bincount(corners[i], shares[i] * weight * left[:, c], size)
            for j in range(8):
                both = corners[i] * size + corners[j]
                gram += np.bincount(both, shares[i] * shares[j] * weight, size * size)
        matrix = gram.reshape(size, size) + _SMOOTH * _second_differences()
        matrix[np.diag_indices(size)] += _PULL
        nodes = np.linalg.solve(matrix, right).reshape(NODES, NODES, NODES, 3)
        return cls(np.clip(nodes, -_RANGE, _RANGE).astype(np.float32))

    def add_to(self, expected: F32, artwork: F32) -> None:
        """Add the corrections for artwork root light (H, W, 3) to `expected` (H, W, 3), in place."""
        largest = float(np.abs(self.nodes).max())
        if largest < 1e-4:
            return
        codes = np.clip(artwork * (255 / _TOP), 0, 255).astype(np.uint8)
        values = self.nodes / (2 * largest) + 0.5
        lookup = ImageFilter.Color3DLUT(NODES, values.reshape(-1).tolist())
        found = np.asarray(Image.fromarray(codes).filter(lookup), np.float32)
        expected += (found / np.float32(255) - np.float32(0.5)) * np.float32(2 * largest)
