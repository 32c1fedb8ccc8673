"""Rates, tests and intervals for small counts, each by its published method."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..records import F64


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its lower and upper bound."""

    value: float
    low: float
    high: float


def wilson(count: int, of: int, confidence: float = 0.95) -> Interval:
    """A proportion with Wilson's score interval without continuity correction.

    Wilson, JASA 22, 1927; method 3 of Newcombe, Statistics in Medicine 17, 1998. Of nothing, the
    proportion is nan and the interval 0 to 1.
    """
    from scipy.special import ndtri

    if of == 0:
        return Interval(math.nan, 0.0, 1.0)
    z = float(ndtri(0.5 + confidence / 2))
    share = count / of
    middle = (share + z * z / (2 * of)) / (1 + z * z / of)
    half = z * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of)) / (1 + z * z / of)
    # the ends are exact where nothing or everything was counted; rounding would blur them
    low = 0.0 if count == 0 else middle - half
    high = 1.0 if count == of else middle + half
    return Interval(share, low, high)


def fisher(hit: int, of: int, other_hit: int, other_of: int) -> float:
    """Two-sided p of Fisher's exact test of two proportions (Fisher 1935)."""
    from scipy.stats import fisher_exact

    table = [[hit, of - hit], [other_hit, other_of - other_hit]]
    return float(fisher_exact(table).pvalue)


def odds_ratio(
    hit: int, of: int, other_hit: int, other_of: int, confidence: float = 0.95
) -> Interval:
    """The odds ratio of two proportions with an interval.

    Woolf's interval on the logarithm with a half added to each cell (Woolf, Annals of Human
    Genetics 19, 1955; Haldane, ibid. 20, 1956; Anscombe, Biometrika 43, 1956), which stays finite
    where a cell is empty. The estimate is that of the same cells.
    """
    from scipy.special import ndtri

    cells = [hit + 0.5, of - hit + 0.5, other_hit + 0.5, other_of - other_hit + 0.5]
    log = math.log(cells[0] * cells[3] / (cells[1] * cells[2]))
    half = float(ndtri(0.5 + confidence / 2)) * math.sqrt(sum(1 / cell for cell in cells))
    return Interval(math.exp(log), math.exp(log - half), math.exp(log + half))


def exact_odds_ratio(
    hit: int, of: int, other_hit: int, other_of: int, confidence: float = 0.95
) -> Interval:
    """The conditional maximum-likelihood odds ratio with its exact interval (Fisher 1935).

    Costs more the larger the table; meant for tables of up to some thousand.
    """
    from scipy.stats.contingency import odds_ratio as conditional

    found = conditional([[hit, of - hit], [other_hit, other_of - other_hit]])
    bounds = found.confidence_interval(confidence)
    return Interval(float(found.statistic), float(bounds.low), float(bounds.high))


def trend(counts: Sequence[int], totals: Sequence[int]) -> float:
    """Two-sided p of the Cochran-Armitage test for a trend over ordered levels.

    Scores are the levels' numbers (Cochran, Biometrics 10, 1954; Armitage, ibid. 11, 1955).
    """
    from scipy.special import ndtr

    hits, all_ = np.asarray(counts, np.float64), np.asarray(totals, np.float64)
    whole, share = float(all_.sum()), float(hits.sum() / max(all_.sum(), 1))
    score = np.arange(len(hits), dtype=np.float64)
    spread = float((all_ * score**2).sum() - (all_ * score).sum() ** 2 / max(whole, 1))
    variance = share * (1 - share) * spread
    if variance <= 0:
        return 1.0
    z = float((score * (hits - all_ * share)).sum()) / math.sqrt(variance)
    return float(2 * ndtr(-abs(z)))


def differ(counts: Sequence[int], totals: Sequence[int]) -> float:
    """P of Pearson's chi-square test that several proportions are one; 1 where it says nothing."""
    from scipy.special import gammaincc

    hits, all_ = np.asarray(counts, np.float64), np.asarray(totals, np.float64)
    hits, all_ = hits[all_ > 0], all_[all_ > 0]
    share = float(hits.sum() / max(all_.sum(), 1))
    if len(hits) < 2 or share in (0.0, 1.0):
        return 1.0
    statistic = float(((hits - all_ * share) ** 2 / (all_ * share * (1 - share))).sum())
    return float(gammaincc((len(hits) - 1) / 2, statistic / 2))


def benjamini_hochberg(p_values: Sequence[float] | F64) -> F64:
    """Adjusted p values (N,): called below q, false discoveries are at most a share q of them.

    Benjamini and Hochberg, J. R. Statist. Soc. B 57, 1995.
    """
    p = np.asarray(p_values, np.float64)
    order = np.argsort(p)
    scaled = p[order] * len(p) / np.arange(1, len(p) + 1)
    adjusted = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    back = np.empty_like(adjusted)
    back[order] = adjusted
    return back
