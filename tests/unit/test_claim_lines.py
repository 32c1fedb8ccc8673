"""Lines at a place of a customer's photo: traced, told apart, seen because they were pointed to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dyelight.claim import load_claim_file
from dyelight.claim.left_over import left_over
from dyelight.claim.line_course import LineCourse, course_at, course_of
from dyelight.claim.pointing import Pointed
from dyelight.claim.thin_lines import kind_of_line, told_apart
from dyelight.look import Difference, compare
from dyelight.placement import place
from dyelight.records import Artwork, Finding, Kind, Photo, Placement
from dyelight.simulate import PlantedDefect, SimulatedPhoto, drawn_artwork, simulate_photo

WIDTH_MM, HEIGHT_MM = 160.0, 120.0
SCRATCH_MM, CREASE_MM, HAIR_MM, EMPTY_MM = (60.0, 30.0), (80.0, 80.0), (120.0, 40.0), (30.0, 100.0)
PLANTED = (
    PlantedDefect("scratch", SCRATCH_MM, 24.0, 0.2, 0.7, "light", 25.0, shape_seed=2),
    PlantedDefect("crease_line", CREASE_MM, 60.0, 0.8, 0.5, "light", 170.0, shape_seed=3),
    PlantedDefect("fibre", HAIR_MM, 16.0, 0.35, 0.95, "dark", 60.0, shape_seed=14),
)
WORDS = load_claim_file()


@pytest.fixture(scope="module")
def shot() -> SimulatedPhoto:
    return simulate_photo(
        drawn_artwork("sky", 1200, 900, seed=2),
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        capture="station",
        defects=PLANTED,
        seed=7,
        long_side_px=1100,
    )


@pytest.fixture(scope="module")
def difference(shot: SimulatedPhoto) -> Difference:
    pixels = drawn_artwork("sky", 1200, 900, seed=2)
    artwork = Artwork("a.png", "a" * 64, pixels, None, WIDTH_MM, HEIGHT_MM)
    photo = Photo("p.jpg", "b" * 64, shot.pixels)
    placement = place(photo, artwork)
    assert isinstance(placement, Placement)
    return compare(photo, artwork, placement)


def px_of(shot: SimulatedPhoto, at_mm: tuple[float, float]) -> tuple[float, float]:
    x, y = shot.truth.px_from_panel_mm(np.array([at_mm]))[0]
    return float(x), float(y)


def pointed(shot: SimulatedPhoto, at_mm: tuple[float, float]) -> Pointed:
    x, y = px_of(shot, at_mm)
    return Pointed((x, y, x, y), 8.0)


def followed(
    difference: Difference, shot: SimulatedPhoto, at_mm: tuple[float, float]
) -> tuple[LineCourse, bool]:
    found = left_over(difference, pointed(shot, at_mm))
    assert found.line_snr >= WORDS.limit.line_snr.value
    course = course_at(difference, found.line_at_px, found.line_turn, dark=found.line_dark)
    assert course is not None
    return course, found.line_dark


def test_a_scratch_is_straight_and_white(difference: Difference, shot: SimulatedPhoto) -> None:
    """A cut runs straight, is as long as it was drawn, and throws white light back."""
    course, dark = followed(difference, shot, SCRATCH_MM)
    assert not dark
    assert course.straightness > 0.995
    assert course.length_mm == pytest.approx(24.0, abs=4.0)
    assert course.white_share > 0.5
    assert kind_of_line(course, dark, WORDS) in ("scratch", None)


def test_a_crease_has_lost_a_share_of_its_dye(difference: Difference, shot: SimulatedPhoto) -> None:
    """Where dye is missing by a share, the line keeps the print's own colours."""
    course, dark = followed(difference, shot, CREASE_MM)
    assert not dark
    assert course.straightness > 0.995
    assert course.white_share < 0.45
    assert kind_of_line(course, dark, WORDS) in ("crease_line", None)


def test_a_fold_is_wider_than_the_blur_and_a_cut_is_not(
    difference: Difference, shot: SimulatedPhoto
) -> None:
    """0.8 mm are a few pixels of this photo, 0.2 mm are one."""
    (cut, _), (fold, _) = (followed(difference, shot, at) for at in (SCRATCH_MM, CREASE_MM))
    assert cut.width_blurs < WORDS.limit.wide_line.value < fold.width_blurs


def test_a_curled_fibre_is_not_straight(difference: Difference, shot: SimulatedPhoto) -> None:
    """Lint bends, and may be dark."""
    course, dark = followed(difference, shot, HAIR_MM)
    assert dark
    assert course.straightness < WORDS.limit.straight_line.value
    assert kind_of_line(course, dark, WORDS) == "fibre"


def test_a_place_without_a_mark_has_neither_spot_nor_line(
    difference: Difference, shot: SimulatedPhoto
) -> None:
    """Noise alone stays well under both limits."""
    found = left_over(difference, pointed(shot, EMPTY_MM))
    assert found.spot_snr < WORDS.limit.spot_snr.value
    assert found.line_snr < WORDS.limit.line_snr.value


def test_a_found_line_is_traced_along_its_outline(
    difference: Difference, shot: SimulatedPhoto, make_finding: Callable[..., Finding]
) -> None:
    """A ragged outline around the scratch still gives its true course."""
    turn = np.deg2rad(25.0)
    along = np.array([np.cos(turn), np.sin(turn)])
    across = np.array([-along[1], along[0]])
    at = np.linspace(-12.0, 12.0, 25)
    ragged = 0.3 + 0.5 * (np.arange(25) % 2)
    upper = np.array(SCRATCH_MM) + at[:, None] * along + ragged[:, None] * across
    lower = np.array(SCRATCH_MM) + at[::-1, None] * along - 0.3 * across
    item = replace(
        make_finding(1, "fibre", SCRATCH_MM, (24.0, 2.0)),
        outline_mm=np.concatenate([upper, lower]),
        tone="light",
        features={"straightness": 0.9, "length_mm": 24.0},
        doubts=(),
    )
    course = course_of(item, difference)
    assert course is not None
    assert course.straightness > 0.995
    assert told_apart(item, None, WORDS).kind == "fibre"
    assert told_apart(item, course, WORDS).kind == "scratch"


@pytest.mark.parametrize(
    ("kind", "straightness", "white_share", "width_blurs", "told"),
    [
        ("crease_line", 0.999, 0.65, 3.5, "scratch"),
        ("scratch", 0.999, 0.2, 2.4, "crease_line"),
        ("scratch", 0.999, 0.3, 3.5, "crease_line"),
        ("scratch", 0.999, 0.3, 2.4, "scratch"),
        ("scratch", 0.999, 0.45, 3.5, "scratch"),
        ("crease_line", 0.999, 0.45, 3.5, "crease_line"),
        ("crease_line", 0.999, 0.45, 2.4, "scratch"),
        ("crease_line", 0.996, 0.3, 3.5, "scratch"),
        ("fibre", 0.96, 0.65, 3.5, "fibre"),
    ],
)
def test_colour_width_and_course_tell_a_scratch_from_a_crease(
    make_finding: Callable[..., Finding],
    kind: Kind,
    straightness: float,
    white_share: float,
    width_blurs: float,
    told: str,
) -> None:
    """Where both explain a straight wide line alike, its first name stays."""
    features = {"straightness": 0.97, "length_mm": 30.0}
    item = replace(
        make_finding(1, kind, (40.0, 30.0), (30.0, 1.0)), tone="light", features=features, doubts=()
    )
    course = LineCourse(straightness, 30.0, white_share, width_blurs)
    assert told_apart(item, course, WORDS).kind == told


@pytest.mark.parametrize(
    ("course", "dark", "kind"),
    [
        (LineCourse(0.999, 2.0, 0.9), False, None),
        (LineCourse(0.999, 12.0, 0.9), False, "scratch"),
        (LineCourse(0.999, 12.0, 0.2), False, None),
        (LineCourse(0.95, 12.0, 0.9), False, "fibre"),
        (LineCourse(0.983, 12.0, 0.9), False, "fibre"),
        (LineCourse(0.988, 12.0, 0.9), False, None),
        (LineCourse(0.999, 60.0, 0.45, 3.5), False, None),
        (LineCourse(0.999, 60.0, 0.45), False, "scratch"),
        (LineCourse(0.999, 60.0, 0.3, 3.5), False, "crease_line"),
        (LineCourse(0.999, 60.0, 0.3), False, None),
        (LineCourse(0.999, 110.0, 0.45), False, "crease_line"),
        (LineCourse(0.999, 110.0, 0.52), False, None),
        (LineCourse(0.999, 60.0, 0.5), True, "crease_line"),
        (LineCourse(0.999, 8.0, 0.5), True, "fibre"),
    ],
)
def test_less_is_said_of_a_line_that_no_search_found(
    course: LineCourse, dark: bool, kind: Any
) -> None:
    """A line keeps no name where it is short or may be either."""
    assert kind_of_line(course, dark, WORDS) == kind


def test_a_small_dent_has_two_sides_and_a_speck_one(
    difference: Difference, shot: SimulatedPhoto, make_finding: Callable[..., Finding]
) -> None:
    """A dimple drawn into the residual has a side of the other sign, a speck has none."""
    x, y = px_of(shot, EMPTY_MM)
    frame = difference.photo
    rows, columns = np.mgrid[0 : frame.residual.shape[0], 0 : frame.residual.shape[1]]
    across, down = columns - (x - frame.x0), rows - (y - frame.y0)
    bump = 0.15 * np.exp(-(across**2 + down**2) / (2 * 2.0**2))
    looks = []
    for shape in (bump, bump * across / 1.5):
        residual = np.asarray(frame.residual + shape, np.float32)
        marked = replace(difference, photo=replace(frame, residual=residual))
        looks.append(left_over(marked, pointed(shot, EMPTY_MM)))
    speck, dent = looks
    assert min(speck.spot_snr, dent.spot_snr) > WORDS.limit.spot_snr.value
    assert speck.opposite_lobe < 0.3
    assert dent.opposite_lobe > 0.7


def test_a_wide_dent_is_seen_with_both_its_sides(
    difference: Difference, shot: SimulatedPhoto
) -> None:
    """A dimple of many blurs has its sides further apart than a small one."""
    x, y = px_of(shot, EMPTY_MM)
    frame = difference.photo
    rows, columns = np.mgrid[0 : frame.residual.shape[0], 0 : frame.residual.shape[1]]
    across, down = columns - (x - frame.x0), rows - (y - frame.y0)
    wide = 8.0 * max(frame.blur_px, 1.0)
    # seen from straight above its middle there is no more of it on one side than on the other
    bump = np.exp(-(across**2 + down**2) / (2 * wide**2)) * (across - 0.5 * wide) / wide
    sigma = float(np.median(frame.sigma))
    marked = replace(frame, residual=np.asarray(frame.residual + 1.7 * sigma * bump, np.float32))
    found = left_over(replace(difference, photo=marked), pointed(shot, EMPTY_MM))
    assert found.spot_snr > WORDS.limit.spot_snr.value
    assert found.opposite_lobe > WORDS.limit.dent_lobe.value


def test_beside_the_panel_there_is_nothing_to_be_seen(
    difference: Difference, shot: SimulatedPhoto
) -> None:
    """At a slanting edge of a soft photo, what lies beside the metal makes no spot and no line."""
    soft = replace(difference, photo=replace(difference.photo, blur_px=4.0))
    for along in (30.0, 60.0, 90.0):
        found = left_over(soft, pointed(shot, (1.5, along)))
        assert found.spot_snr < WORDS.limit.spot_snr.value
        assert found.line_snr < WORDS.limit.line_snr.value
