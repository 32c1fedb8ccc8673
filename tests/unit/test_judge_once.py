"""One thing is told once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from dyelight.judge.once import each_once
from dyelight.records import Finding, Kind

Make = Callable[..., Finding]


def patch(make: Make, kind: Kind, size_mm: float, at: float = 50.0, sure: float = 0.8) -> Finding:
    found = make(1, kind, (at, 50.0), (size_mm / 2, size_mm / 2), confidence=sure)
    return replace(found, features={**found.features, "solidity": 0.9})


def test_of_two_measures_of_one_spot_the_surer_stands(make_finding: Make) -> None:
    sure = patch(make_finding, "vapour_spot", 9, sure=0.9)
    less = patch(make_finding, "vapour_spot", 14, at=52, sure=0.7)
    assert each_once([less, sure]) == [sure]


def test_spots_side_by_side_are_both_told(make_finding: Make) -> None:
    both = [patch(make_finding, "vapour_spot", 9), patch(make_finding, "vapour_spot", 9, at=58)]
    assert each_once(both) == both


def test_what_has_no_kind_gives_way_however_sure(make_finding: Make) -> None:
    named = patch(make_finding, "coating_lift", 6, sure=0.7)
    unnamed = patch(make_finding, "unexplained", 5, sure=0.95)
    assert each_once([unnamed, named]) == [named]


def test_a_lift_within_a_wide_spot_is_told_beside_it(make_finding: Make) -> None:
    wide = patch(make_finding, "vapour_spot", 30, sure=0.9)
    lift = patch(make_finding, "coating_lift", 5)
    assert each_once([wide, lift]) == [wide, lift]


def test_one_place_of_one_size_has_one_kind(make_finding: Make) -> None:
    lift = patch(make_finding, "coating_lift", 6, sure=0.9)
    spot = patch(make_finding, "vapour_spot", 8)
    assert each_once([spot, lift]) == [lift]


def test_a_speck_on_a_spot_stays(make_finding: Make) -> None:
    spot = patch(make_finding, "vapour_spot", 3, sure=0.9)
    speck = make_finding(2, "dust_speck", (50.0, 50.0), (1.4, 1.4))
    assert each_once([spot, speck]) == [spot, speck]


def test_what_covers_the_panel_covers_nobody(make_finding: Make) -> None:
    ghost = make_finding(1, "ghosting", (127.0, 101.5), (127.0, 101.5), extent="panel")
    other = make_finding(2, "ghosting", (127.0, 101.5), (20.0, 20.0))
    assert each_once([ghost, other]) == [ghost, other]


def test_a_surer_crumb_tells_of_no_wide_spot(make_finding: Make) -> None:
    """Neither a spot that is far smaller, nor a speck within what has no name."""
    wide = patch(make_finding, "vapour_spot", 30, sure=0.7)
    crumb = patch(make_finding, "vapour_spot", 4, sure=0.95)
    assert each_once([wide, crumb]) == [wide, crumb]
    nameless = patch(make_finding, "unexplained", 30, sure=0.99)
    speck = make_finding(3, "dust_speck", (50.0, 50.0), (0.3, 0.3), confidence=0.6)
    assert each_once([nameless, speck]) == [nameless, speck]


def test_thin_lines_side_by_side_or_end_to_end_are_two(make_finding: Make) -> None:
    """Scratches 0.3 mm wide that run 0.6 mm apart, or touch at their ends, share nothing."""

    def line(x: float, y: float) -> Finding:
        ends = np.array([[x, y], [x + 42.0, y + 42.0]])
        across = np.array([0.106, -0.106])
        outline = np.concatenate([ends + across, ends[::-1] - across])
        found = make_finding(1, "scratch", (x + 21, y + 21), (21.0, 21.0))
        box = (*outline.min(0), *outline.max(0))
        return replace(found, outline_mm=outline, box_mm=box, area_mm2=17.8)

    for other in (line(10.424, 9.576), line(51.99, 51.99)):
        assert len(each_once([line(10, 10), other])) == 2
    same = [line(10, 10), line(10.02, 10.02)]
    assert len(each_once(same)) == 1


def test_a_zone_does_not_swallow_what_lies_on_it(make_finding: Make) -> None:
    """A mark without a kind on a zone of uneven press, or on the half that shows twice."""
    mark = make_finding(1, "unexplained", (60.0, 60.0), (2.0, 2.0))
    for kind in ("uneven_press", "ghosting"):
        zone = make_finding(2, kind, (60.0, 60.0), (40.0, 40.0))
        assert each_once([zone, mark]) == [zone, mark]
