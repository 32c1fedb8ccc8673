"""The benches' split of pictures, their listing, their intervals and their matching rule."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

BENCH = Path(__file__).parents[1] / "bench"


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, ModuleType]]:
    """The benches' modules, which import each other by plain names, gone again afterwards."""
    monkeypatch.syspath_prepend(str(BENCH))
    names = ("pictures", "intervals", "matching")
    yield {name: importlib.import_module(name) for name in names}
    for name in names:
        sys.modules.pop(name, None)


def test_the_split_never_moves(bench: dict[str, ModuleType]) -> None:
    """These names stay on their side: thresholds were set on some and are tested on others."""
    half_of = bench["pictures"].half_of
    # from `printf %s NAME | sha256sum`: first bytes 21, 41, e0, f5
    assert half_of("mate_Storm.jpg") == "set"
    assert half_of("coffee.png") == "set"
    assert half_of("astronaut.png") == "test"
    assert half_of("mate_Dune.jpg") == "test"


def test_both_halves_hold_photographs_and_drawn_pictures(bench: dict[str, ModuleType]) -> None:
    """No half is without a sort of picture that the other has."""
    listed = bench["pictures"].listed()
    for half in ("set", "test"):
        packages = {p.package for p in listed if p.half == half}
        assert {"drawn", "scikit-image", "mate-backgrounds"} <= packages


def test_every_picture_has_a_licence_and_its_own_name(bench: dict[str, ModuleType]) -> None:
    """Names are unique, since the split goes by them; licences and paths are filled in."""
    listed = bench["pictures"].listed()
    assert len({p.name for p in listed}) == len(listed)
    assert all(p.licence and p.path and p.package and p.shows for p in listed)


def test_pictures_that_need_no_fetching_load(bench: dict[str, ModuleType], tmp_path: Path) -> None:
    """Drawn pictures and those in the wheel of scikit-image are there with an empty folder."""
    pictures = bench["pictures"]
    at_hand = pictures.at_hand(tmp_path)
    assert {p.package for p in at_hand} == {"drawn", "scikit-image"}
    coffee = next(p for p in at_hand if p.name == "coffee.png")
    assert pictures.load(coffee, tmp_path).shape == (1200, 1800, 3)


def test_a_picture_that_is_not_there_is_told(bench: dict[str, ModuleType], tmp_path: Path) -> None:
    """A picture that was not fetched raises with its name."""
    pictures = bench["pictures"]
    storm = next(p for p in pictures.listed() if p.name == "mate_Storm.jpg")
    with pytest.raises(FileNotFoundError, match=r"mate_Storm\.jpg"):
        pictures.load(storm, tmp_path)


def test_wilson_agrees_with_published_intervals(bench: dict[str, ModuleType]) -> None:
    """Score intervals of Newcombe, Statistics in Medicine 17 (1998), Table I, method 3."""
    wilson = bench["intervals"].wilson
    for hits, n, low, high in ((81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605)):
        got = wilson(hits, n)
        assert got.low == pytest.approx(low, abs=5e-5)
        assert got.high == pytest.approx(high, abs=5e-5)
    assert wilson(0, 20).low == 0


def test_bootstrap_holds_the_median(bench: dict[str, ModuleType]) -> None:
    """The interval holds the value, and no values give no number."""
    bootstrap = bench["intervals"].bootstrap
    got = bootstrap([1.0, 2.0, 3.0, 4.0, 100.0])
    assert got.value == 3.0
    assert got.low <= got.value <= got.high
    assert np.isnan(bootstrap([]).value)


def planted(bench: dict[str, ModuleType], kind: str, box: tuple[float, ...], **more: object) -> Any:
    """A visible planted defect with this box."""
    corners = np.array(box, np.float64)
    values: dict[str, object] = {
        "kind": kind,
        "center_mm": (corners[:2] + corners[2:]) / 2,
        "box_mm": corners,
        "line_mm": None,
        "visibility": "visible",
        "delta_e00": 9.0,
        "snr_ideal": 50.0,
        "shift_mm": None,
    }
    return bench["matching"].Planted(**(values | more))


@pytest.mark.parametrize(
    ("box", "expected"),
    [
        ((10.2, 10.1, 10.6, 10.5), True),
        ((11.2, 10.1, 11.6, 10.5), True),
        ((14.0, 10.0, 14.4, 10.4), False),
        ((0.0, 0.0, 60.0, 60.0), False),
    ],
    ids=["on it", "within a millimetre", "beside it", "far larger"],
)
def test_a_speck_matches_what_lies_on_it(
    bench: dict[str, ModuleType], box: tuple[float, ...], expected: bool
) -> None:
    """Small defects match within a millimetre, and nothing far larger that covers them."""
    speck = planted(bench, "dust_speck", (10.0, 10.0, 10.5, 10.5))
    hit = bench["matching"].matches(np.array([box]), ["dust_speck"], speck)
    assert hit.tolist() == [expected]


def test_a_long_scratch_matches_only_along_its_line(bench: dict[str, ModuleType]) -> None:
    """The box of a slanting line holds much that the line never touches."""
    ends = np.array([[10.0, 10.0], [60.0, 60.0]])
    scratch = planted(bench, "scratch", (10, 10, 60, 60), line_mm=ends)
    on_line, off_line = (30.0, 30.0, 40.0, 40.0), (48.0, 12.0, 58.0, 22.0)
    hit = bench["matching"].matches(np.array([on_line, off_line]), ["fibre"] * 2, scratch)
    assert hit.tolist() == [True, False]


def test_what_covers_the_panel_matches_by_kind(bench: dict[str, ModuleType]) -> None:
    """A double image has no place, so only a finding of its kind speaks of it."""
    ghost = planted(bench, "ghosting", (0, 0, 254, 203))
    boxes = np.array([(0.0, 0.0, 254.0, 203.0)] * 2)
    hit = bench["matching"].matches(boxes, ["ghosting", "off_colour"], ghost)
    assert hit.tolist() == [True, False]
