"""Tests of patterns against chance: p values, and how many of them may be believed together.

A p value here is the chance of a difference at least as large where there is none.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


def more_often(bad_here: int, all_here: int, bad_elsewhere: int, all_elsewhere: int) -> float:
    """P that a group has at least this many bad by chance: Fisher's exact test, one-sided."""
    from scipy.stats import hypergeom

    whole = all_here + all_elsewhere
    return float(hypergeom.sf(bad_here - 1, whole, bad_here + bad_elsewhere, all_here))


def rises(x: NDArray[np.float64], bad: NDArray[np.bool_]) -> float:
    """P that bad ones lie so far towards large x by chance, one-sided.

    The permutation distribution of the sum of x's ranks over the bad ones, by its mean and
    variance: the rank-sum test (Wilcoxon, Biometrics Bulletin 1, 1945) with ties and continuity
    correction. 1 where x or bad does not vary.
    """
    from scipy.stats import norm, rankdata

    n, k = len(x), int(bad.sum())
    if k in (0, n) or n < 3:
        return 1.0
    ranks = rankdata(x)
    spread = float(ranks.var())
    if spread == 0:
        return 1.0
    mean = k * (n + 1) / 2
    sigma = math.sqrt(k * (n - k) / (n - 1) * spread)
    return float(norm.sf((float(ranks[bad].sum()) - mean - 0.5) / sigma))


def one_way(vectors: NDArray[np.float64]) -> float:
    """P that directions (N, 2) point one way by chance: Rayleigh's test, good from few points on.

    Source: Greenwood and Durand, Annals of Mathematical Statistics 26, 1955; the closed form is
    exp(sqrt(1 + 4 n + 4 (n^2 - R^2)) - (1 + 2 n)), as in Zar, Biostatistical Analysis.
    """
    lengths = np.hypot(vectors[:, 0], vectors[:, 1])
    units = vectors[lengths > 0] / lengths[lengths > 0, None]
    n = len(units)
    if n < 2:
        return 1.0
    resultant = float(np.hypot(*units.sum(axis=0)))
    return min(1.0, math.exp(math.sqrt(1 + 4 * n + 4 * (n * n - resultant**2)) - (1 + 2 * n)))


def believed(p_values: Sequence[float], share_false: float) -> list[bool]:
    """Which may be believed so that on average at most this share of the believed are false.

    Benjamini and Hochberg, Journal of the Royal Statistical Society B 57, 1995. Where nothing is
    true at all, this is also the chance of believing anything.
    """
    return [adjusted <= share_false for adjusted in adjusted_p(p_values)]


def adjusted_p(p_values: Sequence[float]) -> list[float]:
    """Benjamini and Hochberg's adjusted p values, in the given order."""
    if not p_values:
        return []
    p = np.asarray(p_values, np.float64)
    order = np.argsort(p, kind="stable")
    scaled = p[order] * len(p) / np.arange(1, len(p) + 1)
    rising = np.minimum.accumulate(scaled[::-1])[::-1]
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(rising, 1.0)
    return [float(value) for value in adjusted]


def share_interval(count: int, whole: int, level: float = 0.95) -> tuple[float, float]:
    """Wilson's interval of a share (Newcombe, Statistics in Medicine 17, 1998, method 3)."""
    from scipy.stats import norm

    if whole == 0:
        return 0.0, 1.0
    z = float(norm.ppf(0.5 + level / 2))
    p = count / whole
    middle = (2 * count + z * z) / (2 * (whole + z * z))
    half = z * math.sqrt(z * z + 4 * whole * p * (1 - p)) / (2 * (whole + z * z))
    return max(0.0, middle - half), min(1.0, middle + half)
