"""Rates, tests and corrections against published examples."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dyelight.causes.statistics import (
    benjamini_hochberg,
    differ,
    exact_odds_ratio,
    fisher,
    odds_ratio,
    trend,
    wilson,
)

# Newcombe, Statistics in Medicine 17, 1998, Table I, method 3: Wilson's score interval without
# continuity correction
NEWCOMBE = [
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0, 0.1611),
    (1, 29, 0.0061, 0.1718),
]
# Benjamini and Hochberg, J. R. Statist. Soc. B 57, 1995, section 3.2
BENJAMINI_HOCHBERG = [
    *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344),
    *(0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0),
]


@pytest.mark.parametrize(("hit", "of", "low", "high"), NEWCOMBE)
def test_wilson_intervals(hit: int, of: int, low: float, high: float) -> None:
    """Newcombe's four examples, to the four places that he prints."""
    bounds = wilson(hit, of)
    assert bounds.value == pytest.approx(hit / of)
    assert bounds.low == pytest.approx(low, abs=5e-5)
    assert bounds.high == pytest.approx(high, abs=5e-5)


def test_wilson_of_nothing() -> None:
    """Of nothing, everything is possible."""
    bounds = wilson(0, 0)
    assert math.isnan(bounds.value)
    assert (bounds.low, bounds.high) == (0.0, 1.0)


def test_fishers_tea_tasting() -> None:
    """Three of four cups right: p 34/70 on both sides (Fisher, The Design of Experiments, 1935)."""
    assert fisher(3, 4, 1, 4) == pytest.approx(34 / 70, abs=1e-12)


def test_the_odds_ratio_of_the_tea_tasting() -> None:
    """The conditional estimate 6.4083 with its exact interval, computed for the same table."""
    exact = exact_odds_ratio(3, 4, 1, 4)
    assert exact.value == pytest.approx(6.408320, abs=1e-4)
    assert exact.low == pytest.approx(0.2117356, abs=1e-4)
    assert exact.high == pytest.approx(626.24353, rel=1e-3)
    plain = odds_ratio(3, 4, 1, 4)
    assert plain.low < exact.value < plain.high


def test_benjamini_and_hochbergs_example() -> None:
    """Four of fifteen are called at 5 %, where Bonferroni calls three."""
    adjusted = benjamini_hochberg(BENJAMINI_HOCHBERG)
    assert int((adjusted <= 0.05).sum()) == 4
    assert int((np.array(BENJAMINI_HOCHBERG) * 15 <= 0.05).sum()) == 3
    wanted = [
        *(0.0015, 0.003, 0.0095, 0.03562, 0.0603, 0.06386, 0.06386, 0.0645),
        *(0.0765, 0.486, 0.58118, 0.71487, 0.75323, 0.81321, 1.0),
    ]
    assert adjusted == pytest.approx(wanted, abs=5e-5)
    # whatever the order they come in
    shuffled = np.random.default_rng(4).permutation(15)
    again = benjamini_hochberg(np.array(BENJAMINI_HOCHBERG)[shuffled])
    assert again == pytest.approx(adjusted[shuffled])


def test_trend_and_difference_of_two_levels_are_one() -> None:
    """For two levels the trend test is Pearson's chi-square test: z squared is chi-square."""
    assert trend([12, 30], [100, 100]) == pytest.approx(differ([12, 30], [100, 100]), rel=1e-12)


def test_a_trend_is_found_where_levels_only_differ_a_little() -> None:
    """Ordered rates say more in their order than without it, and even ones say nothing."""
    counts, totals = [5, 9, 14, 18], [100, 100, 100, 100]
    assert trend(counts, totals) < differ(counts, totals) < 0.05
    assert trend([10, 10, 10], [100, 100, 100]) == pytest.approx(1.0)
    assert trend([0, 0], [50, 50]) == 1.0
    assert differ([0, 0], [50, 50]) == 1.0
