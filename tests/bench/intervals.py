"""Intervals for rates and medians."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

_Z95 = 1.959964  # two-sided 95 % point of the standard normal distribution


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its 95 % interval, from `n` cases; NaN where there are none."""

    value: float
    low: float
    high: float
    n: int


def wilson(hits: int, n: int) -> Estimate:
    """A rate with its score interval (Wilson, JASA 22, 1927)."""
    if n == 0:
        return Estimate(float("nan"), float("nan"), float("nan"), 0)
    p, z2 = hits / n, _Z95**2
    middle = (p + z2 / (2 * n)) / (1 + z2 / n)
    half = _Z95 * sqrt(p * (1 - p) / n + z2 / (4 * n * n)) / (1 + z2 / n)
    return Estimate(p, max(middle - half, 0.0), min(middle + half, 1.0), n)


def bootstrap(values: Sequence[float], quantile: float | None = 0.5, seed: int = 0) -> Estimate:
    """A quantile (None: the mean) with its percentile bootstrap interval (Efron, 1979)."""
    data = np.asarray(values, np.float64)
    if data.size == 0:
        return Estimate(float("nan"), float("nan"), float("nan"), 0)
    rng = np.random.default_rng(seed)
    drawn = data[rng.integers(0, data.size, (1000, data.size))]
    if quantile is None:
        value, many = float(data.mean()), drawn.mean(axis=1)
    else:
        value, many = float(np.quantile(data, quantile)), np.quantile(drawn, quantile, axis=1)
    low, high = np.quantile(many, [0.025, 0.975])
    return Estimate(value, float(low), float(high), int(data.size))
