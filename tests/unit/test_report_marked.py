"""The marked-up picture: size, outlines, labels, hidden areas and scale."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from dyelight.records import U8, Finding, Inspection
from dyelight.report.marked import MOST_PLATES, marked_picture, numbered_picture
from dyelight.report.plates import Plate, Wanted, split_sides, stack_heights
from dyelight.report.strokes import bar_length, double_stroke, hatch_polygons, ring_around
from dyelight.report.tags import number_ranges, tag_boxes
from dyelight.report.words import plain_ascii


def many(make_finding: Callable[..., Finding], count: int) -> tuple[Finding, ...]:
    """Specks at random places from a fixed seed."""
    rng = np.random.default_rng(11)
    places = rng.uniform((5, 5), (249, 198), (count, 2))
    return tuple(
        make_finding(number, "dust_speck", (float(x), float(y)), (0.2, 0.2), severity="minor")
        for number, (x, y) in enumerate(places, start=1)
    )


@pytest.mark.parametrize("count", [0, 3, MOST_PLATES, 70])
def test_picture_stays_within_its_long_side(
    make_inspection: Callable[..., Inspection],
    make_finding: Callable[..., Finding],
    count: int,
) -> None:
    """Whatever the number of findings, the picture is at most 2,400 px long."""
    image = marked_picture(make_inspection(many(make_finding, count)))
    assert max(image.size) <= 2400
    assert min(image.size) > 600


def test_a_speck_gets_a_ring_that_leaves_it_visible() -> None:
    """A mark of 0.2 mm is ringed at a distance, not painted over."""
    speck = np.array([[50.0, 50.0], [51.0, 50.0], [51.0, 51.0], [50.0, 51.0]])
    ring = ring_around(speck, (200, 200))
    distance = np.hypot(*(ring - 50.5).T)
    assert distance.min() > 10
    canvas = np.full((200, 200, 3), 90, np.uint8)
    double_stroke(canvas, ring, 2)
    assert (canvas[46:56, 46:56] == 90).all()


def test_a_ring_keeps_clear_of_a_long_bent_outline() -> None:
    """The outline of a bent mark is followed on both sides, not boxed in."""
    turn = np.linspace(0, np.pi, 40)
    outer = np.stack([100 + 60 * np.cos(turn), 100 + 60 * np.sin(turn)], axis=1)
    inner = np.stack([100 + 57 * np.cos(turn), 100 + 57 * np.sin(turn)], axis=1)[::-1]
    ring = ring_around(np.vstack([outer, inner]), (300, 300))
    radius = np.hypot(*(ring - 100).T)
    assert radius.max() > 63
    # the middle of the arc's inside stays free
    assert np.hypot(*(ring - np.array([100.0, 100.0])).T).min() > 40


@pytest.mark.parametrize("ground", [0, 128, 255])
def test_an_outline_reads_on_any_ground(ground: int) -> None:
    """On black, grey and white some stroke differs strongly from the ground."""
    canvas = np.full((80, 80, 3), ground, np.uint8)
    double_stroke(canvas, np.array([[20.0, 20.0], [60.0, 20.0], [60.0, 60.0], [20.0, 60.0]]), 2)
    contrast = np.abs(canvas.astype(int) - ground).max()
    assert contrast > 100


def test_hidden_areas_are_hatched_inside_only() -> None:
    """Hatching changes the hidden area and nothing far from it."""
    picture: U8 = np.full((120, 160, 3), 120, np.uint8)
    box = np.array([[40.0, 30.0], [100.0, 30.0], [100.0, 90.0], [40.0, 90.0]])
    hatch_polygons(picture, [box], 16)
    changed = (picture != 120).any(axis=2)
    assert changed[35:85, 45:95].mean() > 0.1
    assert not changed[:25].any()
    assert not changed[:, 110:].any()


def test_plates_never_overlap_and_stay_in_their_margin() -> None:
    """Plates stacked at one height are pushed apart, in the order of their points."""
    plate = Plate("f1", "1", "Vapour spot", "major, 9 mm", 20)
    wanted = [Wanted(plate, 10.0, 100.0 + step) for step in range(6)]
    stacked = stack_heights(wanted, 0, 600, 4)
    tops = [top for _, top in stacked]
    assert tops == sorted(tops)
    gaps = np.diff(tops)
    assert (gaps >= plate.height).all()
    assert tops[0] >= 0
    assert tops[-1] + plate.height <= 600


def test_plates_go_to_the_nearer_side_while_it_has_room() -> None:
    """A full margin hands further plates to the other one."""
    plate = Plate("f1", "1", "Fibre", "", 20)
    wanted = [Wanted(plate, 10.0, 50.0)] * 4
    left, right = split_sides(wanted, 100.0, 2 * plate.height + 4, 4)
    assert len(left) == 2
    assert len(right) == 2


def test_number_tags_avoid_rings_and_each_other() -> None:
    """Two neighbouring specks get tags that do not cover each other."""
    rings = {
        key: np.array([[x - 12, 88], [x + 12, 88], [x + 12, 112], [x - 12, 112]], np.float64)
        for key, x in (("a", 100), ("b", 130))
    }
    boxes = tag_boxes(rings, {"a": "1", "b": "2"}, (0, 0, 300, 300), 16)
    a, b = boxes["a"], boxes["b"]
    assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
    assert a[2] <= 118 or a[0] >= 142 or a[3] <= 88 or a[1] >= 112


def test_numbers_are_listed_as_ranges() -> None:
    """Runs of three and more are shortened; pairs and odd ids stand by themselves."""
    assert number_ranges(["4", "2", "3", "1", "7", "8", "x"]) == "1 to 4, 7, 8, x"


@pytest.mark.parametrize(("span", "length"), [(254, 50), (100, 20), (30, 5), (1000, 200)])
def test_scale_bar_has_a_round_length(span: float, length: float) -> None:
    """The bar is the longest round length within a quarter of the panel."""
    assert bar_length(span) == length


def test_an_unplaced_panel_shows_the_photo(make_inspection: Callable[..., Inspection]) -> None:
    """Without placement the photo as taken stands under the verdict."""
    photo = np.zeros((400, 600, 3), np.uint8)
    photo[..., 0] = 200
    image = marked_picture(make_inspection((), word="retake", placed=False), photo)
    seen = np.asarray(image)
    assert ((seen[..., 0] == 200) & (seen[..., 1] == 0)).mean() > 0.1


def test_a_panel_without_a_size_is_measured_in_per_cent(
    make_inspection: Callable[..., Inspection],
) -> None:
    """Both pictures can be drawn for a panel of unknown size."""
    inspection = make_inspection(size_known=False)
    assert marked_picture(inspection).width > 0
    assert numbered_picture(inspection).width > 0


def test_labels_use_letters_that_the_font_has() -> None:
    """Accents are dropped, signs spelled out, and other scripts shown as question marks."""
    assert plain_ascii("Caf\u00e9 3 \N{MULTIPLICATION SIGN} 4, ΔE") == "Cafe 3 x 4, dE"
    assert plain_ascii("\u6e05") == "?"


@pytest.mark.parametrize("round_span", [4.0, 40.0, 400.0, 800.0, 4000.0])
def test_a_span_that_is_nearly_round_has_its_bar(round_span: float) -> None:
    """The last digit of a panel's width in pixels over its scale is not the panel's."""
    assert bar_length(math.nextafter(round_span, 0.0)) == pytest.approx(round_span / 4)
