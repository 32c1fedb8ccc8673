"""What a cubic leaves over of the colour response: a small, held-back table in three dimensions.

Node values are fitted by least squares on trilinear weights, smooth from node to node and pulled to
zero, so that a colour needs many samples before the table answers to it. A stain on the only patch
of its colour is therefore not learned as that colour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solveh_banded

from ..records import F32, F64
from .rootlight import TOP

NODES = 9
_BELOW_TOP = 1 - 1e-6
_FINE = 64  # cells each way that the nodes are drawn out to, so that a look-up needs no weights
_RANGE = np.float32(0.1)  # corrections beyond this are no longer a matter of the table
_PULL = 8.0  # samples that outweigh the pull to zero
_SMOOTH = 5.0


def _add_smoothness(matrix: F64) -> None:
    """Add the squared second differences along each axis of the node cube to the normal matrix."""
    second = np.diff(np.eye(NODES), n=2, axis=0)
    square = _SMOOTH * (second.T @ second)
    cube = matrix.reshape((NODES,) * 6)
    # views of the entries in which the other two axes agree
    for axes in ("agrbgr->grab", "agrahr->argh", "agrags->agrs"):
        np.einsum(axes, cube)[...] += square


@dataclass(frozen=True, slots=True)
class ColourTable:
    """Corrections in root light: `nodes` (9, 9, 9, 3) float32, indexed blue, green, red.

    `cells` (3, 64^3) float32 holds the same drawn out.
    """

    nodes: F32
    cells: F32

    @classmethod
    def fit(cls, artwork: F32, left: F32, weight: F32) -> ColourTable:
        """Table of what is `left` (N, 3) at artwork root light (N, 3), by weights (N,)."""
        position = np.clip(artwork / TOP, 0, 1).astype(np.float64) * (NODES - 1)
        low = np.minimum(position.astype(np.intp), NODES - 2)
        part = position - low
        size = NODES**3
        corners = np.empty((8, len(artwork)), np.intp)
        shares = np.empty((8, len(artwork)))
        for corner in range(8):
            bits = np.array([corner & 1, corner >> 1 & 1, corner >> 2 & 1])
            at = low + bits
            shares[corner] = np.prod(np.where(bits, part, 1 - part), axis=1)
            corners[corner] = (at[:, 2] * NODES + at[:, 1]) * NODES + at[:, 0]
        weighted = shares * weight
        right = np.stack(
            [np.bincount(corners.ravel(), (weighted * left[:, c]).ravel(), size) for c in range(3)],
            axis=1,
        )
        pairs = (corners[:, None] * size + corners[None]).ravel()
        gram = np.bincount(pairs, (weighted[:, None] * shares[None]).ravel(), size * size)
        matrix: F64 = np.asarray(gram.reshape(size, size), np.float64)
        _add_smoothness(matrix)
        matrix[np.diag_indices(size)] += _PULL
        # no node is tied to one farther off than two along the first axis
        lower = np.zeros((2 * NODES**2 + 1, size))
        for k, diagonal in enumerate(lower):
            diagonal[: size - k] = matrix.diagonal(-k)
        nodes = solveh_banded(lower, right, lower=True).reshape(NODES, NODES, NODES, 3)
        return cls.from_nodes(np.clip(nodes, -_RANGE, _RANGE).astype(np.float32))

    @classmethod
    def from_nodes(cls, nodes: F32) -> ColourTable:
        """The table with these nodes (9, 9, 9, 3)."""
        position = (np.arange(_FINE) + 0.5) / _FINE * (NODES - 1)
        tent = np.maximum(1 - np.abs(position[:, None] - np.arange(NODES)), 0).astype(np.float32)
        # drawn out along red, then green, then blue
        red = np.moveaxis(nodes, 3, 0).reshape(-1, NODES) @ tent.T
        green = tent @ red.reshape(-1, NODES, _FINE)
        blue = tent @ green.reshape(3, NODES, -1)
        return cls(nodes, np.asarray(blue.reshape(3, -1), np.float32))

    def add_to(self, expected: F32, artwork: F32) -> None:
        """Add the corrections for artwork root light (3, N) to `expected` (3, N), in place."""
        # a little less than the cells each way, so that the top lies in the last
        red, green, index = (artwork * (np.float32(_FINE * _BELOW_TOP) / TOP)).astype(np.int32)
        index *= _FINE
        index += green
        index *= _FINE
        index += red
        expected += self.cells.take(index, axis=1, mode="clip")
