"""Pictures with little to go by: a logo on white, a chequer, smooth colours with faint grain."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest

from dyelight.placement import FittedMap, place
from dyelight.placement.bare_strips import past_bare_strips
from dyelight.placement.frame_fit import (
    Observations,
    OutlinePrior,
    deviation_from,
    fit_homography_lens,
    frame_covariance,
    homography_from_corners,
    turned_covariance,
)
from dyelight.placement.grain import by_grain
from dyelight.placement.hold import held, laid
from dyelight.placement.outline import _consistent
from dyelight.placement.scaled import PhotoViews, artwork_view
from dyelight.placement.sides import Line
from dyelight.placement.spline_fit import fit_spline
from dyelight.records import F64, U8, Artwork, NoPlacement, Photo, Placement
from dyelight.simulate import PlantedDefect, Truth, drawn_artwork, simulate_photo

WIDTH_MM, HEIGHT_MM = 200.0, 150.0
# drawn pictures of the half that thresholds may be set on
SEEDS = {"logo": 1, "checker": 0, "gradient": 0, "sky": 1, "text": 0}
PANEL = np.array([[0.0, 0.0], [WIDTH_MM, 0.0], [WIDTH_MM, HEIGHT_MM], [0.0, HEIGHT_MM]])
BOX = (0.0, 0.0, WIDTH_MM, HEIGHT_MM)


@cache
def shot(kind: str, capture: str, seed: int) -> tuple[Photo, Artwork, Truth]:
    """A simulated faultless photo, 2000 px long, of a drawn picture."""
    pixels = drawn_artwork(kind, 1600, 1200, seed=SEEDS[kind])
    made = simulate_photo(
        pixels,
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        capture=capture,
        seed=seed,
        long_side_px=2000,
    )
    artwork = Artwork(f"{kind}.png", "0", pixels, None, WIDTH_MM, HEIGHT_MM)
    return Photo("p.jpg", "1", made.pixels), artwork, made.truth


def errors_px(placement: Placement, truth: Truth) -> F64:
    """How far the picture's points lie from the truth."""
    seen = placement.picture.to_photo(truth.grid[0])
    return np.asarray(np.linalg.norm(seen - truth.grid[1], axis=1), np.float64)


@pytest.mark.parametrize(("capture", "seed"), [("station", 3), ("handheld", 5)])
def test_sides_of_the_panel_tell_the_lens(capture: str, seed: int) -> None:
    """From corners some 8 px off the panel is held to half a pixel all over, lens and all."""
    photo, artwork, truth = shot("logo", capture, seed)
    rough = truth.corners_px + np.array([[6.0, -5.0], [-8.0, 4.0], [5.0, 7.0], [-3.0, -6.0]])
    hold = held(PhotoViews(photo), artwork, artwork_view(artwork, 1e7), rough)
    assert hold.seen
    t = np.linspace(0, 1, 7)
    inside = np.stack(np.meshgrid(t * WIDTH_MM, t * HEIGHT_MM), axis=-1).reshape(-1, 2)
    off = np.linalg.norm(hold.start.to_photo(inside) - truth.px_from_panel_mm(inside), axis=1)
    assert off.max() < 0.5
    assert hold.prior.lens is not None
    bend = hold.start.k1 + hold.start.k2 - truth.pose.k1 - truth.pose.k2
    assert abs(bend) < 0.003


@pytest.mark.parametrize(
    ("kind", "capture", "seed"),
    [
        ("logo", "station", 3),
        ("checker", "station", 2),
        ("gradient", "station", 6),
    ],
)
def test_pictures_with_little_detail_are_within_two_pixels(
    kind: str, capture: str, seed: int
) -> None:
    """Every point, upright, and by no more than three times what is stated in the middle."""
    photo, artwork, truth = shot(kind, capture, seed)
    placement = place(photo, artwork)
    assert isinstance(placement, Placement)
    assert not placement.mirrored
    off = errors_px(placement, truth)
    assert off.max() < 2.0
    assert np.median(off) < 3 * placement.uncertainty_px
    assert placement.outline_seen
    corners = np.linalg.norm(placement.corners_px - truth.corners_px, axis=1)
    assert corners.max() < 1.0


@cache
def cut_short(width_mm: float) -> tuple[Photo, Artwork, Truth]:
    """A simulated handheld photo, 2000 px long, of a plain print that leaves the top bare."""
    pixels = np.full((1200, 1600, 3), (140, 190, 70), np.uint8)
    cv2.line(pixels, (200, 300), (1400, 800), (200, 60, 40), 6, cv2.LINE_AA)
    bare = PlantedDefect("bare_edge", (100.0, 0.0), diameter_mm=width_mm, angle_deg=270.0)
    made = simulate_photo(
        pixels,
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        capture="handheld",
        defects=(bare,),
        seed=5,
        long_side_px=2000,
    )
    artwork = Artwork("plain.png", "0", pixels, None, WIDTH_MM, HEIGHT_MM)
    return Photo("p.jpg", "1", made.pixels), artwork, made.truth


@pytest.mark.parametrize("width_mm", [1.8, 3.5, 5.0])
def test_the_metal_is_held_past_a_bare_strip(width_mm: float) -> None:
    """From the print's cut, which is the clearer line, the panel is found at the metal's edge."""
    photo, artwork, truth = cut_short(width_mm)
    at_cut = PANEL.copy()
    at_cut[:2, 1] = width_mm
    hold = held(
        PhotoViews(photo), artwork, artwork_view(artwork, 1e7), truth.px_from_panel_mm(at_cut)
    )
    assert hold.seen
    assert np.abs(hold.prior.corners_px - truth.corners_px).max() < 1.5


@pytest.mark.parametrize("kind", ["gradient", "logo"])
def test_sides_without_a_strip_stay_where_they_are(kind: str) -> None:
    """Neither a table nor a shadow beside the panel is taken for bare metal."""
    photo, artwork, truth = shot(kind, "handheld", 5)
    start = laid(artwork, PhotoViews(photo).size_px, truth.corners_px, None)
    assert past_bare_strips(photo, artwork, start, PANEL) == pytest.approx(PANEL)


def test_another_picture_is_still_refused_on_a_chequered_panel() -> None:
    """Looking for the panel among the picture's own lines makes no other artwork fit."""
    photo, _, _ = shot("checker", "station", 2)
    other = drawn_artwork("gradient", 1600, 1200, seed=SEEDS["gradient"])
    answer = place(photo, Artwork("o.png", "2", other, None, WIDTH_MM, HEIGHT_MM))
    assert isinstance(answer, NoPlacement)


def grainy(seed: int) -> U8:
    """A flat grey whose dither is one level."""
    rng = np.random.default_rng(seed)
    return np.asarray(np.round(128 + rng.normal(0, 1.0, (900, 1200, 1)).repeat(3, 2)), np.uint8)


def seen_through_noise(picture: U8, lay: F64) -> Photo:
    """A photo (900, 1200) of it under an affine `lay` (2, 3), with three levels of noise."""
    soft = cv2.warpAffine(
        picture.astype(np.float32), lay, (1200, 900), borderMode=cv2.BORDER_REPLICATE
    )
    noise = np.random.default_rng(9).normal(0, 3.0, (900, 1200, 1))
    return Photo("g.jpg", "0", np.clip(np.round(soft + noise), 0, 255).astype(np.uint8))


def test_grain_under_the_noise_places_a_flat_picture() -> None:
    """Grain of a third of the noise tells drift and stretch to 0.15 px; another's tells none."""
    picture = grainy(1)
    artwork = Artwork("g.png", "", picture, None, WIDTH_MM, HEIGHT_MM)
    lay = np.array([[1.0015, 0.0004, 3.3], [-0.0006, 1.001, -4.6]])
    photo = seen_through_noise(picture, lay)
    corners = np.array([[-0.5, -0.5], [1199.5, -0.5], [1199.5, 899.5], [-0.5, 899.5]])
    start = FittedMap.from_homography(homography_from_corners(PANEL, corners), (1200, 900), BOX)
    prior = OutlinePrior(corners, PANEL)
    fine = artwork_view(artwork, 1e7)
    found = by_grain(start, PhotoViews(photo), artwork, fine, prior)
    assert found is not None
    points = np.array([[30.0, 30.0], [170.0, 30.0], [100.0, 75.0], [30.0, 120.0], [170.0, 120.0]])
    true = start.to_photo(points) @ lay[:, :2].T + lay[:, 2]
    off = np.linalg.norm(found.fit.map.to_photo(points) - true, axis=1)
    assert off.max() < 0.15
    assert found.fit.standard_error_px < 0.15
    stranger = seen_through_noise(grainy(2), lay)
    assert by_grain(start, PhotoViews(stranger), artwork, fine, prior) is None


def test_doubt_of_the_outline_shows_in_the_stated_error() -> None:
    """Points in the middle leave the corners to the outline, and to how well that is known."""
    corners = np.array([[100.0, 80.0], [1100.0, 90.0], [1090.0, 830.0], [110.0, 820.0]])
    lay = FittedMap.from_homography(homography_from_corners(PANEL, corners), (1200, 900), BOX)
    points = np.array([90.0, 65.0]) + np.random.default_rng(3).random((20, 2)) * 20.0
    measured = Observations(points, lay.to_photo(points), np.tile(10 * np.eye(2), (20, 1, 1)))
    stated = []
    for own in (None, np.eye(8) * 4e-3**2):
        prior = OutlinePrior(corners, PANEL, own=own)
        base = fit_homography_lens(lay, measured, lens=False, prior=prior)
        fit = fit_spline(base, measured, lens=False, panel_px=860.0, prior=prior)
        stated.append(fit.worst_error_px)
    assert stated[1] > 1.5 * stated[0]


@pytest.mark.parametrize("order", [[2, 3, 0, 1], [1, 2, 3, 0], [1, 0, 3, 2]])
def test_the_outlines_covariance_turns_with_the_picture(order: list[int]) -> None:
    """What the outline may be off by is the same whichever way round the picture is laid."""
    artwork = Artwork("a.png", "0", np.zeros((150, 200, 3), np.uint8), None, WIDTH_MM, HEIGHT_MM)
    corners = np.array([[210.0, 150.0], [1790.0, 190.0], [1740.0, 1330.0], [260.0, 1290.0]])
    off = corners + np.array([[0.3, -0.2], [-0.1, 0.4], [0.2, 0.1], [-0.3, -0.1]])
    size = (2000, 1500)
    plain, turned = (
        deviation_from(laid(artwork, size, corners[o], None), laid(artwork, size, off[o], None))[0]
        for o in ([0, 1, 2, 3], order)
    )
    found = turned_covariance(np.outer(plain, plain), order)
    np.testing.assert_allclose(
        found, np.outer(turned, turned), atol=0.01 * np.abs(turned).max() ** 2
    )


def test_points_that_say_nothing_move_nothing() -> None:
    """Where no measured point has any say, the fit stands still instead of failing."""
    start = FittedMap.from_homography(np.diag([8.0, 8.0, 1.0]), (1600, 1200), BOX)
    points = np.array([[10.0, 10.0], [80.0, 20.0], [150.0, 120.0], [30.0, 90.0]])
    silent = Observations(points, start.to_photo(points) + 3.0, np.zeros((4, 2, 2)))
    moved = fit_homography_lens(start, silent, lens=False)
    np.testing.assert_allclose(moved.to_photo(points), start.to_photo(points), atol=1e-6)


def test_a_lone_side_lies_no_further_off_than_print_can_be() -> None:
    """Of a pair of sides with one unseen the other is the line near the print's edge, not a
    clearer one 5 mm off, as a shadow's end is."""
    artwork = Artwork("a.png", "0" * 64, np.zeros((8, 8, 3), np.uint8), None, 254.0, 203.0)
    near, shadow = Line(0.3, 0.0, 0.5), Line(5.0, 0.0, 0.9)
    side = Line(0.2, 0.0, 0.8)
    taken = _consistent([[None], [side, None], [shadow, near, None], [side, None]], artwork, 0.6)
    assert taken == (None, side, near, side)


def test_what_no_point_tells_is_left_unsure() -> None:
    """Points without any information give a covariance, and a wide one."""
    picture = FittedMap.from_homography(
        np.diag([10.0, 10.0, 1.0]), (900, 700), (0.0, 0.0, 80.0, 60.0)
    )
    at = np.array([[10.0, 10.0], [70.0, 12.0], [40.0, 50.0]])
    seen = Observations(at, picture.to_photo(at), np.zeros((3, 2, 2)))
    covariance = frame_covariance(picture, seen)
    assert np.isfinite(covariance).all()
    assert np.diag(covariance)[:8].min() > 1.0
