"""One factor tested with all others held: a score test made from cross tables.

The model adds up, as in `intensity`; the variance is that of a yes or no under the model without
the factor (Rao, Proc. Camb. Phil. Soc. 44, 1948; Boos, American Statistician 46, 1992, for the
general form). Nothing is fitted row by row, so that it is quick on a long log.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..records import F64
from .levels import Codes

_RIDGE = 1e-9


def going_along(one: Codes, two: Codes) -> float:
    """How closely two factors go along, 0 to 1, where both are known.

    The largest canonical correlation of their cross table (Hirschfeld, Proc. Camb. Phil. Soc. 31,
    1935): 1 where a level of one says for sure which levels of the other may be.
    """
    known = (one >= 0) & (two >= 0)
    if not known.any():
        return 0.0
    wide = int(two.max()) + 1
    table = np.bincount(one[known] * wide + two[known], minlength=(int(one.max()) + 1) * wide)
    share = table.reshape(-1, wide) / table.sum()
    rows, columns = share.sum(axis=1), share.sum(axis=0)
    share = share[rows > 0][:, columns > 0]
    rows, columns = rows[rows > 0], columns[columns > 0]
    if len(rows) < 2 or len(columns) < 2:
        return 0.0
    scaled = share / np.sqrt(np.outer(rows, columns))
    return float(np.linalg.svd(scaled, compute_uv=False)[1])


def adjusted_p(
    codes: Sequence[Codes],
    hit: F64,
    least_expected: int,
    alike: Sequence[frozenset[int]] | None = None,
) -> list[float]:
    """P of each factor with all others held, by the score test of the module's head.

    `codes` are F arrays (N,) of levels, -1 where not known; `hit` (N,) is 1.0 where the kind shows.
    Levels of fewer than `least_expected` panels are tested together. `alike` holds for each factor
    the numbers of those that are not held.
    """
    from scipy.special import gammaincc

    merged = [_merged(code, least_expected) for code in codes]
    design = _Design(merged)
    right = design.sums(hit)
    found = []
    for number in range(len(merged)):
        own, rest = design.columns(number, frozenset() if alike is None else alike[number])
        if not len(own):
            found.append(1.0)
            continue
        gram_rest = design.gram[np.ix_(rest, rest)]
        ridge = _RIDGE * np.trace(gram_rest) / len(rest) * np.eye(len(rest))
        onto = np.linalg.solve(gram_rest + ridge, design.gram[np.ix_(rest, own)])
        without = np.zeros(design.size)
        without[rest] = np.linalg.solve(gram_rest + ridge, right[rest])
        chance = np.clip(design.predict(without), 1e-4, 1 - 1e-4)
        score = right[own] - design.gram[np.ix_(own, rest)] @ without[rest]
        spread = design.weighted(chance * (1 - chance))
        turn = np.zeros((design.size, len(own)))
        turn[rest] = -onto
        turn[own] = np.eye(len(own))
        variance = turn.T @ spread @ turn
        values, vectors = np.linalg.eigh(variance)
        # directions that the other factors decide wholly carry nothing
        kept = values > 1e-6 * max(values.max(), 1e-12)
        along = vectors[:, kept].T @ score
        statistic = float((along**2 / values[kept]).sum())
        found.append(float(gammaincc(int(kept.sum()) / 2, statistic / 2)) if kept.any() else 1.0)
    return found


def _merged(codes: Codes, least: int) -> Codes:
    """Levels 0.. with small ones joined; not known is a level of its own where it is large."""
    shifted = codes - codes.min()
    counts = np.bincount(shifted)
    large = np.flatnonzero(counts >= least)
    place = np.full(len(counts), len(large), dtype=np.int64)
    place[large] = np.arange(len(large))
    joined: Codes = place[shifted]
    return joined


class _Design:
    """The one-hot design of all factors, its products made from cross tables instead of rows."""

    def __init__(self, codes: Sequence[Codes]) -> None:
        self._codes = codes
        sizes = [int(code.max()) + 1 for code in codes]
        # column 0 is the constant; each factor's first level is left out
        self._starts = np.cumsum([1, *[size - 1 for size in sizes]]).tolist()
        self._sizes = sizes
        self.size = int(self._starts[-1])
        # the cell of each pair of factors that a panel lies in, worked out once for all products
        self._cells = {
            (one, two): code * sizes[two] + codes[two]
            for one, code in enumerate(codes)
            for two in range(one + 1)
        }
        self.gram = self.weighted(np.ones(len(codes[0])))

    def columns(self, number: int, without: frozenset[int]) -> tuple[Codes, Codes]:
        """The columns of one factor, and of all others but those in `without`."""
        every = np.arange(self.size)
        own, left = np.zeros(self.size, np.bool_), np.zeros(self.size, np.bool_)
        own[self._starts[number] : self._starts[number + 1]] = True
        for other in without:
            left[self._starts[other] : self._starts[other + 1]] = True
        return every[own], every[~own & ~left]

    def sums(self, values: F64) -> F64:
        """The design's transpose times values (N,)."""
        total = np.zeros(self.size)
        total[0] = values.sum()
        for number, code in enumerate(self._codes):
            own = slice(self._starts[number], self._starts[number + 1])
            total[own] = np.bincount(code, values, self._sizes[number])[1:]
        return total

    def predict(self, coefficients: F64) -> F64:
        """The design times coefficients: (N,)."""
        total = np.full(len(self._codes[0]), coefficients[0])
        for number, code in enumerate(self._codes):
            own = coefficients[self._starts[number] : self._starts[number + 1]]
            total += np.concatenate([[0.0], own])[code]
        return total

    def weighted(self, weights: F64) -> F64:
        """The design's transpose times weights times the design: (K, K)."""
        table = np.zeros((self.size, self.size))
        table[0] = self.sums(weights)
        for one in range(len(self._codes)):
            rows = slice(self._starts[one], self._starts[one + 1])
            for two in range(one + 1):
                columns = slice(self._starts[two], self._starts[two + 1])
                wide = self._sizes[two]
                cross = np.bincount(
                    self._cells[one, two], weights, self._sizes[one] * wide
                ).reshape(self._sizes[one], wide)
                table[rows, columns] = cross[1:, 1:]
                table[columns, rows] = cross[1:, 1:].T
        table[:, 0] = table[0]
        return table
