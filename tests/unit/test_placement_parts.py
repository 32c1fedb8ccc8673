"""The parts of placement: map, fit, features, quadrilaterals, tiles."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from skimage import data

from dyelight.placement import FittedMap
from dyelight.placement.features import detect, match
from dyelight.placement.frame_fit import (
    Observations,
    OutlinePrior,
    fit_homography_lens,
    homography_from_corners,
)
from dyelight.placement.frames import orientation
from dyelight.placement.lines import straight_lines
from dyelight.placement.quads import find_quads
from dyelight.placement.refine import panel_window
from dyelight.placement.scaled import PhotoViews, artwork_view, averaged, softened
from dyelight.placement.search import best_shift
from dyelight.placement.spline_fit import fit_spline
from dyelight.placement.tiles import tile_shift
from dyelight.records import F64, Artwork, Photo

PICTURES: Any = data  # ships without type information
PANEL = np.array([[0.0, 0.0], [200.0, 0.0], [200.0, 150.0], [0.0, 150.0]])
SEEN = np.array([[300.0, 260.0], [1700.0, 200.0], [1650.0, 1300.0], [350.0, 1240.0]])
BOX = (-3.0, -3.0, 203.0, 153.0)


def bent_map() -> FittedMap:
    """A map with tilt, lens and a spline of about a pixel."""
    plain = FittedMap.from_homography(homography_from_corners(PANEL, SEEN), (2000, 1500), BOX)
    control = np.random.default_rng(2).normal(0, 1.0, (7, 7, 2))
    return replace(plain, k1=-0.03, k2=0.01, control_px=control)


def spread_points(count: int = 200) -> F64:
    """Random artwork points in mm all over the picture and its bleed."""
    t = np.random.default_rng(4).random((count, 2))
    return np.asarray(np.array(BOX[:2]) + t * (np.array(BOX[2:]) - np.array(BOX[:2])))


def test_map_goes_there_and_back() -> None:
    """To the photo and back again lands on the same artwork point."""
    there = bent_map()
    points = spread_points()
    assert np.abs(there.to_artwork(there.to_photo(points)) - points).max() < 1e-5


def test_grid_and_window_agree_with_single_points() -> None:
    """The coarse grid is exact and the interpolated window within two hundredths of a pixel."""
    there = bent_map()
    grid = there.to_artwork_grid(400.0, 300.0, 900.0, 700.0, 32.0)
    assert grid.shape == (14, 17, 2)
    single = there.to_artwork(np.array([[400.0 + 32 * 5, 300.0 + 32 * 3]]))
    assert np.allclose(grid[3, 5], single[0])
    window = there.artwork_window(401.0, 303.0, 150, 90, 2.0)
    x, y = np.meshgrid(401.0 + 2.0 * np.arange(150), 303.0 + 2.0 * np.arange(90))
    exact = there.to_artwork(np.column_stack([x.ravel(), y.ravel()])).reshape(90, 150, 2)
    # the panel lies at about 7 px per mm
    assert np.abs(window - exact).max() < 0.02 / 7


def test_spline_goes_on_straight_outside_the_picture() -> None:
    """Beyond the box the spline continues along its tangent and does not run wild."""
    there = bent_map()
    design = there.spline_design(np.array([[-3.0, 50.0], [-13.0, 50.0], [-23.0, 50.0]]))
    assert np.allclose(design.sum(axis=1), 1.0)
    assert np.allclose(design[0] - design[1], design[1] - design[2])


def test_fit_recovers_lens_and_warp_from_noisy_points() -> None:
    """From 300 points with 0.1 px noise and some gross errors the map returns to 0.06 px."""
    true = replace(bent_map(), control_px=0.5 * bent_map().control_px)
    rng = np.random.default_rng(9)
    points = spread_points(300)
    seen = true.to_photo(points) + rng.normal(0, 0.1, (300, 2))
    seen[:20] += rng.normal(0, 8, (20, 2))
    start = FittedMap.from_homography(homography_from_corners(PANEL, SEEN + 3), (2000, 1500), BOX)
    measured = Observations(points, seen, np.tile(100 * np.eye(2), (300, 1, 1)))
    base = fit_homography_lens(start, measured, lens=True)
    fit = fit_spline(base, measured, lens=True, panel_px=1200.0)
    check = spread_points(150)
    error = np.linalg.norm(fit.map.to_photo(check) - true.to_photo(check), axis=1)
    assert np.median(error) < 0.06
    assert 0.5 < np.median(error) / (1.18 * fit.standard_error_px) < 2.0
    assert fit.weights[:20].mean() < 0.3


def test_points_on_parallel_edges_leave_the_other_direction_open() -> None:
    """Points that know one direction leave the other to the prior, and the doubt is stated."""
    true = FittedMap.from_homography(homography_from_corners(PANEL, SEEN), (2000, 1500), BOX)
    points = spread_points(120)
    seen = true.to_photo(points) + np.array([40.0, 0.0])
    one_way = np.tile(np.diag([0.0, 400.0]), (120, 1, 1))
    prior = OutlinePrior(SEEN, PANEL)
    measured = Observations(points, seen, one_way)
    base = fit_homography_lens(true, measured, lens=False, prior=prior)
    fit = fit_spline(base, measured, lens=False, panel_px=1200.0, prior=prior)
    assert np.abs(fit.map.to_photo(points) - true.to_photo(points)).max() < 0.2
    assert fit.standard_error_px > 1.0


@pytest.mark.parametrize("mirrored", [False, True])
def test_features_find_a_picture_in_the_mirror_without_detecting_twice(mirrored: bool) -> None:
    """Descriptors turned over in memory match those of the mirrored picture."""
    art = (PICTURES.camera()[::2, ::2] / np.float32(255)).astype(np.float32)
    shown = art[:, ::-1] if mirrored else art
    turn = cv2.getRotationMatrix2D((127.5, 127.5), 33.0, 1.1)
    photo = cv2.warpAffine(np.ascontiguousarray(shown), turn, (300, 300))
    found = match(detect(art, 1000), detect(np.asarray(photo, np.float32), 1000), 20.0)
    assert found is not None
    assert found.mirrored is mirrored
    assert found.inliers > 30


def test_quadrilateral_is_found_before_a_striped_ground() -> None:
    """The panel's four sides are told from parallel stripes behind it."""
    y = np.mgrid[0:480, 0:640][0]
    ground = np.where(y // 24 % 2, 90, 110).astype(np.uint8)
    pixels = np.repeat(ground[..., None], 3, axis=2)
    corners = np.array([[150, 90], [500, 120], [490, 370], [140, 350]])
    cv2.fillPoly(pixels, [corners.astype(np.int32)], (200, 180, 150), cv2.LINE_AA)
    noise = np.random.default_rng(1).normal(0, 2, pixels.shape)
    photo = Photo("p", "0", np.clip(pixels + noise, 0, 255).astype(np.uint8))
    quads = find_quads(photo, 1.4)
    assert quads
    near = [
        min(np.abs(np.roll(q.corners_px, k, axis=0) - corners).max() for k in range(4))
        for q in quads
    ]
    assert near[0] < 4.0
    first = float(np.linalg.norm(quads[0].corners_px[1] - quads[0].corners_px[0]))
    assert quads[0].upright is (first > 300)
    assert quads[0].lying is (first < 300)


def test_a_side_whose_edge_points_are_turned_astray_is_found() -> None:
    """Where a picture's shading runs into the panel's side, each point's direction is off by some
    degrees; the line that they lie on is found where that is allowed for, and not otherwise."""
    rng = np.random.default_rng(5)
    slope = rng.normal(0, 0.01, (480, 640, 2)).astype(np.float32)
    turn = np.radians(90 + rng.uniform(-15, 15, 560))
    slope[50, 40:600] = 0.05 * np.stack([np.cos(turn), np.sin(turn)], axis=1)

    def nearest_px(lines: F64) -> float:
        ends = np.array([[40.0, 50.0], [600.0, 50.0]])
        return min((float(np.abs(ends @ n[:2] - n[2]).max()) for n in lines), default=1e9)

    assert nearest_px(straight_lines(slope, 20, 95.0, 12)) < 1.5
    assert nearest_px(straight_lines(slope, 20, 95.0)) > 1.5


def test_the_window_of_a_map_gone_wild_stays_in_the_photo() -> None:
    """A corner on the horizon of a wrong quad lies at infinity."""
    artwork = Artwork("a.png", "0", np.zeros((40, 60, 3), np.uint8), None, 60.0, 40.0)
    wild = np.array([[1.0, 0, 0], [0, 1, 0], [-1 / 60, 0, 1 + 1e-13]])
    picture = FittedMap.from_homography(wild, (600, 400), (0, 0, 60, 40))
    x0, y0, x1, y1 = panel_window(picture, artwork, (600, 400))
    assert 0 <= x0 < x1 <= 600
    assert 0 <= y0 < y1 <= 400


def test_gain_light_and_blur_do_not_move_a_tile() -> None:
    """Brighter, unevenly lit and softer content still stands where it stood."""
    art = softened((PICTURES.camera() / np.float32(255)).astype(np.float32), 1.2)
    ramp = np.linspace(0.0, 0.2, 512, dtype=np.float32)
    photo = 0.6 * softened(art, 0.8) + 0.1 + ramp[None, :]
    mask = np.ones(art.shape, dtype=np.bool_)
    tiles = tile_shift(photo.astype(np.float32), art, mask, 64)
    known = np.linalg.eigvalsh(tiles.information)[:, 0] > 1 / 0.1**2
    assert known.sum() >= 5
    assert np.abs(tiles.shift[known]).max() < 0.05
    assert np.median(tiles.gain[known]) == pytest.approx(0.6, abs=0.08)


def test_tile_on_a_straight_edge_knows_one_direction() -> None:
    """A shift along an edge stays unknown, and the information matrix says so."""
    x = np.arange(64, dtype=np.float32)
    row = 1 / (1 + np.exp(-(x - 30.0) / 1.5))
    art = np.tile(row.astype(np.float32), (64, 1))
    noise = np.random.default_rng(5).normal(0, 0.004, art.shape)
    photo = np.roll(art, 0, axis=0) + noise.astype(np.float32)
    tiles = tile_shift(photo.astype(np.float32), art, np.ones(art.shape, np.bool_), 64)
    across, along = tiles.information[0, 0, 0], tiles.information[0, 1, 1]
    assert across > 1 / 0.05**2
    assert along < 1e-3 * across


def test_light_adds_up_before_it_is_encoded() -> None:
    """Averaging black and white gives the encoded value of half the light."""
    checks = (np.indices((8, 8)).sum(axis=0) % 2).astype(np.float32)
    assert np.allclose(averaged(checks, (4, 4)), np.sqrt(0.5))


@pytest.mark.parametrize(
    ("corners", "mirrored", "turns"),
    [
        ([[0, 0], [4, 0], [4, 3], [0, 3]], False, 0),
        ([[3, 0], [3, 4], [0, 4], [0, 0]], False, 1),
        ([[4, 3], [0, 3], [0, 0], [4, 0]], False, 2),
        ([[4, 0], [0, 0], [0, 3], [4, 3]], True, 0),
        ([[0, 3], [4, 3], [4, 0], [0, 0]], True, 2),
    ],
)
def test_orientation_of_corners(corners: list[list[int]], mirrored: bool, turns: int) -> None:
    """Mirrored left to right first, then turned clockwise by quarters."""
    assert orientation(np.array(corners, dtype=np.float64)) == (mirrored, turns)


@pytest.mark.parametrize("drift", [(5, -4), (-6, 2), (0, 0)])
def test_fine_grain_tells_how_far_the_print_lies_off(drift: tuple[int, int]) -> None:
    """Grain of two pixels, moved by up to a millimetre, is found to half a pixel."""
    rng = np.random.default_rng(3)
    grain = cv2.GaussianBlur(rng.normal(0, 1, (600, 800)).astype(np.float32), (0, 0), 1.0)
    picture = np.clip(128 + 60 * grain / grain.std(), 0, 255).astype(np.uint8)
    picture = np.ascontiguousarray(np.repeat(picture[..., None], 3, axis=2))
    seen = np.roll(np.roll(picture, drift[1], axis=0), drift[0], axis=1)
    artwork = Artwork("grain.png", "", picture, None, 200.0, 150.0)
    corners = np.array([[-0.5, -0.5], [799.5, -0.5], [799.5, 599.5], [-0.5, 599.5]])
    start = FittedMap.from_homography(
        homography_from_corners(PANEL, corners), (800, 600), (0, 0, 200, 150)
    )
    found = best_shift(
        start, PhotoViews(Photo("grain.jpg", "", seen)), artwork, artwork_view(artwork, 4e6)
    )
    assert found is not None
    assert found.likeness > 0.5
    middle = np.array([[100.0, 75.0]])
    moved = found.start.to_photo(middle) - start.to_photo(middle)
    assert moved[0] == pytest.approx(drift, abs=0.6)
