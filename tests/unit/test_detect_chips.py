"""Bites out of the coating at the panel's edge, drawn into made-up photos."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from dyelight.detect.edge_bareness import BARE, departure
from dyelight.detect.edge_chips import find_chips, with_chips_whole
from dyelight.imaging import distance_inside
from dyelight.look import Difference, compare
from dyelight.placement.picture_map import FittedMap
from dyelight.records import F64, U8, Artwork, Candidate, Photo, Placement

WIDTH_MM, HEIGHT_MM, PER_MM = 120.0, 80.0, 7.0
LEFT_PX, TOP_PX = 60, 50
SHAPE = (int(HEIGHT_MM * PER_MM), int(WIDTH_MM * PER_MM))


def _picture(white: bool = True, pale: bool = False) -> U8:
    """Soft colour fields, with a white square where the base's colour is to be known."""
    rng = np.random.default_rng(5)
    low, high = (205, 235) if pale else (40, 170)
    ground = rng.uniform(low, high, (7, 10, 3)).astype(np.float32)
    image = cv2.resize(ground, SHAPE[::-1], interpolation=cv2.INTER_CUBIC)
    if white:
        image[240:300, 380:460] = 255
    noise = cv2.GaussianBlur(rng.normal(size=(*SHAPE, 3)).astype(np.float32), (0, 0), 1.5)
    return np.asarray(np.clip(image + 40 * noise, 0, 255), np.uint8)


def _seen(
    *bites: tuple[float, float, float, float],
    level: float = 1.0,
    soft_px: float = 0.5,
    white: bool = True,
    outline_seen: bool = True,
    pale: bool = False,
    shade: float | None = None,
    behind: float = 0.15,
) -> Difference:
    """The difference for a panel with half-ellipses (x, y, across, deep in mm) of bare `level`, or
    of print that `shade` of the light is left on; it lies before what is as light as `behind`."""
    picture = _picture(white, pale)
    print_light = ((picture.astype(np.float32) / 255) ** np.float32(2.2)) * 0.95 + 0.02
    y, x = (np.mgrid[: SHAPE[0], : SHAPE[1]] + 0.5) / PER_MM
    bare = np.zeros(SHAPE, np.float32)
    for at_x, at_y, across, deep in bites:
        far = np.hypot((x - at_x) / (across / 2), (y - at_y) / deep)
        bare = np.maximum(bare, np.clip((1 - far) * min(across, deep) * PER_MM / 2 + 0.5, 0, 1))
    bare = np.asarray(cv2.GaussianBlur(bare, (0, 0), soft_px), np.float32)[..., None]
    there = np.float32(level) if shade is None else np.float32(shade) * print_light
    panel = 0.7 * (print_light * (1 - bare) + there * bare)
    full = np.full((SHAPE[0] + 2 * TOP_PX, SHAPE[1] + 2 * LEFT_PX, 3), behind, np.float32)
    full[TOP_PX : TOP_PX + SHAPE[0], LEFT_PX : LEFT_PX + SHAPE[1]] = panel
    seen = np.asarray(cv2.GaussianBlur(full, (0, 0), 1.0), np.float32)
    seen = seen + np.random.default_rng(1).normal(size=full.shape) * np.sqrt(seen / 8000)
    pixels = np.asarray(np.rint(255 * np.clip(seen, 0, 1) ** (1 / 2.2)), np.uint8)
    homography = np.array(
        [[PER_MM, 0, LEFT_PX - 0.5], [0, PER_MM, TOP_PX - 0.5], [0, 0, 1]], np.float64
    )
    size = (full.shape[1], full.shape[0])
    place = FittedMap.from_homography(homography, size, (0, 0, WIDTH_MM, HEIGHT_MM))
    square: F64 = np.array([[0, 0], [WIDTH_MM, 0], [WIDTH_MM, HEIGHT_MM], [0, HEIGHT_MM]], float)
    corners = place.to_photo(square) + 0.01 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    none = (0.0, 0.0)
    placement = Placement(place, corners, outline_seen, 0.05, none, none, False, 0, "features")
    artwork = Artwork("picture.png", "", picture, None, WIDTH_MM, HEIGHT_MM)
    return compare(Photo("photo.jpg", "", pixels), artwork, placement)


@pytest.mark.parametrize(
    ("bite", "level"),
    [
        ((60.0, 80.0, 3.0, 1.6), 1.0),
        ((0.0, 40.0, 8.0, 6.0), 0.6),
        ((120.0, 0.0, 12.0, 6.0), 1.0),
    ],
)
def test_a_bite_is_found_at_its_place_and_size(
    bite: tuple[float, float, float, float], level: float
) -> None:
    """Small at a long side, dull metal at a short one, and a whole corner."""
    (found,) = find_chips(_seen(bite, level=level))
    x, y, across, deep = bite
    assert found.family == "chip"
    assert found.tone == "light"
    assert np.hypot(found.center_mm[0] - x, found.center_mm[1] - y) < max(across / 2, deep)
    share = 0.25 if y == 0 else 0.5
    area = share * np.pi * (across / 2) * deep
    # the first third of a millimetre is the rim's
    assert 0.45 * area < found.area_mm2 < 1.2 * area
    assert found.snr > 6
    assert found.features["edge_blur_ratio"] < 2.2


def test_what_is_no_bite() -> None:
    """A bare strip along the edge, a spot off the edge, and a panel as expected."""
    assert find_chips(_seen((60.0, 80.0, 60.0, 1.5))) == ()
    assert find_chips(_seen((60.0, 74.0, 4.0, 2.0))) == ()
    assert find_chips(_seen()) == ()


def test_what_lies_within_a_bite_is_part_of_it() -> None:
    """Marks and patches of its border go, others stay."""
    (chip,) = find_chips(_seen((0.0, 40.0, 8.0, 6.0)))

    def other(x0: float, y0: float) -> Candidate:
        box = (x0, y0, x0 + 1.0, y0 + 1.0)
        return Candidate("line", (x0, y0), box, np.zeros((3, 2)), 1.0, 9.0, 9.0, "light", {})

    inside, beside = other(2.0, 39.5), other(30.0, 39.5)
    assert with_chips_whole([chip, inside, beside]) == [chip, beside]


@pytest.mark.parametrize(("white", "outline_seen"), [(False, True), (True, False), (False, False)])
def test_a_grey_bite_needs_neither_white_nor_outline(white: bool, outline_seen: bool) -> None:
    """Dull metal shows at a side of a picture without white, or whose outline was not seen."""
    deep = 4.0
    found = find_chips(
        _seen((60.0, 80.0, 7.0, deep), level=0.55, white=white, outline_seen=outline_seen)
    )
    near = [c for c in found if np.hypot(c.center_mm[0] - 60, c.center_mm[1] - 78.4) < 1.5]
    assert len(near) == 1
    assert near[0].features["neutral_likeness"] > 0.3
    assert near[0].snr > 10


def test_a_shadow_at_the_edge_is_no_bite() -> None:
    """What is grey and darker than the print by much may lie behind the panel."""
    assert find_chips(_seen((60.0, 80.0, 7.0, 4.0), level=0.01)) == ()


def test_metal_darker_than_pale_print_is_found() -> None:
    """Bare metal throws back less than half the light that white paint does."""
    (found,) = find_chips(_seen((60.0, 80.0, 5.0, 3.0), level=0.35, pale=True))
    assert found.tone == "dark"
    assert np.hypot(found.center_mm[0] - 60, found.center_mm[1] - 78.7) < 0.7


def test_shaded_print_is_no_metal() -> None:
    """What keeps the print's colours and picture lies in the shade, however sharp that is."""
    assert find_chips(_seen((60.0, 80.0, 7.0, 4.0), shade=0.4, pale=True, behind=0.02)) == ()


def test_what_begins_past_the_edge_is_no_metal() -> None:
    """A notch through which the table shows, as where a corner is cut."""
    bite = (60.0, 80.0, 5.0, 3.0)
    assert find_chips(_seen(bite, level=0.35, pale=True, behind=0.7 * 0.35)) == ()


def test_a_bite_lies_as_near_to_one_side_as_to_the_other() -> None:
    """What is seen of it is not moved within the frame's pixels."""
    left, right = find_chips(_seen((0.0, 40.0, 5.0, 3.0), (120.0, 40.0, 5.0, 3.0)))
    if left.center_mm[0] > right.center_mm[0]:
        left, right = right, left
    assert left.center_mm[0] == pytest.approx(120.0 - right.center_mm[0], abs=0.06)
    assert left.center_mm[1] == pytest.approx(right.center_mm[1], abs=0.06)


def test_a_faint_tint_departs_as_one_and_the_rim_does_not() -> None:
    """What single pixels hardly tell from noise is whole; what errs all along a side is usual."""
    per_mm, inside = 4.0, np.zeros((140, 200), bool)
    inside[8:-8, 8:-8] = True
    edge_mm = distance_inside(inside) / np.float32(per_mm)
    band = (edge_mm > 0.35) & (edge_mm < 12)
    noise = np.random.default_rng(3).normal(0, 0.015, (*inside.shape, 3))
    apart = np.asarray(noise, np.float32)
    apart[edge_mm < 0.8] += np.float32(0.15)
    tinted = np.zeros_like(inside)
    tinted[8:22, 80:100] = True
    tinted &= band
    apart[tinted] += np.float32([-0.05, 0.01, 0.05])
    shown = departure(apart, band, edge_mm, per_mm) > BARE
    assert shown[tinted].mean() > 0.9
    assert shown[band & ~tinted].mean() < 0.01


def test_the_end_of_a_bare_strip_is_no_bite() -> None:
    """A strip is told as far as the rounded corners; what is bare there belongs to it."""
    (bite,) = find_chips(_seen((60.0, 80.0, 7.0, 4.0)))
    x0, y0, _, y1 = bite.box_mm
    beside = replace(bite, family="border", box_mm=(x0 - 80, y0, x0 - 0.3, y1))
    elsewhere = replace(bite, family="border", box_mm=(0.0, 0.0, 2.0, 80.0))
    assert with_chips_whole([bite, elsewhere]) == [bite, elsewhere]
    corner = replace(bite, box_mm=(x0, y0, x0 + 1.5, y1))
    assert with_chips_whole([corner, beside]) == [beside]
