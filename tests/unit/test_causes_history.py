"""Causes that draw on the log: factors, places, rates, tests, and every number's origin."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from dyelight.causes import explain_causes, load_causes, rank_causes
from dyelight.causes.adjusted import adjusted_p, going_along
from dyelight.causes.association import compare_factors
from dyelight.causes.evidence import Evidence
from dyelight.causes.factor_file import FACTORS_FILE, load_factors
from dyelight.causes.history import History
from dyelight.causes.intensity import fit_rates
from dyelight.causes.learned import learn_kind
from dyelight.causes.platen_place import Lie, covered
from dyelight.causes.sequential import HELPED, block_log_e, standing
from dyelight.data import models_folder
from dyelight.errors import RulesError
from dyelight.judge.rules import KINDS
from dyelight.press_log import Columns
from dyelight.press_log.fields import PRESSING_FIELDS
from dyelight.press_log.rows import PanelRow
from dyelight.press_log.trials import Trial, sides

BENCH = Path(__file__).resolve().parents[1] / "bench"


def bench_module(name: str) -> ModuleType:
    """A module of the benches, which lie outside the package."""
    spec = importlib.util.spec_from_file_location(name, BENCH / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


year = bench_module("year")
bench = bench_module("history")
MAP, FACTORS = load_causes(), load_factors()


@pytest.fixture(scope="module")
def simulated() -> Any:
    """A simulated half year."""
    return year.simulate_year(11, MAP, 2500)


@pytest.fixture(scope="module")
def history(simulated: Any) -> History:
    """Its history."""
    return History.of(simulated.columns, FACTORS)


def test_every_factor_is_in_the_log() -> None:
    """Each factor is a field of the log's rows or made of some; what a trial changes is one too."""
    made = {"true_over_set_c", "panel_lot", "short_side_mm", "hour", "platen_place"}
    assert set(FACTORS.factors) - made <= set(PanelRow.__dataclass_fields__)
    plain = {field.plain for field in PRESSING_FIELDS}
    assert {factor.change for factor in FACTORS.factors.values()} - {""} <= plain
    assert set(KINDS) >= {kind for cause in MAP.causes.values() for kind in [cause.kind[0].kind]}


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('cause = "vent_fabric"', 'cause = "vent_fabrik"', "Did you mean 'vent_fabric'"),
        ('factor = "fabric_use"', 'factor = "fabric_uses"', "Did you mean 'fabric_use'"),
        ("parts = 10", "parts = 10\ncuts = [3.0]", "Needs cuts or parts"),
        ("parts = 10", "", "Needs cuts or parts"),
        ("cuts = [1.0, 5.0,", "cuts = [5.0, 1.0,", "Cuts must rise"),
        ("times = 3.0", "times = 0.0", "greater than 0"),
        ("falls = true", "fall = true", "unknown key"),
        ("[learn.cell_mm]", "[learn.cell]", "unknown key"),
    ],
)
def test_a_factors_file_that_is_wrong(tmp_path: Path, old: str, new: str, said: str) -> None:
    """Every way to get the file wrong is told."""
    text = (models_folder() / FACTORS_FILE).read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "factors.toml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(RulesError, match=said):
        load_factors(path, MAP)


@pytest.mark.parametrize(
    ("turns", "face_up", "wanted"),
    [
        (0, True, (410.0, 300.0)),
        (1, True, (500.0, 210.0)),
        (2, True, (590.0, 300.0)),
        (3, True, (500.0, 390.0)),
        (0, False, (590.0, 300.0)),
    ],
)
def test_a_mark_on_the_platen(turns: int, face_up: bool, wanted: tuple[float, float]) -> None:
    """A mark 90 mm left of the middle goes round with the panel, clockwise from above."""
    lie = Lie(500.0, 300.0, 200.0, 100.0, turns, face_up)
    assert lie.on_platen(10.0, 50.0) == pytest.approx(wanted)


def test_cells_under_a_panel() -> None:
    """The shares of the panel sum to one, and a whole cell counts as covered once."""
    cells = covered(Lie(225.0, 150.0, 300.0, 300.0, 0, True), 150.0)
    assert sum(share for share, _ in cells.values()) == pytest.approx(1.0)
    assert cells[1, 1] == (pytest.approx(0.25), pytest.approx(1.0))
    assert cells[0, 0] == (pytest.approx(0.125), pytest.approx(0.5))


def test_rates_that_add_up_are_found() -> None:
    """Two causes that overlap are told apart, and one that does nothing gets next to nothing."""
    rng = np.random.default_rng(8)
    on = rng.random((20000, 3)) < (0.3, 0.3, 0.3)
    design = np.column_stack([np.ones(len(on)), on])
    rate = design @ (0.01, 0.15, 0.08, 0.0)
    hit = rng.random(len(on)) < -np.expm1(-rate)
    found = fit_rates(
        design[hit],
        design.sum(axis=0),
        np.full(4, 0.6),
        np.full(4, 0.02),
        np.arange(4),
        np.random.default_rng(0),
    )
    assert found[:3] == pytest.approx([0.01, 0.15, 0.08], rel=0.15)
    assert found[3] < 0.004


def test_one_factor_with_the_others_held() -> None:
    """What only travels along is telling by itself, and not with the true factor held."""
    rng = np.random.default_rng(5)
    true = rng.integers(0, 4, 6000)
    along = np.where(rng.random(6000) < 0.7, true, rng.integers(0, 4, 6000))
    hit = (rng.random(6000) < np.array([0.02, 0.02, 0.1, 0.25])[true]).astype(np.float64)
    alone = adjusted_p([along], hit, 30)
    both = adjusted_p([true, along], hit, 30)
    assert alone[0] < 1e-6
    assert both[0] < 1e-6
    assert both[1] > 0.01


def test_the_held_test_keeps_its_level() -> None:
    """Of 400 tests of factors without any effect, about one in twenty is under 0.05."""
    rng = np.random.default_rng(2)
    small = 0
    for _ in range(200):
        codes = [rng.integers(0, 5, 1500), rng.integers(0, 3, 1500)]
        hit = (rng.random(1500) < 0.04).astype(np.float64)
        small += sum(p < 0.05 for p in adjusted_p(codes, hit, 30))
    assert 8 <= small <= 36


def test_how_closely_factors_go_along() -> None:
    """Nought for chance, one where one decides the other."""
    rng = np.random.default_rng(1)
    one, two = rng.integers(0, 3, 20000), rng.integers(0, 4, 20000)
    assert going_along(one, two) < 0.05
    assert going_along(one, one // 2) == pytest.approx(1.0)
    assert going_along(np.full(10, -1), one[:10]) == 0.0


def test_planted_causes_come_first(simulated: Any, history: History) -> None:
    """In a simulated half year the true causes lead, where the map alone never finds some."""
    score, blind = bench.Score(), bench.Score()
    bench.judge(simulated, score, "log")
    bench.judge(simulated, blind, "none")
    assert score.first >= 0.9 * score.panels
    assert score.second >= 0.98 * score.panels
    assert blind.first < 0.5 * blind.panels
    guilty = {"room_humidity_pct", "fabric_use"}
    named = {
        item.factor for item in compare_factors("vapour_spot", history).factors if item.significant
    }
    assert named <= guilty
    assert named


def some_row(simulated: Any, cause: str) -> int:
    """A panel whose only defect was planted by this cause."""
    return next(
        row
        for row, truths in simulated.truth.items()
        if len(truths) == 1 and truths[0].planted and truths[0].cause == cause
    )


@pytest.mark.parametrize(
    ("cause", "told"),
    [("damp_room", "Room humidity"), ("dirt_on_platen", "at this place of the platen")],
)
def test_weights_are_products_that_can_be_read(
    simulated: Any, history: History, cause: str, told: str
) -> None:
    """Weights sum to one, each is the product of told numbers, and the reason has its counts."""
    row = some_row(simulated, cause)
    evidence = Evidence(history, MAP, row)
    found = [bench.as_finding(simulated.columns.findings[row][0])]
    panel = bench.artwork(254.0, 203.0, "white")
    causes = rank_causes(found, panel, MAP, evidence)
    assert causes[0].cause == cause
    assert sum(item.weight for item in causes) == pytest.approx(1.0)
    assert any(told in reason for reason in causes[0].because)
    chains = explain_causes(found, panel, MAP, evidence)
    odds = {chain.cause: float(np.prod([part.times for part in chain.parts])) for chain in chains}
    whole = sum(odds.values())
    for chain in chains:
        assert chain.share == pytest.approx(odds[chain.cause] / whole)
        assert all(part.origin and part.because and part.name for part in chain.parts)
    assert sum(chain.share for chain in chains) == pytest.approx(1.0)


def test_a_panel_does_not_learn_from_itself(simulated: Any, history: History) -> None:
    """The panel that is asked about is left out of its own history."""
    row = some_row(simulated, "damp_room")
    evidence = Evidence(history, MAP, row)
    assert evidence.learned("vapour_spot").panels == int(history.looked.sum()) - 1


def test_a_short_history_says_so(simulated: Any) -> None:
    """Under the least number of panels or defects nothing is learned, and that is told."""
    short = Columns(
        {name: cells[:40] for name, cells in simulated.columns.values.items()},
        simulated.columns.findings,
    )
    history = History.of(short, FACTORS)
    evidence = Evidence(history, MAP, 1)
    assert not evidence.learned("vapour_spot").enough
    found = [
        replace(bench.as_finding(simulated.columns.findings[_first(simulated)][0]), kind="dent")
    ]
    causes = rank_causes(found, bench.artwork(254.0, 203.0, "white"), MAP, evidence)
    assert any("Too few in the log to learn from" in text for text in causes[-1].because)
    plain = rank_causes(found, bench.artwork(254.0, 203.0, "white"), MAP)
    assert [item.weight for item in causes] == pytest.approx([item.weight for item in plain])
    assert not compare_factors("dent", history).enough


def _first(simulated: Any) -> int:
    return min(simulated.columns.findings)


def test_what_the_pressing_says_before_any_history(simulated: Any) -> None:
    """Where the history is too short, the pressing's own values still count."""
    short = {name: list(cells[:2]) for name, cells in simulated.columns.values.items()}
    short["room_humidity_pct"] = [72.0, 40.0]
    history = History.of(Columns(short, {}), FACTORS)
    damp = Evidence(history, MAP, 1).parts("vapour_spot")["damp_room"]
    dry = Evidence(history, MAP, 2).parts("vapour_spot")["damp_room"]
    assert [part.times for part in damp] == [3.0]
    assert [part.times for part in dry] == [0.3]


def test_the_same_log_gives_the_same_weights(history: History) -> None:
    """Learning draws numbers, from a seed of its own."""
    one = learn_kind("vapour_spot", history, MAP, history.looked)
    two = learn_kind("vapour_spot", history, MAP, history.looked)
    assert np.array_equal(one.mean, two.mean)


@pytest.mark.parametrize("rate", [0.01, 0.1, 0.4, 0.8])
@pytest.mark.parametrize("ratio", [*HELPED, 2.0])
def test_a_block_gains_nothing_where_a_change_does_nothing(rate: float, ratio: float) -> None:
    """The mean of the e-variable over all outcomes is at most 1, whatever the true rate."""
    for true in (0.005, 0.05, 0.2, 0.5, 0.9):
        mean = 0.0
        for outcome in range(2**4):
            hits = [bool(outcome >> bit & 1) for bit in range(4)]
            chance = float(np.prod([true if hit else 1 - true for hit in hits]))
            mean += chance * np.exp(block_log_e(hits[:3], hits[3], rate, min(rate * ratio, 0.95)))
        assert mean <= 1.0 + 1e-12


def call(old: list[bool], new: list[bool]) -> str:
    """The word for a trial, without working out how many more it needs."""
    return standing(old, new, first_guess=0.1, error=0.05, worth=0.5, power=0.8).word


def test_trials_that_are_looked_at_all_the_time() -> None:
    """Looked at after every tenth panel, a change that does nothing is seldom called."""
    rng = np.random.default_rng(6)
    called = 0
    for _ in range(60):
        old, new = (rng.random(200) < 0.15).tolist(), (rng.random(100) < 0.15).tolist()
        called += any(call(old, new[:count]) != "cannot_tell" for count in range(10, 101, 10))
    assert called <= 7


def test_trials_of_changes_that_matter() -> None:
    """A change that takes nearly all defects away helps, one that brings them makes it worse."""
    rng = np.random.default_rng(7)
    old = (rng.random(400) < 0.3).tolist()
    assert call(old, (rng.random(80) < 0.03).tolist()) == "helped"
    assert call(old, (rng.random(80) < 0.75).tolist()) == "worse"
    few = standing(old, old[:5], first_guess=0.1, error=0.05, worth=0.5, power=0.8)
    assert few.word == "cannot_tell"
    assert few.more is not None
    assert 20 < few.more < 500
    assert standing([], [True], first_guess=0.1, error=0.05, worth=0.5, power=0.8).more is None


def test_which_panels_count_to_a_trial(simulated: Any) -> None:
    """Only panels alike but for the change count; the others are told with the reason."""
    values = {name: cells[0] for name, cells in simulated.columns.values.items()}
    row = PanelRow(**values, findings=())
    later = row.at.replace(year=row.at.year + 1)
    held = {"press": row.press, "set_c": row.set_c}
    trial = Trial(
        "t", "transfer_not_dry", "vapour_spot", "drying_s", 0.0, [10.0, None], held, later, None
    )
    before = replace(row, drying_s=0.0)
    rows = [
        before,
        replace(before, verdict=None),
        replace(before, drying_s=12.0),
        replace(row, at=later, drying_s=12.0),
        replace(row, at=later, drying_s=12.0, press="another"),
        replace(row, at=later, drying_s=5.0),
    ]
    parted = sides(trial, rows, 100)
    assert (len(parted.old), len(parted.new)) == (1, 1)
    assert parted.left_out == {"another press": 1, "without the change of drying_s": 1}
