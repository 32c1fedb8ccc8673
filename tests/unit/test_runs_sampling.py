"""Drawing samples, switching between normal, tightened and reduced, and deciding over a run."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dyelight.errors import SettingsError
from dyelight.runs.decision import Decision, Sampling, decide, gravest_class
from dyelight.runs.panels import Look, Panel
from dyelight.runs.sampling import (
    Severity,
    acceptance_probability,
    code_letter,
    draw,
    parse_aql,
    plan_for,
    plans_for,
    quality_at,
)
from dyelight.runs.switching import Lot, lots_from, lots_to_keep, standing, with_lot


def lots(text: str, severity: Severity = "normal") -> list[Lot]:
    """Lots by letter: a accepted, r rejected, g in the gap; a capital R begins reduced ones."""
    words = {"a": "accepted", "r": "rejected", "g": "gap"}
    return [Lot(f"{severity}{place}", severity, words[letter]) for place, letter in enumerate(text)]  # type: ignore[arg-type]  # the words are outcomes


def panel(index: int, verdict: Any, gravest: Any = None, **fields: Any) -> Panel:
    return Panel(index=index, panel_id=f"K-{index}", verdict=verdict, gravest=gravest, **fields)


def sampled(
    verdicts: dict[int, tuple[Any, Any]], severity: Severity = "normal", **fields: Any
) -> tuple[Decision, Sampling]:
    """A lot of 100 at level II, AQL 1.0 and 4.0; `verdicts` of places in the order drawn."""
    plans = plans_for(100, "II", {"major": 4.0, "minor": 4.0}, severity)
    drawn = draw(100, max(plan.n for plan in plans.values()), seed=3)
    sampling = Sampling(100, "II", severity, "", plans, drawn)
    place_of = {drawn.order[turn]: what for turn, what in verdicts.items()}
    panels = [
        panel(index, *place_of.get(index, ("pass", None)), drawn=index in drawn.order, **fields)
        for index in range(100)
    ]
    return decide(panels, sampling), sampling


# drawing


def test_the_seed_draws_and_smaller_samples_are_its_beginning() -> None:
    """The same seed, the same panels; another seed, others; none twice."""
    drawn = draw(500, 50, seed=7)
    assert drawn == draw(500, 50, seed=7)
    assert drawn.order != draw(500, 50, seed=8).order
    assert draw(500, 20, seed=7).order == drawn.order[:20]
    assert len(set(drawn.order)) == 50
    assert set(draw(5, 80, seed=1).order) == set(range(5))


def test_every_panel_is_drawn_alike() -> None:
    """Over many seeds each of 10 panels is drawn in 3 of 10 samples of 3."""
    counts = np.zeros(10)
    for seed in range(2000):
        counts[list(draw(10, 3, seed).order)] += 1
    assert np.abs(counts / 2000 - 0.3).max() < 0.05


def test_what_the_tables_do_not_hold_is_refused() -> None:
    """Levels, AQLs, lots of one and seeds below zero, each with the way out."""
    with pytest.raises(SettingsError, match="no inspection level 'IV'"):
        code_letter(100, "IV")
    with pytest.raises(SettingsError, match="at least 2"):
        code_letter(1, "II")
    with pytest.raises(SettingsError, match="no AQL 3"):
        plan_for(100, "II", 3.0, "normal")
    with pytest.raises(SettingsError, match="seed"):
        draw(10, 2, -1)
    assert parse_aql("major=2.5, critical=0.1") == {"major": 2.5, "critical": 0.1}
    for text in ("major", "grave=1", "major=15", "major=x", ""):
        with pytest.raises(SettingsError):
            parse_aql(text)


@settings(deadline=None)
@given(st.integers(2, 50_000), st.sampled_from([0.10, 1.0, 2.5, 6.5]), st.floats(0.01, 0.99))
def test_quality_and_probability_are_inverse(lot: int, aql: float, chance: float) -> None:
    """The quality that is accepted with a chance is accepted with that chance."""
    plan = plan_for(lot, "II", aql, "normal")
    assert float(acceptance_probability(plan, quality_at(plan, chance))) == pytest.approx(chance)


# switching


@pytest.mark.parametrize(
    ("history", "severity"),
    [
        ("", "normal"),
        ("aaraa", "normal"),
        ("rr", "tightened"),
        ("raaar", "tightened"),
        ("raaaar", "normal"),
        ("rraaaa", "tightened"),
        ("rraaaaa", "normal"),
        # what was rejected before the switch is not counted again
        ("rraaaaar", "normal"),
        ("rraaaaarar", "tightened"),
    ],
)
def test_two_rejected_of_five_tighten_and_five_accepted_relieve(
    history: str, severity: Severity
) -> None:
    """MIL-STD-105E, 4.7: normal to tightened and back."""
    assert standing(lots(history)).severity == severity


def test_five_rejected_when_tightened_stop() -> None:
    """4.8; a lot that a person lets in afterwards is tightened again."""
    assert not standing(lots("rrrrarr")).stopped
    stopped = standing(lots("rrrrarrr"))
    assert stopped.stopped
    assert stopped.severity == "tightened"
    assert not standing(lots("rrrrarrra")).stopped
    assert standing(lots("rrrrarrraaaaa")).severity == "normal"


def test_reduced_only_where_it_is_wanted_and_production_steady() -> None:
    """Ten accepted in a row allow it; a gap, a rejection or a change of mind end it."""
    ten = lots("a" * 10)
    assert standing(ten).severity == "normal"
    assert standing(ten[:9], reduced_wanted=True).severity == "normal"
    assert standing(ten, reduced_wanted=True, steady=False).severity == "normal"
    reduced = standing(ten, reduced_wanted=True)
    assert reduced.severity == "reduced"
    assert "Table VIII was not checked" in reduced.because
    going_on = [*ten, *lots("aa", "reduced")]
    assert standing(going_on, reduced_wanted=True).severity == "reduced"
    assert standing(going_on).severity == "normal"
    for end in ("g", "r"):
        ended = [*going_on, *lots(end, "reduced")]
        assert standing(ended, reduced_wanted=True).severity == "normal"


def test_lots_are_kept_and_counted_once() -> None:
    """The same run done again takes its old place; damaged data are refused."""
    some = lots("ar")
    again = with_lot(some, Lot(some[0].run, "normal", "rejected"))
    assert [lot.outcome for lot in again] == ["rejected", "rejected"]
    assert len(with_lot(some, Lot("new", "normal", "accepted"))) == 3
    assert lots_from(lots_to_keep(again)) == again
    assert lots_from(None) == []
    for damaged in ("x", [["a", "normal"]], [["a", "mild", "accepted"]], [["a", "normal", "ok"]]):
        with pytest.raises(SettingsError, match="damaged"):
            lots_from(damaged)


# deciding


def test_all_panels_may_ship_or_some_or_none_yet() -> None:
    """All pass; some must be made again; some wait for a person."""
    good = [panel(n, "pass") for n in range(3)]
    assert decide(good, None).word == "ship"
    bad = decide([*good, panel(3, "remake", "major")], None)
    assert bad.word == "ship_without"
    assert [one.panel_id for one in bad.press_again] == ["K-3"]
    for verdict in ("review", "retake", None):
        waiting = decide([*good, panel(3, verdict)], None)
        assert waiting.word == "hold"
        assert [one.panel_id for one in waiting.undecided] == ["K-3"]
    assert bad.outcome is None
    none = decide([panel(0, "remake", "major"), panel(1, "remake", "minor")], None)
    assert (none.word, none.sentence) == ("reject", "2 panels of 2 must be made again.")


def test_a_persons_look_counts_in_the_verdicts_place() -> None:
    """A panel in review that a person passes may ship, one that they reject is made again."""
    passed = panel(0, "review", "major", look=Look("pass", "N.", "a reflection"))
    assert decide([passed], None).word == "ship"
    assert gravest_class(passed) is None
    rejected = panel(0, "pass", look=Look("remake", "N.", ""))
    decision = decide([rejected, passed], None)
    assert decision.word == "ship_without"
    assert gravest_class(rejected) == "major"


def test_a_lot_is_accepted_up_to_the_number_and_rejected_from_the_next() -> None:
    """F, AQL 4.0: 20 taken, accepted up to 2 in a class, rejected from 3."""
    two = {0: ("remake", "major"), 5: ("remake", "major"), 9: ("remake", "minor")}
    decision, sampling = sampled(two)
    assert (sampling.plans["major"].n, sampling.plans["major"].accept) == (20, 2)
    assert (decision.word, decision.outcome) == ("ship_without", "accepted")
    decision, _ = sampled({**two, 19: ("remake", "major")})
    assert (decision.word, decision.outcome) == ("reject", "rejected")
    assert "rejected from 3" in decision.sentence
    decision, _ = sampled({})
    assert decision.word == "ship"


def test_undecided_panels_hold_a_lot_only_where_it_hangs_on_them() -> None:
    """One retake among twenty cannot reject; three can; what is rejected stays so."""
    assert sampled({0: ("retake", None)})[0].outcome == "accepted"
    hanging, _ = sampled(dict.fromkeys(range(3), ("retake", None)))
    assert (hanging.word, hanging.outcome) == ("hold", None)
    worse = dict.fromkeys(range(3), ("remake", "major")) | {7: ("retake", None)}
    assert sampled(worse)[0].word == "reject"
    # a panel in review would count in its own class only
    mild, _ = sampled(dict.fromkeys(range(3), ("review", "minor")))
    outcomes = {result.kind: result.outcome for result in mild.classes}
    assert outcomes == {"major": "accepted", "minor": "undecided"}


def test_reduced_plans_have_a_gap() -> None:
    """Between the numbers a reduced lot is accepted, and inspection goes back to normal."""
    plan = plan_for(100, "II", 4.0, "reduced")
    assert plan.reject > plan.accept + 1
    between = dict.fromkeys(range(plan.accept + 1), ("remake", "major"))
    decision, _ = sampled(between, "reduced")
    assert decision.outcome == "gap"
    assert "back to normal" in decision.sentence
