"""Control charts for attributes: c, u and p, with Laney's correction where counts spread too much.

Limits are three standard deviations either side of the centre, not below 0 and for shares not above
1. Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3; Laney, Improved control charts
for attributes, Quality Engineering 14(4), 2002.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

_SIGMAS = 3.0
# the mean range of two draws from a normal distribution, in standard deviations
_D2 = 1.128
# the mean moving range of k normal points scatters by about this share over the root of k; beyond
# two such errors the spread is more than chance. From var(|z1 - z2|), with the neighbours' overlap
_SPREAD_ERROR = 0.909
_SPREAD_ERRORS = 2.0


@dataclass(frozen=True, slots=True)
class Chart:
    """A control chart: points, centre, and each point's limits.

    `out` holds the places, from 0, of points beyond their limits. `sigma_z` is how much wider the
    points scatter than their distribution lets expect, 1 where nothing was corrected; None for the
    plain charts.
    """

    kind: Literal["c", "u", "p", "u'", "p'"]
    values: NDArray[np.float64]
    centre: float
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    sigma_z: float | None = None

    @property
    def out(self) -> tuple[int, ...]:
        """The places of points outside their limits; one on a limit is inside."""
        beyond = (self.values > self.upper) | (self.values < self.lower)
        return tuple(int(place) for place in np.flatnonzero(beyond))


def c_chart(counts: Sequence[int]) -> Chart:
    """Counts of defects on units of one size (Poisson). ValueError without counts."""
    values = _checked(counts)
    centre = float(values.mean())
    half = _SIGMAS * math.sqrt(centre)
    ones = np.ones_like(values)
    return Chart("c", values, centre, max(0.0, centre - half) * ones, (centre + half) * ones)


def u_chart(counts: Sequence[int], units: Sequence[float], *, laney: bool = False) -> Chart:
    """Counts of defects for each unit of size, where sizes differ; with `laney` the u' chart."""
    values, sizes = _checked(counts), _checked(units)
    centre = float(values.sum() / sizes.sum())
    sigma = np.sqrt(centre / sizes)
    return _rate_chart("u", values / sizes, centre, sigma, math.inf, laney)


def p_chart(bad: Sequence[int], taken: Sequence[int], *, laney: bool = False) -> Chart:
    """Shares of bad units in samples (binomial); with `laney` the p' chart."""
    values, sizes = _checked(bad), _checked(taken)
    centre = float(values.sum() / sizes.sum())
    sigma = np.sqrt(centre * (1 - centre) / sizes)
    return _rate_chart("p", values / sizes, centre, sigma, 1.0, laney)


def _rate_chart(
    kind: Literal["u", "p"],
    values: NDArray[np.float64],
    centre: float,
    sigma: NDArray[np.float64],
    top: float,
    laney: bool,
) -> Chart:
    spread = sigma_z(values, centre, sigma) if laney else None
    half = _SIGMAS * sigma * (1.0 if spread is None else spread)
    word: Literal["u", "p", "u'", "p'"] = kind
    if laney:
        word = "u'" if kind == "u" else "p'"
    return Chart(
        word,
        values,
        centre,
        np.maximum(centre - half, 0.0),
        np.minimum(centre + half, top),
        spread,
    )


def sigma_z(values: NDArray[np.float64], centre: float, sigma: NDArray[np.float64]) -> float:
    """Laney's spread of the standardised points, from their mean moving range; 1 where undefined.

    It looks at neighbours only, so that a slow drift does not widen the limits it should cross.
    """
    if len(values) < 2 or not np.all(sigma > 0):
        return 1.0
    z = (values - centre) / sigma
    return float(np.abs(np.diff(z)).mean() / _D2)


def spreads_too_much(chart: Chart, sigma: NDArray[np.float64]) -> bool:
    """Whether a plain u or p chart's points scatter more than chance lets neighbours scatter."""
    points = len(chart.values)
    if points < 2:
        return False
    limit = 1.0 + _SPREAD_ERRORS * _SPREAD_ERROR / math.sqrt(points - 1)
    return sigma_z(chart.values, chart.centre, sigma) > limit


def corrected_u(counts: Sequence[int], units: Sequence[float]) -> Chart:
    """The u chart, or Laney's u' where the counts spread too much."""
    plain = u_chart(counts, units)
    sigma = np.sqrt(plain.centre / _checked(units))
    return u_chart(counts, units, laney=True) if spreads_too_much(plain, sigma) else plain


def corrected_p(bad: Sequence[int], taken: Sequence[int]) -> Chart:
    """The p chart, or Laney's p' where the shares spread too much."""
    plain = p_chart(bad, taken)
    sigma = np.sqrt(plain.centre * (1 - plain.centre) / _checked(taken))
    return p_chart(bad, taken, laney=True) if spreads_too_much(plain, sigma) else plain


def _checked(numbers: Sequence[float]) -> NDArray[np.float64]:
    values = np.asarray(numbers, np.float64)
    if values.ndim != 1 or not len(values) or not np.all(np.isfinite(values)) or values.min() < 0:
        raise ValueError("a chart needs finite numbers, none below 0.")
    return values
