"""The sampling tables and plans of MIL-STD-105E."""

from __future__ import annotations

import itertools

import pytest

from dyelight.runs.sampling import (
    LEVELS,
    Severity,
    acceptance_probability,
    aqls,
    code_letter,
    plan_for,
    quality_at,
)

LETTERS = "ABCDEFGHJKLMNPQR"
# the sizes of the letters' own samples, MIL-STD-105E, Table II-A
SIZES = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000)
# the last lot size of each row of Table I
LOTS = (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10_000, 35_000, 150_000, 500_000, 600_000)


@pytest.mark.parametrize(
    ("lot", "level", "letter"),
    [
        (2, "II", "A"),
        (8, "III", "B"),
        (9, "II", "B"),
        (90, "II", "E"),
        (91, "II", "F"),
        (500, "II", "H"),
        (501, "II", "J"),
        (1200, "II", "J"),
        (1201, "II", "K"),
        (35_000, "I", "K"),
        (500_001, "II", "Q"),
        (500_001, "III", "R"),
        (10_000, "S-4", "G"),
        (150_000, "S-1", "D"),
    ],
)
def test_code_letters(lot: int, level: str, letter: str) -> None:
    """Letters at the ends of Table I's rows."""
    assert code_letter(lot, level) == letter


@pytest.mark.parametrize("level", LEVELS)
def test_larger_lots_never_get_an_earlier_letter(level: str) -> None:
    """Down each column of Table I the letters rise."""
    letters = [LETTERS.index(code_letter(lot, level)) for lot in LOTS]
    assert letters == sorted(letters)


def test_plan_j_at_one_per_cent() -> None:
    """Table X-J: n 80, accept 2, reject 3; and its operating characteristic."""
    plan = plan_for(1000, "II", 1.0, "normal")
    assert (plan.code, plan.n, plan.accept, plan.reject) == ("J", 80, 2, 3)
    # computed from the binomial distribution
    assert float(acceptance_probability(plan, 0.01)) == pytest.approx(0.953447, abs=1e-6)
    # as the table prints them: quality in per cent at a chance of 95 and 10 % of acceptance
    assert 100 * quality_at(plan, 0.95) == pytest.approx(1.03, abs=5e-3)
    assert 100 * quality_at(plan, 0.10) == pytest.approx(6.52, abs=5e-3)


@pytest.mark.parametrize(
    ("lot", "aql", "severity", "wanted"),
    [
        # K, normal, 2.5: own cell
        (2000, 2.5, "normal", (125, 7, 8)),
        # F, normal, 0.10: the arrow leads down to K
        (120, 0.10, "normal", (120, 0, 1)),
        # J tightened is one step stricter than normal
        (1000, 1.0, "tightened", (80, 1, 2)),
        # J reduced: a smaller sample and a gap between the numbers
        (1000, 1.0, "reduced", (32, 1, 3)),
        # H, normal, 4.0
        (300, 4.0, "normal", (50, 5, 6)),
    ],
)
def test_single_plans(
    lot: int, aql: float, severity: Severity, wanted: tuple[int, int, int]
) -> None:
    """Cells of Tables II-A to II-C, one where every panel of the lot is taken."""
    plan = plan_for(lot, "II", aql, severity)
    assert (plan.n, plan.accept, plan.reject) == wanted
    assert plan.whole_lot == (plan.n == lot)


@pytest.mark.parametrize("severity", ["normal", "tightened"])
def test_every_plan_has_a_size_of_the_tables_and_adjoining_numbers(severity: Severity) -> None:
    """n is a letter's own size (or the 3150 of S), and rejection begins just above acceptance."""
    for lot, aql in itertools.product(LOTS, aqls()):
        plan = plan_for(lot, "II", aql, severity)
        assert plan.n in (*SIZES, 3150) or plan.whole_lot
        assert plan.reject == plan.accept + 1


def test_a_milder_aql_never_accepts_less_often() -> None:
    """Along a row, where no arrow leads to another letter, a higher AQL is accepted more often."""
    for lot in (300, 1000, 3000):
        chances = [
            float(acceptance_probability(plan_for(lot, "II", aql, "normal"), 0.03))
            for aql in aqls()
            if aql >= 1.0
        ]
        assert chances == sorted(chances)


def test_tightened_is_stricter_and_reduced_milder() -> None:
    """At the AQL itself, tightened plans accept less often than normal ones, reduced more often."""
    for lot, aql in itertools.product((300, 1000, 3000), (1.0, 2.5, 4.0)):
        chance = [
            float(acceptance_probability(plan_for(lot, "II", aql, kind), aql / 100))
            for kind in ("tightened", "normal", "reduced")
        ]
        assert chance[0] < chance[1] <= chance[2] + 0.02
