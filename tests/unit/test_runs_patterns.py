"""Patterns over panels: found where they are planted, seldom where they are not, and named."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dyelight.causes import load_causes
from dyelight.runs import tests_of_chance as chance
from dyelight.runs.panels import Mark, Panel
from dyelight.runs.pattern_file import PatternTable, load_patterns
from dyelight.runs.patterns import comparisons, find_patterns
from dyelight.runs.platen import busiest_places, spots_of, to_platen
from dyelight.runs.simulated import EXPECTED, HEIGHT_MM, WIDTH_MM, Planted, simulated_run


@pytest.fixture(scope="module")
def table() -> PatternTable:
    return load_patterns(load_causes())


def panel(**fields: object) -> Panel:
    values: dict[str, object] = {
        "index": 0,
        "panel_id": "K",
        "verdict": "pass",
        "width_mm": 100.0,
        "height_mm": 60.0,
    }
    return Panel(**(values | fields))  # type: ignore[arg-type]  # fields are given by name


def test_every_cause_that_patterns_name_is_in_the_map(table: PatternTable) -> None:
    """And every factor of a cause is one that can be tested."""
    for entry in table.file.points_to:
        assert entry.cause in table.causes.causes, entry
        assert set(entry.factors or ()) <= set(table.file.factor), entry


@pytest.mark.parametrize("planted", ["platen_spot", "fabric_wear", "hot_press"])
@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_planted_patterns_are_found_and_named(
    planted: Planted, seed: int, table: PatternTable
) -> None:
    """In simulated findings of 200 panels each is told with its cause, the first of all."""
    pattern, kinds, cause = EXPECTED[planted]
    found = find_patterns(simulated_run(planted, seed), table)
    assert found
    first = found[0]
    assert first.pattern == pattern
    assert first.kind in kinds
    assert first.cause == cause
    assert first.adjusted <= 0.05
    assert first.sentence.endswith((".", "%"))
    assert first.panels


@pytest.mark.parametrize("seed", range(20, 32))
def test_runs_without_a_pattern_tell_none(seed: int, table: PatternTable) -> None:
    """Twelve simulated runs; seeds are fixed, so that chance plays no part in the test."""
    run = simulated_run("none", seed)
    assert find_patterns(run, table) == []
    assert comparisons(run, table) > 100


def test_an_innocent_companion_is_not_told_for_itself(table: PatternTable) -> None:
    """An operator who always works on the hot press is named beside it at most."""
    run = [
        replace(one, facts={**one.facts, "operator": f"at {one.facts['press']}"})
        for one in simulated_run("hot_press", 5)
    ]
    found = find_patterns(run, table)
    assert {item.factor for item in found} == {"press"}
    assert any("operator at two" in item.sentence for item in found)


def test_one_artwork_alone_is_said_to_be_suspect(table: PatternTable) -> None:
    """A place on panels of one picture may lie in the picture itself."""
    run = [replace(one, artwork="same.png") for one in simulated_run("platen_spot", 6)]
    assert "artwork same.png" in find_patterns(run, table)[0].sentence


def test_a_place_on_one_of_several_artworks_is_laid_to_the_picture(table: PatternTable) -> None:
    """No cause at the press is named for what only one picture of the run shows."""
    run = [
        replace(one, artwork="a.png" if one.index % 2 else "b.png")
        for one in simulated_run("none", 6)
    ]
    spot = Mark("vapour_spot", "light", False, (90.0, 60.0), "major", 0.9, 4.0)
    run = [replace(one, marks=(*one.marks, spot)) if one.index % 10 == 1 else one for one in run]
    (found,) = find_patterns(run, table)
    assert found.cause is None
    assert "Of these, 20 carry the artwork a.png" in found.sentence


def test_small_runs_and_empty_ones_have_no_pattern(table: PatternTable) -> None:
    """Nothing to compare is no error."""
    assert find_patterns([], table) == []
    assert find_patterns(simulated_run("hot_press", 1)[:3], table) == []


def test_ghosting_that_always_points_one_way_is_told(table: PatternTable) -> None:
    """The direction counts, turned as the panel lay."""
    marks = [
        Mark("ghosting", "mixed", True, (50.0, 30.0), "major", 0.9, 3.0, vector)
        for vector in [(0.8, 0.05), (0.7, -0.1), (0.9, 0.1), (0.8, 0.0), (0.75, 0.1), (0.8, -0.1)]
    ]
    run = [panel(index=n, panel_id=f"K{n}", marks=(mark,)) for n, mark in enumerate(marks)]
    (found,) = find_patterns(run, table)
    assert found.pattern == "direction"
    assert "0.8 mm towards the right of the picture" in found.sentence
    assert found.cause == "paper_slipped"
    turned = [replace(one, facts={"quarter_turns": str(n % 4)}) for n, one in enumerate(run)]
    assert find_patterns(turned, table) == []


def test_points_on_the_platen() -> None:
    """The picture's top left, on a panel at (200, 100), for each way it can lie."""
    point = np.array([[0.0, 0.0]])
    wanted = {
        ("0", "yes"): (150, 70),
        ("1", "yes"): (230, 50),
        ("2", "yes"): (250, 130),
        ("3", "yes"): (170, 150),
        ("0", "no"): (250, 70),
        ("1", "no"): (230, 150),
    }
    for (turns, up), at in wanted.items():
        lying = panel(facts={"x_mm": "200", "y_mm": "100", "quarter_turns": turns, "face_up": up})
        assert to_platen(point, lying)[0] == pytest.approx(at)


def test_a_place_is_found_on_the_platen_though_panels_lie_differently(table: PatternTable) -> None:
    """Dirt at one place of the platen shows at different places of turned panels."""
    rng = np.random.default_rng(4)
    run = []
    for index in range(80):
        facts = {
            "x_mm": f"{200 + rng.uniform(-15, 15):.1f}",
            "y_mm": f"{150 + rng.uniform(-15, 15):.1f}",
            "quarter_turns": str(int(rng.integers(2) * 2)),
        }
        one = panel(index=index, panel_id=f"K{index}", width_mm=254.0, height_mm=203.0, facts=facts)
        local = np.array([[rng.uniform(0, 254), rng.uniform(0, 203)]])
        if index % 5 == 0:
            # from the platen's (160, 120) back to the panel
            away = np.array([160.0, 120.0]) - (float(facts["x_mm"]), float(facts["y_mm"]))
            away = away if facts["quarter_turns"] == "0" else -away
            local = np.array([[127.0, 101.5]]) + away
        mark = Mark("dust_speck", "dark", False, tuple(local[0]), "minor", 0.9, 5.0)
        run.append(replace(one, marks=(mark,)))
    (found,) = find_patterns(run, table)
    assert found.numbers["on_platen"]
    assert (found.numbers["x_mm"], found.numbers["y_mm"]) == pytest.approx((160, 120), abs=0.5)
    assert found.numbers["count"] == 16
    assert "on the platen" in found.sentence


def test_corners_that_gather_alike_are_no_place() -> None:
    """What clusters at all four corners of every panel comes from corners, not from the platen."""
    rng = np.random.default_rng(9)
    corners = np.array([[4, 4], [WIDTH_MM - 4, 4], [4, HEIGHT_MM - 4], [250.0, 199.0]])
    run = [panel(width_mm=WIDTH_MM, height_mm=HEIGHT_MM) for _ in range(120)]
    points = [
        corners[rng.integers(4, size=rng.poisson(0.5))] + rng.normal(0, 0.8) for _ in range(120)
    ]
    spots = spots_of(run, points)
    assert spots is not None
    assert all(place.p > 0.05 for place in busiest_places(spots, [2.0, 4.0, 8.0], 5))


def test_panels_without_a_common_frame_have_no_places() -> None:
    """Different sizes that lie nobody knows where cannot be laid over one another."""
    mixed = [panel(), panel(width_mm=80.0)]
    assert spots_of(mixed, [np.zeros((1, 2))] * 2) is None
    assert spots_of([panel(size_known=False)], [np.zeros((1, 2))]) is None
    assert spots_of([], []) is None


@pytest.mark.parametrize("share", [0.02, 0.3])
def test_p_values_are_not_too_small_where_nothing_is(share: float) -> None:
    """Over 3,000 runs without a trend or a difference, at most 1 % have p under 1 %."""
    rng = np.random.default_rng(11)
    trend, group = [], []
    for _ in range(3000):
        x, bad = rng.integers(0, 40, 120).astype(float), rng.random(120) < share
        trend.append(chance.rises(x, bad))
        here = np.arange(120) < 40
        cells = (bad[here].sum(), 40, bad[~here].sum(), 80)
        group.append(chance.more_often(*map(int, cells)))
    for values in (trend, group):
        assert np.mean(np.array(values) < 0.01) < 0.015
        assert np.mean(np.array(values) < 0.05) < 0.058


def test_directions_at_random_give_even_p_values() -> None:
    """Rayleigh's test holds its level from six directions on."""
    rng = np.random.default_rng(12)
    values = [chance.one_way(rng.normal(size=(6, 2))) for _ in range(3000)]
    assert np.mean(np.array(values) < 0.05) == pytest.approx(0.05, abs=0.012)
    assert chance.one_way(np.zeros((4, 2))) == 1.0


def test_what_does_not_vary_cannot_rise() -> None:
    """All bad, none bad, or one value only: p is 1."""
    x = np.arange(10.0)
    assert chance.rises(x, np.ones(10, bool)) == 1.0
    assert chance.rises(x, np.zeros(10, bool)) == 1.0
    assert chance.rises(np.ones(10), x > 4) == 1.0
    assert chance.rises(x, x > 4) < 0.01
