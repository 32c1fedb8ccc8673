"""Small marks: their shapes as drawn, their measures in a made-up photo, and which stand alone."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

import cv2
import numpy as np
import pytest

from dyelight.detect.marks import find_marks
from dyelight.detect.same import lone_marks, without_doubles
from dyelight.detect.shapes import (
    borders_px,
    center_px,
    edge_shift,
    length_and_width,
    picture_share,
)
from dyelight.look import Difference, PanelFrame, PhotoFrame
from dyelight.look.colour_light import ColourLight
from dyelight.look.sharpness import Sharpness
from dyelight.placement.picture_map import FittedMap
from dyelight.records import F32, Artwork, Candidate, Mask

SIDE = 400
PER_MM = 10.0
SIGMA = 0.003
BLUR_PX = 1.0


def _drawn_line(points: list[tuple[int, int]], thick: int) -> Mask:
    image = np.zeros((120, 120), np.uint8)
    cv2.polylines(image, [np.array(points, np.int32)], False, 1, thick)
    return np.asarray(image > 0)


def test_a_straight_line_has_its_length_and_width() -> None:
    """A slanted line 71 px long and 3 px wide is measured so, and is straight."""
    length, width, straight = length_and_width(_drawn_line([(20, 20), (70, 70)], 3))
    assert length == pytest.approx(71, abs=5)
    assert width == pytest.approx(3, abs=1.2)
    assert straight > 0.95


def test_a_curved_line_is_measured_along_its_own_axis() -> None:
    """Half a circle of radius 30 px is pi r long, and its ends are 2 r apart."""
    yy, xx = np.mgrid[:120, :120]
    ring = np.abs(np.hypot(xx - 60, yy - 60) - 30) < 1.5
    length, width, straight = length_and_width(ring & (yy >= 60))
    assert length == pytest.approx(np.pi * 30, rel=0.1)
    assert width == pytest.approx(3, abs=1.2)
    assert straight == pytest.approx(2 / np.pi, abs=0.08)


@pytest.mark.parametrize("radius", [2, 12])
def test_a_round_mark_is_as_long_as_wide(radius: int) -> None:
    """A disc has its diameter both ways and counts as straight."""
    yy, xx = np.mgrid[:60, :60]
    mask = (xx - 30) ** 2 + (yy - 30) ** 2 <= (radius + 0.3) ** 2
    length, width, straight = length_and_width(mask)
    assert length == pytest.approx(2 * radius + 1, abs=1.5)
    assert width == pytest.approx(length, rel=0.25)
    assert straight == 1.0


def test_borders_and_centre_of_a_mask_at_its_very_edge() -> None:
    """A part that touches the window's edge keeps its border where it is."""
    mask = np.zeros((20, 30), bool)
    mask[0:5, 0:9] = True
    (border,) = borders_px(mask)
    assert border.min(0).tolist() == [0, 0]
    assert border.max(0).tolist() == [8, 4]
    assert center_px(mask).tolist() == [[4.0, 2.0]]


def test_edge_shift_is_the_shift_of_the_picture() -> None:
    """A picture moved by 0.4 px is off by 0.4 px of its own edges; on flat ground nothing fits."""
    xx = np.arange(80, dtype=np.float32)
    row = 0.5 + 0.2 * np.sin(xx / 6)
    moved = 0.5 + 0.2 * np.sin((xx - 0.4) / 6)
    picture = np.ascontiguousarray(np.broadcast_to(row[None, :, None], (40, 80, 3)), np.float32)
    residual = np.broadcast_to((moved - row)[None], (40, 80)).astype(np.float32)
    inner = np.zeros((40, 80), bool)
    inner[5:35, 5:75] = True
    assert edge_shift(residual, picture, inner) == pytest.approx(0.4, rel=0.1)
    flat = np.full_like(picture, 0.5)
    assert edge_shift(residual, flat, inner) == 99.0


def _difference(added: F32) -> Difference:
    """Light `added` (SIDE, SIDE), blurred by the photo, to a flat grey panel, with noise."""
    noise = np.random.default_rng(9).normal(0, SIGMA, (SIDE, SIDE))
    blurred = np.asarray(cv2.GaussianBlur(added, (0, 0), BLUR_PX), np.float32)
    residual = np.asarray(blurred + noise, np.float32)
    shape = residual.shape
    flat = np.full((*shape, 3), 0.5, np.float32)
    photo = PhotoFrame(
        x0=0.0,
        y0=0.0,
        observed=flat + residual[..., None],
        expected=flat,
        residual=residual,
        sigma=np.full(shape, SIGMA, np.float32),
        coherent=np.zeros(shape, np.float32),
        usable=np.ones(shape, bool),
        px_per_mm=PER_MM,
        blur_px=BLUR_PX,
        sharpness=Sharpness(BLUR_PX, np.zeros((3, 3), np.float32), 0.0),
    )
    size_mm = SIDE / PER_MM
    homography = np.array([[PER_MM, 0, -0.5], [0, PER_MM, -0.5], [0, 0, 1]])
    place = FittedMap.from_homography(homography, (SIDE, SIDE), (0, 0, size_mm, size_mm))
    grey = np.full((SIDE, SIDE, 3), 128, np.uint8)
    return Difference(
        artwork=Artwork("picture.png", "", grey, None, size_mm, size_mm),
        picture=place,
        outline_seen=True,
        panel=cast(PanelFrame, None),
        photo=photo,
        look=cast(ColourLight, None),
        panel_from_artwork=np.eye(3),
        under_veil=flat,
        hidden=np.zeros(shape, bool),
        past_end=np.zeros(shape, bool),
        skirt=np.zeros(shape, bool),
        white=flat,
        contrast=np.zeros(shape, np.float32),
        due=np.zeros(shape, np.float32),
        left_over=np.zeros(shape, np.float32),
    )


def test_a_speck_is_a_point_with_its_size_and_place() -> None:
    """A pale disc 1.6 mm across is one light point of that size at its place in mm."""
    yy, xx = np.mgrid[:SIDE, :SIDE]
    disc = ((xx - 119.5) ** 2 + (yy - 249.5) ** 2 <= 64).astype(np.float32)
    (speck,) = find_marks(_difference(np.float32(0.1) * disc))
    assert speck.family == "point"
    assert speck.tone == "light"
    assert speck.center_mm == pytest.approx((12.0, 25.0), abs=0.03)
    assert speck.features["eq_diameter_mm"] == pytest.approx(1.6, rel=0.1)
    assert speck.features["edge_blur_ratio"] == pytest.approx(1.0, abs=0.35)
    x0, y0, x1, y1 = speck.box_mm
    assert (x1 - x0, y1 - y0) == pytest.approx((1.6, 1.6), abs=0.25)


def test_a_fibre_is_a_line_with_its_length() -> None:
    """A dark thread 10 mm long and 0.2 mm wide is one dark line, straight and thin."""
    image = np.zeros((SIDE, SIDE), np.float32)
    image[199:201, 150:250] = -0.15
    (fibre,) = find_marks(_difference(image))
    assert fibre.family == "line"
    assert fibre.tone == "dark"
    assert fibre.features["length_mm"] == pytest.approx(10.0, rel=0.08)
    assert fibre.features["width_mm"] < 0.35
    assert 0 <= fibre.features["least_width_mm"] == max(fibre.features["width_mm"] - 0.04, 0)
    assert fibre.features["straightness"] > 0.95
    assert fibre.features["elongation"] > 10


def test_a_sharp_strong_mark_on_busy_print_that_is_followed_is_none_of_its_edges() -> None:
    """A texture whose edges would have to move by 2 px to make a thread: as nothing else of them is
    off, the thread is no edge. Where much of the print is off it may be one."""
    image = np.zeros((SIDE, SIDE), np.float32)
    image[199:201, 150:175] = -0.06
    calm = _difference(image)
    rough = np.random.default_rng(8).normal(size=(SIDE, SIDE)).astype(np.float32)
    steep = np.asarray(0.08 * cv2.GaussianBlur(rough, (0, 0), 1.0), np.float32)
    busy = np.asarray(calm.photo.expected + steep[..., None], np.float32)
    frame = replace(calm.photo, expected=busy, observed=busy + calm.photo.residual[..., None])
    (thread,) = find_marks(replace(calm, photo=frame))
    assert thread.features["picture_share"] < 0.2
    assert thread.features["edge_shift_px"] == 4.0
    off = frame.residual.copy()
    off[40:50] += 8 * SIGMA * np.random.default_rng(3).choice((-1, 1), (10, SIDE))
    marks = find_marks(replace(calm, photo=replace(frame, residual=off)))
    again = next(mark for mark in marks if abs(mark.center_mm[1] - 20) < 0.5)
    assert 1.0 < again.features["edge_shift_px"] < 4.0


def test_a_faultless_flat_panel_shows_no_marks() -> None:
    """Noise alone gives nothing."""
    assert find_marks(_difference(np.zeros((SIDE, SIDE), np.float32))) == ()


def _mark(x: float, y: float, **features: float) -> Candidate:
    values: dict[str, float] = {
        "eq_diameter_mm": 0.6,
        "width_mm": 0.6,
        "elongation": 1.2,
        "edge_blur_ratio": 1.0,
        "peak_de00": 20.0,
    }
    return _candidate("point", x, y, 0.3, values | features)


_TURN = np.linspace(0, 2 * np.pi, 24, endpoint=False)
_ROUND = np.stack([np.cos(_TURN), np.sin(_TURN)], axis=1)


def _candidate(family: str, x: float, y: float, radius: float, features: Any) -> Candidate:
    return Candidate(
        family=family,
        center_mm=(x, y),
        box_mm=(x - radius, y - radius, x + radius, y + radius),
        outline_mm=np.array([x, y]) + radius * _ROUND,
        area_mm2=np.pi * radius**2,
        delta_e00=10.0,
        snr=20.0,
        tone="light",
        features=dict(features),
    )


def test_lone_marks_are_small_sharp_and_without_company() -> None:
    """A mark alone stays; wide ones, soft ones and marks in a group do not stand alone."""
    alone = _mark(10, 10)
    wide = _mark(30, 10, eq_diameter_mm=5.0, width_mm=4.0)
    soft = _mark(50, 10, edge_blur_ratio=2.5)
    group = [_mark(10, 40), _mark(10.8, 40)]
    assert lone_marks([alone, wide, soft, *group]) == [alone]


def test_the_halo_of_a_mark_is_no_company_and_goes_with_it() -> None:
    """A faint mark of the other tone beside a strong one is its halo, a strong one is not."""
    mark = _mark(10, 10)
    halo = replace(_mark(10.7, 10, peak_de00=4.0), tone="dark")
    other = replace(_mark(10.7, 10, peak_de00=12.0), tone="dark")
    assert lone_marks([mark, halo]) == [mark]
    assert without_doubles([mark, halo]) == [mark]
    assert lone_marks([mark, other]) == []
    assert without_doubles([mark, other]) == [mark, other]


def test_marks_inside_a_patch_are_its_mottle_unless_they_stand_out() -> None:
    """A group inside a patch goes with it; a lone mark half again as strong as the patch stays."""
    patch = _candidate("patch", 20, 20, 8.0, {"eq_diameter_mm": 8.0, "elongation": 1.2})
    mottle = [_mark(18, 20), _mark(18.7, 20)]
    weak = _mark(24, 20)
    strong = replace(_mark(20, 25), delta_e00=16.0)
    assert without_doubles([*mottle, weak, strong, patch]) == [strong, patch]
    outside = _mark(40, 20)
    assert without_doubles([outside, patch]) == [outside, patch]
    line = np.array([[10.0, 10], [30, 30], [30.5, 30], [10.5, 10]])
    diagonal = replace(patch, outline_mm=line, box_mm=(10, 10, 30.5, 30))
    in_its_box = _mark(26, 14)
    assert without_doubles([in_its_box, diagonal]) == [in_its_box, diagonal]


def test_where_a_line_runs_over_the_edge_it_makes_no_bite() -> None:
    """A bite at the end of a line that is four times as long goes with it; another stays."""
    chip = _candidate("chip", 2, 20, 2.0, {})
    line = replace(_mark(12, 20, elongation=30.0, length_mm=20.0), family="line")
    line = replace(line, box_mm=(1.0, 19.0, 21.0, 21.0))
    assert without_doubles([chip, line]) == [line]
    dark = replace(line, tone="dark")
    assert without_doubles([chip, dark]) == [chip, dark]
    short = replace(line, features=line.features | {"length_mm": 10.0})
    assert without_doubles([chip, short]) == [chip, short]
    away = replace(line, box_mm=(8.0, 19.0, 28.0, 21.0))
    assert without_doubles([chip, away]) == [chip, away]


def test_a_lone_speck_in_glare_is_no_part_of_it() -> None:
    """However strong a wide light patch is, a far smaller speck in it stays, and a dark one too."""
    wide = {"eq_diameter_mm": 30.0, "elongation": 1.2}
    glare = replace(_candidate("patch", 30, 30, 15.0, wide), delta_e00=25.0, tone="light")
    speck = _mark(30, 30)
    assert without_doubles([speck, glare]) == [speck, glare]
    dark = replace(_mark(26, 30, eq_diameter_mm=1.8, width_mm=1.8), tone="dark")
    assert without_doubles([dark, glare]) == [dark, glare]
    # one that is light, and no far smaller than the patch, may be its brightest part
    assert without_doubles([replace(dark, tone="light"), glare]) == [glare]


def test_a_mark_that_two_filters_saw_is_no_company_of_itself() -> None:
    """Twice the same place is one thing; half a millimetre on is another."""
    mark, again, other = _mark(10, 10), _mark(10.05, 10), _mark(10.5, 10)
    assert lone_marks([mark, again]) == [mark, again]
    assert lone_marks([mark, other]) == []


def test_a_line_within_a_patch_that_is_that_line_stays() -> None:
    """A crease may be seen on the squared-up panel too, where it measures broader and fainter."""
    long = {"elongation": 40.0, "length_mm": 30.0, "eq_diameter_mm": 4.0}
    crease = replace(_mark(20, 20, **long), family="line")
    broad = _candidate("patch", 20, 20, 16.0, {"eq_diameter_mm": 14.0, "elongation": 50.0})
    round_one = _candidate("patch", 20, 20, 16.0, {"eq_diameter_mm": 14.0, "elongation": 1.2})
    assert without_doubles([crease, broad]) == [crease, broad]
    assert without_doubles([crease, round_one]) == [round_one]


def test_large_soft_marks_are_left_to_the_patches() -> None:
    """A mark that is wide and fades out is dropped even where no patch lies."""
    faded = _mark(10, 10, edge_blur_ratio=3.0, eq_diameter_mm=2.0)
    assert without_doubles([faded]) == []


@pytest.mark.parametrize("degrees", [0, 10, 22, 35, 45, 60])
def test_a_straight_line_reads_straight_at_any_angle(degrees: float) -> None:
    """The staircase of pixels is no bend: straight lines read 0.99 and more."""
    mask = np.zeros((200, 200), np.uint8)
    reach = 70 * np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])
    ends = [np.rint(100 + sign * reach).astype(int) for sign in (-1, 1)]
    cv2.line(mask, tuple(map(int, ends[0])), tuple(map(int, ends[1])), 1, 3)
    length, width, straight = length_and_width(mask > 0)
    assert length == pytest.approx(143, abs=3)
    assert width == pytest.approx(4, abs=1.5)
    assert straight > 0.99


def test_a_bowed_line_reads_bowed() -> None:
    """A half wave a fifth as high as it is wide is 1.09 times as long as its chord."""
    x = np.arange(30, 171)
    y = 100 + 0.2 * 140 * np.sin((x - 30) / 140 * np.pi)
    mask = np.zeros((200, 200), np.uint8)
    cv2.polylines(mask, [np.stack([x, y], 1).astype(np.int32)], False, 1, 3)
    assert length_and_width(mask > 0)[2] == pytest.approx(1 / 1.092, abs=0.02)


def test_picture_share_tells_the_pictures_detail_from_a_mark() -> None:
    """A star a third too bright is the picture's own; a speck beside it is not."""
    y, x = np.mgrid[:60, :60].astype(np.float32)
    star = 0.4 * np.exp(-0.5 * (np.square(x - 20) + np.square(y - 30)) / 1.5**2)
    speck = 0.1 * np.exp(-0.5 * (np.square(x - 42) + np.square(y - 30)) / 1.5**2)
    expected = np.asarray(0.1 + star, np.float32)
    residual = np.asarray(0.33 * star + speck, np.float32)
    sigma = np.full(residual.shape, 0.004, np.float32)
    on_star = np.hypot(x - 20, y - 30) < 6
    on_speck = np.hypot(x - 42, y - 30) < 6
    assert picture_share(residual, expected, sigma, on_star) > 0.95
    assert picture_share(residual, expected, sigma, on_speck) < 0.1
