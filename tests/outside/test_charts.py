"""Control charts and tests of chance against worked examples that others published."""

from __future__ import annotations

import csv
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from dyelight.runs.agreement import kappa
from dyelight.runs.charts import c_chart, corrected_p, p_chart, u_chart
from dyelight.runs.tests_of_chance import adjusted_p, believed, more_often, share_interval

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.1: defects on 25 wafers
WAFERS = [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14]
WAFERS += [16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13]
# NIST/SEMATECH e-Handbook, 6.3.3.2, and Montgomery, Introduction to Statistical Quality Control:
# nonconforming of 50 cans in each of 30 samples
CANS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22]
CANS += [8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]
# Montgomery: defects on 26 samples of 100 circuit boards
BOARDS = [21, 24, 16, 12, 15, 5, 28, 20, 31, 25, 20, 24, 16]
BOARDS += [19, 10, 17, 13, 22, 18, 39, 30, 24, 16, 19, 17, 15]
# Montgomery: defects on ten rolls of dyed cloth, and the rolls' inspection units
CLOTH = [14, 12, 20, 11, 7, 10, 21, 16, 19, 23]
CLOTH_UNITS = [10, 8, 13, 10, 9.5, 10, 12, 10.5, 12, 12.5]
LANEY = Path(__file__).parent / "data" / "laney_nhs_accidents.csv"


def test_nist_c_chart() -> None:
    """Centre 16, limits 4 and 28; sample 3 lies on its limit, sample 24 beyond it."""
    chart = c_chart(WAFERS)
    assert (chart.centre, chart.lower[0], chart.upper[0]) == (16.0, 4.0, 28.0)
    assert chart.out == (23,)


def test_nist_p_chart_and_its_revision() -> None:
    """Samples 15 and 23 lie outside; without them 21 does as well."""
    chart = p_chart(CANS, [50] * 30)
    assert chart.centre == pytest.approx(0.2313333, abs=1e-6)
    assert chart.upper[0] == pytest.approx(0.4102391, abs=1e-6)
    assert chart.lower[0] == pytest.approx(0.05242755, abs=1e-6)
    assert chart.out == (14, 22)
    left = [count for place, count in enumerate(CANS) if place not in chart.out]
    revised = p_chart(left, [50] * 28)
    assert revised.centre == pytest.approx(0.2150, abs=5e-5)
    assert (revised.upper[0], revised.lower[0]) == pytest.approx((0.3893, 0.0407), abs=5e-5)
    assert [left[place] for place in revised.out] == [20]


def test_montgomery_c_chart() -> None:
    """Samples 6 and 20 of the circuit boards lie outside."""
    chart = c_chart(BOARDS)
    limits = (chart.centre, chart.upper[0], chart.lower[0])
    assert limits == pytest.approx((19.84615, 33.21086, 6.481447), abs=1e-5)
    assert chart.out == (5, 19)


def test_montgomery_u_chart() -> None:
    """The dyed cloth's limits differ roll by roll, and all rolls lie inside."""
    chart = u_chart(CLOTH, CLOTH_UNITS)
    assert chart.centre == pytest.approx(1.4232558, abs=1e-6)
    upper = [2.555, 2.689, 2.416, 2.555, 2.584, 2.555, 2.456, 2.528, 2.456, 2.436]
    lower = [0.291, 0.158, 0.431, 0.291, 0.262, 0.291, 0.390, 0.319, 0.390, 0.411]
    assert chart.upper == pytest.approx(upper, abs=6e-4)
    assert chart.lower == pytest.approx(lower, abs=6e-4)
    assert chart.out == ()


def test_laneys_example() -> None:
    """A p chart calls 16 weeks of 20 out of control; with the correction none is."""
    with LANEY.open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    good, all_of = [int(row["r"]) for row in rows], [int(row["n"]) for row in rows]
    plain, laney = p_chart(good, all_of), p_chart(good, all_of, laney=True)
    assert plain.centre == pytest.approx(0.9528997, abs=1e-7)
    assert len(plain.out) == 16
    # the spread was recomputed from the published data, not published itself
    assert laney.sigma_z == pytest.approx(10.64042, abs=1e-5)
    assert laney.out == ()
    assert corrected_p(good, all_of).kind == "p'"


def test_benjamini_and_hochbergs_example() -> None:
    """Their 15 p values (JRSS B 57, 1995): four are believed at 5 %, Bonferroni takes three."""
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344]
    p += [0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    assert sum(believed(p, 0.05)) == 4
    assert sum(value <= 0.05 / 15 for value in p) == 3
    wanted = [0.0015, 0.003, 0.0095, 0.03562, 0.0603, 0.06386, 0.06386, 0.0645, 0.0765]
    assert adjusted_p(p)[:9] == pytest.approx(wanted, abs=1e-5)
    shuffled = np.random.default_rng(3).permutation(15)
    mixed = adjusted_p([p[place] for place in shuffled])
    assert mixed == [adjusted_p(p)[place] for place in shuffled]


def test_fishers_tea() -> None:
    """The lady tasting tea: three of four right has the chance 17/70 (Fisher 1935)."""
    assert more_often(3, 4, 1, 4) == pytest.approx(float(Fraction(17, 70)), abs=1e-12)


@pytest.mark.parametrize(
    ("count", "whole", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_newcombes_intervals(count: int, whole: int, low: float, high: float) -> None:
    """Newcombe, Statistics in Medicine 17, 1998, Table I, method 3 (Wilson)."""
    assert share_interval(count, whole) == pytest.approx((low, high), abs=5e-5)


def test_kappa_of_two_raters() -> None:
    """Fleiss, Cohen, Everitt 1969: 200 patients, three diagnoses; kappa .429, variance .002885.

    Quoted from memory.
    """
    found = kappa([[106, 10, 4], [22, 28, 10], [2, 12, 6]])
    assert found is not None
    assert found[0] == pytest.approx(0.429, abs=5e-4)
    assert found[1] ** 2 == pytest.approx(0.002885, abs=1e-6)
