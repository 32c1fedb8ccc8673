"""The expected photo: where the artwork lies under it, how it is drawn, how sharp it is."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from dyelight.colour import decode_srgb
from dyelight.imaging import gaussian
from dyelight.look.colour_light import ColourLight
from dyelight.look.colour_response import TERMS, ColourResponse
from dyelight.look.colour_rest import ColourSamples, colour_cell
from dyelight.look.fine_colours import fine_samples
from dyelight.look.light_field import SmoothField
from dyelight.look.outline import moved_with_panel
from dyelight.look.render import (
    ArtworkUnderPhoto,
    LitArtwork,
    draw_expected,
    light_artwork,
    photo_light,
    tiles,
    working_pixels,
)
from dyelight.look.rootlight import ROOT_OFFSET, TOP, root_from_linear, root_from_pixels
from dyelight.look.sharpness import Sharpness, fit_sharpness, richest_tiles
from dyelight.placement.picture_map import FittedMap
from dyelight.records import F32, F64, U8, Artwork, Placement

WIDTH_MM, HEIGHT_MM = 60.0, 48.0
ART_PER_MM, PHOTO_PER_MM = 12.0, 11.0
SIZE = (660, 528)  # the photo's window, px
NO_EFFECT = np.zeros((3, 3), np.float32)


def _pixels(seed: int, per_mm: float = ART_PER_MM) -> U8:
    """Discs of many greys and colours, sharp as drawn."""
    rng = np.random.default_rng(seed)
    width, height = round(WIDTH_MM * per_mm), round(HEIGHT_MM * per_mm)
    image = np.full((height, width, 3), 140, np.uint8)
    for _ in range(600):
        middle = (int(rng.integers(0, width)), int(rng.integers(0, height)))
        colour = [int(v) for v in rng.integers(20, 235, 3)]
        radius = int(rng.integers(3, 26) * per_mm / 12) + 1
        cv2.circle(image, middle, radius, colour, -1, cv2.LINE_AA)
    return image


def _artwork(pixels: U8) -> Artwork:
    return Artwork("a.png", "0" * 64, pixels, None, WIDTH_MM, HEIGHT_MM)


def _placement(k1: float = 0.0, turn: float = 0.0, tilt: float = 0.0) -> Placement:
    cos, sin = PHOTO_PER_MM * np.cos(turn), PHOTO_PER_MM * np.sin(turn)
    homography = np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [tilt, 0.0, 1.0]])
    box_mm = (0.0, 0.0, WIDTH_MM, HEIGHT_MM)
    flat = FittedMap.from_homography(homography, SIZE, box_mm)
    picture = FittedMap(
        homography=flat.homography,
        center_px=flat.center_px,
        radius_px=flat.radius_px,
        k1=k1,
        k2=0.0,
        origin_mm=flat.origin_mm,
        span_mm=flat.span_mm,
        control_px=flat.control_px,
    )
    corners = np.array([[0, 0], [WIDTH_MM, 0], [WIDTH_MM, HEIGHT_MM], [0, HEIGHT_MM]], np.float64)
    return Placement(
        picture, picture.to_photo(corners), True, 0.05, (0.0, 0.0), (0.0, 0.0), False, 0, "features"
    )


def _even_look(veil: float = 0.0, gain: F64 | None = None) -> ColourLight:
    """The artwork as it is, under even light but for `gain` and `veil`."""
    weights = np.zeros((3, TERMS), np.float32)
    weights[:, 1:4] = np.eye(3)
    control = np.ones((4, 4, 3)) if gain is None else gain
    return ColourLight(
        ColourResponse(weights),
        SmoothField(control),
        SmoothField(np.full((4, 4, 1), veil)),
        (0.01, 0.01, 0.01),
    )


def _lit(pixels: U8, look: ColourLight) -> LitArtwork:
    return light_artwork(pixels, _artwork(pixels), look, 0.0, PHOTO_PER_MM)


def _seen(pixels: U8, placement: Placement, sigma_px: float) -> F32:
    """Root light of the photo's window, blurred and sampled by plain means."""
    linear = gaussian(decode_srgb(pixels), sigma_px * ART_PER_MM / PHOTO_PER_MM)
    grid = np.stack(np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1])), -1).reshape(-1, 2)
    at = placement.picture.to_artwork(grid.astype(np.float64)) * ART_PER_MM - 0.5
    at = at.reshape(SIZE[1], SIZE[0], 2).astype(np.float32)
    columns, rows = np.ascontiguousarray(at[..., 0]), np.ascontiguousarray(at[..., 1])
    seen = cv2.remap(linear, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return root_from_linear(np.asarray(seen, np.float32))


@pytest.mark.parametrize(("k1", "turn", "tilt"), [(0.0, 0.0, 0.0), (-0.02, 0.06, 0.002)])
def test_artwork_lies_where_the_map_says(k1: float, turn: float, tilt: float) -> None:
    """Between the nodes, under lens, turn and tilt, places err by less than 0.02 px."""
    placement = _placement(k1, turn, tilt)
    under = ArtworkUnderPhoto.find(placement, (-20.0, 35.0), (400, 300))
    tile = under.tile(64, 32, 130, 97).drawn(130, 97)
    grid = np.stack(np.meshgrid(np.arange(130) + 44.0, np.arange(97) + 67.0), -1)
    exact = placement.picture.to_artwork(grid.reshape(-1, 2)).reshape(tile.shape)
    assert np.abs(tile - exact).max() * PHOTO_PER_MM < 0.02


def test_tiles_cover_everything_once() -> None:
    """Every pixel lies in just one tile."""
    count = np.zeros((70, 101), int)
    for rows, columns in tiles(70, 101, 32):
        count[rows, columns] += 1
    assert (count == 1).all()


def test_drawn_as_blurred_and_sampled_whole() -> None:
    """Tile by tile the expected photo is the artwork blurred whole and sampled once."""
    pixels, placement = _pixels(1), _placement(-0.01, 0.02, 0.0005)
    lit = _lit(pixels, _even_look())
    under = ArtworkUnderPhoto.find(placement, (0.0, 0.0), SIZE).in_px(lit)
    root, light = draw_expected(lit, under, 0.8 * ART_PER_MM / PHOTO_PER_MM, SIZE)
    wanted = _seen(pixels, placement, 0.8)
    assert np.abs(root - wanted).max() < 0.01
    assert np.sqrt(np.mean((root - wanted) ** 2)) < 0.0005
    np.testing.assert_allclose(light, photo_light(root), atol=1e-6)


def test_coarse_artwork_is_drawn_without_seams() -> None:
    """Artwork coarser than the photo is enlarged on one grid, whichever piece is asked for."""
    pixels = _pixels(2, per_mm=6.0)
    lit = _lit(pixels, _even_look())
    assert lit.grow > 1.8
    under = ArtworkUnderPhoto.find(_placement(), (0.0, 0.0), SIZE).in_px(lit)
    wide, here = lit.piece(under.tile(0, 0, 640, 480), 6.0)
    close, there = lit.piece(under.tile(160, 160, 64, 64), 6.0)
    places = [p.drawn(64, 64) for p in (here.tile(160, 160, 64, 64), there)]
    seen = [
        cv2.remap(linear, at[..., 0].copy(), at[..., 1].copy(), cv2.INTER_LINEAR)
        for linear, at in zip((wide, close), places, strict=True)
    ]
    assert np.abs(np.asarray(seen[0]) - np.asarray(seen[1])).max() < 1e-3


def test_no_channel_is_expected_over_the_top_of_the_range() -> None:
    """White under light stronger than the middle is expected burnt out, no brighter."""
    pixels = np.full((576, 720, 3), 255, np.uint8)
    ramp = np.repeat(np.linspace(0.8, 1.2, 4)[None, :, None], 4, axis=0).repeat(3, axis=2)
    lit = _lit(pixels, _even_look(0.0, ramp))
    under = ArtworkUnderPhoto.find(_placement(), (0.0, 0.0), SIZE)
    root = draw_expected(lit, under.in_px(lit), 0.5, SIZE)[0]
    assert root.max() == TOP
    assert (root[264, 500:600] == TOP).all()
    assert (root[264, 60:120] < TOP).all()


def test_gain_and_veil_light_the_artwork() -> None:
    """A gain that rises across and an even veil are both in the drawn photo."""
    pixels = np.full((576, 720, 3), 128, np.uint8)
    ramp = np.repeat(np.linspace(0.8, 1.2, 4)[None, :, None], 4, axis=0).repeat(3, axis=2)
    under = ArtworkUnderPhoto.find(_placement(), (0.0, 0.0), SIZE)
    seen = []
    for veil in (0.0, 0.01):
        lit = _lit(pixels, _even_look(veil, ramp))
        seen.append(draw_expected(lit, under.in_px(lit), 0.5, SIZE)[0])
    plain = float(root_from_linear(decode_srgb(pixels[:1, :1])).mean())
    gain = seen[0][264, [60, 330, 600], 0] / plain
    at = np.array([60.5, 330.5, 600.5]) / 660
    wanted = SmoothField(ramp).on_grid(2, 601, (0.0, 1.0), (0.5, 0.5))[0, :, 0]
    np.testing.assert_allclose(gain, wanted[np.rint(at * 600).astype(int)], rtol=0.002)
    added = (seen[1] + 0.0387) ** 2 - (seen[0] + 0.0387) ** 2
    assert float(added.mean()) == pytest.approx(0.01, rel=0.05)


def test_working_pixels_are_no_finer_than_needed() -> None:
    """Artwork much finer than the photo is shrunk, other artwork is left alone."""
    pixels = _pixels(3)
    assert working_pixels(_artwork(pixels), 11.0) is pixels
    small = working_pixels(_artwork(pixels), 4.0)
    assert small.shape == (round(576 * 4 * 1.15 / 12), round(720 * 4 * 1.15 / 12), 3)


def _fitted(light: F32, pixels: U8) -> Sharpness:
    rng = np.random.default_rng(9)
    lit = _lit(pixels, _even_look())
    under = ArtworkUnderPhoto.find(_placement(), (0.0, 0.0), SIZE).in_px(lit)
    noisy = np.asarray(light + rng.normal(0, 0.004, light.shape), np.float32)
    usable = np.zeros(light.shape, bool)
    usable[10:-10, 10:-10] = True
    return fit_sharpness(noisy, usable, lit, under, PHOTO_PER_MM)


@pytest.mark.parametrize("sigma_px", [0.8, 1.0, 2.0])
def test_a_known_blur_is_recovered(sigma_px: float) -> None:
    """The edge width of a Gaussian blur is found within a tenth."""
    pixels = _pixels(4)
    found = _fitted(photo_light(_seen(pixels, _placement(), sigma_px)), pixels)
    wanted = Sharpness(sigma_px, NO_EFFECT, 0.0).edge_sigma_px()
    assert found.edge_sigma_px() == pytest.approx(wanted, rel=0.1)


def test_a_filter_that_softens_says_nothing_of_what_is_plain() -> None:
    """Smoothed as a camera smooths faint detail, the edge of a speck stays as sharp as the blur; a
    sharpened one is narrower."""
    soft = Sharpness(1.0, NO_EFFECT, 0.6)
    assert soft.edge_sigma_px() == pytest.approx(1.0, abs=0.02)
    assert Sharpness(1.0, NO_EFFECT, -0.4).edge_sigma_px() < 0.9


def test_a_reflection_on_smooth_print_is_no_blur() -> None:
    """Print without an edge tells nothing of blur: a lamp's slope over it leaves it as usual, so
    that a speck on a sky is still looked for as small as it is."""
    sky = gaussian(_pixels(4).astype(np.float32), 60.0)
    pixels = np.clip(np.rint(sky), 0, 255).astype(np.uint8)
    light = photo_light(_seen(pixels, _placement(), 1.0))
    down, across = np.mgrid[0 : SIZE[1], 0 : SIZE[0]].astype(np.float32)
    lamp = np.exp(-((across - 300) ** 2 + (down - 200) ** 2) / (2 * 110.0**2))
    found = _fitted(np.asarray(light + 0.3 * lamp, np.float32), pixels)
    assert found.edge_sigma_px() == pytest.approx(1.0, rel=0.5)


def test_a_known_unsharp_mask_is_recovered() -> None:
    """An unsharp mask of 40 per cent at 2 px is found within a quarter, and redrawn."""
    pixels = _pixels(5)
    light = photo_light(_seen(pixels, _placement(), 0.8))
    sharpened = Sharpness(0.8, NO_EFFECT, -0.4).apply(light)
    assert np.abs(sharpened - light).max() > 0.05
    found = _fitted(sharpened, pixels)
    assert found.wide == pytest.approx(-0.4, abs=0.1)
    lit = _lit(pixels, _even_look())
    under = ArtworkUnderPhoto.find(_placement(), (0.0, 0.0), SIZE).in_px(lit)
    drawn = draw_expected(lit, under, found.blur_px * ART_PER_MM / PHOTO_PER_MM, SIZE)[1]
    left = (found.apply(drawn) - sharpened)[20:-20, 20:-20]
    assert left.std() < 0.2 * (sharpened - light)[20:-20, 20:-20].std()


def test_a_known_dot_gain_is_recovered() -> None:
    """Edges that dot gain moved are drawn where they are seen, and the gain is told by its sign."""
    pixels = _pixels(5)
    light = photo_light(_seen(pixels, _placement(), 1.0))
    wider = Sharpness(1.0, NO_EFFECT, 0.0, -2.0).apply(light)
    assert np.abs(wider - light).max() > 0.05
    found = _fitted(wider, pixels)
    assert found.gain < -1.0
    lit = _lit(pixels, _even_look())
    under = ArtworkUnderPhoto.find(_placement(), (0.0, 0.0), SIZE).in_px(lit)
    drawn = draw_expected(lit, under, found.blur_px * ART_PER_MM / PHOTO_PER_MM, SIZE)[1]
    left = (found.apply(drawn) - wider)[20:-20, 20:-20]
    assert left.std() < 0.4 * (wider - light)[20:-20, 20:-20].std()


def test_sharpness_of_an_even_photo_is_neutral() -> None:
    """A window too small for a tile gives a neutral answer."""
    lit = _lit(_pixels(6), _even_look())
    under = ArtworkUnderPhoto.find(_placement(), (0.0, 0.0), (90, 90)).in_px(lit)
    usable = np.ones((90, 90), bool)
    found = fit_sharpness(np.full((90, 90), 0.5, np.float32), usable, lit, under, PHOTO_PER_MM)
    assert (found.blur_px, found.wide) == (1.0, 0.0)


def test_filter_is_correlated_as_told() -> None:
    """The filter adds its kernel's correlation and the wide share of blur to the light."""
    rng = np.random.default_rng(10)
    light = rng.random((40, 50)).astype(np.float32)
    fine = rng.normal(0, 0.1, (3, 3)).astype(np.float32)
    seen = Sharpness(1.0, fine, 0.3).apply(light)
    wanted = light + 0.3 * (gaussian(light, 2.0, 13) - light)
    patch = (light[19:22, 29:32] * fine).sum()
    assert seen[20, 30] == pytest.approx(wanted[20, 30] + patch, abs=1e-5)


def test_richest_tiles_avoid_what_is_not_usable() -> None:
    """Tiles are taken where the picture is rich, and none from what cannot be used."""
    rng = np.random.default_rng(11)
    light = np.full((512, 768), 0.5, np.float32)
    light[:, :384] = gaussian(rng.random((512, 384)).astype(np.float32), 2.0)
    usable = np.ones(light.shape, bool)
    usable[:, :128] = False
    found = richest_tiles(light, usable, 6)
    assert found
    assert all(128 <= x < 384 for x, _ in found)


GROUND, LINE, PRINTED = (60, 120, 90), (230, 200, 60), (230, 170, 60)
BLUR_PX = 1.0


def _lines(colour: tuple[int, int, int], some: tuple[int, int, int] | None = None) -> U8:
    """Thin lines on even ground; the first of them in the colour `some`."""
    image = np.full((576, 720, 3), GROUND, np.uint8)
    for number, x in enumerate(range(30, 720, 60)):
        drawn = some if some is not None and number == 0 else colour
        cv2.line(image, (x, 0), (x, 575), drawn, 4)
    return image


def _found(printed: U8) -> ColourSamples:
    pixels = _lines(LINE)
    lit = _lit(pixels, _even_look())
    under = ArtworkUnderPhoto.find(_placement(), (0.0, 0.0), SIZE).in_px(lit)
    seen = _seen(printed, _placement(), BLUR_PX)
    usable = np.zeros(seen.shape[:2], bool)
    usable[8:-8, 8:-8] = True
    ground = root_from_pixels(np.full((4, 1, 3), GROUND, np.uint8))[:, 0]
    flat = ColourSamples(ground, np.zeros_like(ground), np.full(4, 12.0), colour_cell(ground))
    sharp = Sharpness(BLUR_PX, NO_EFFECT, 0.0)
    return fine_samples(flat, lit, under, seen, usable, sharp, PHOTO_PER_MM)


def test_what_every_thin_line_is_off_by_is_measured() -> None:
    """Lines printed in another colour than drawn are told to a fifth of the difference."""
    assert ART_PER_MM > PHOTO_PER_MM
    found = _found(_lines(PRINTED))
    ends = root_from_pixels(np.array([[LINE, PRINTED]], np.uint8))[0]
    wanted = ends[1] - ends[0]
    assert len(found.weight) > 5
    assert np.median(found.left, axis=0) == pytest.approx(wanted, abs=0.2 * float(abs(wanted[1])))
    assert np.median(found.artwork, axis=0) == pytest.approx(ends[0], abs=0.02)


def test_lines_drawn_as_they_are_printed_ask_for_nothing() -> None:
    """Where the look is right nothing is left over, and one stained line moves no table."""
    right = _found(_lines(LINE))
    assert np.abs(np.median(right.left, axis=0)).max() < 0.01
    stained = _found(_lines(LINE, PRINTED))
    table = stained.table()
    assert table is not None
    moved = np.zeros((3, 1), np.float32)
    table.add_to(moved, root_from_pixels(np.array([[LINE]], np.uint8))[0].T.copy())
    assert np.abs(moved).max() < 0.01


def test_a_response_under_black_is_drawn() -> None:
    """Black that a response draws just where root light has no slope stays black under a veil."""
    weights = np.zeros((3, TERMS), np.float32)
    weights[:, 0] = -ROOT_OFFSET
    look = replace(_even_look(veil=0.01), response=ColourResponse(weights))
    lit = light_artwork(_pixels(6), _artwork(_pixels(6)), look, 0.0, PHOTO_PER_MM)
    under = ArtworkUnderPhoto.find(_placement(), (0.0, 0.0), SIZE).in_px(lit)
    expected, _ = draw_expected(lit, under, 1.0, SIZE)
    assert expected.min() >= 0
    assert expected.max() < 0.15


def test_what_the_panel_has_is_drawn_where_it_lies_in_the_artwork() -> None:
    """A hole of the metal lies off the print's own by the print's drift."""
    px_per_mm, first_mm = 8.0, -2.0
    middle_mm = (np.arange(200) + 0.5) / px_per_mm + first_mm
    x, y = np.meshgrid(middle_mm, middle_mm)
    hole = (np.hypot(x - 10.0, y - 12.0) < 3).astype(np.float32)
    to_artwork = np.array([[1.0, 0, -0.8], [0, 1, 0.5], [0, 0, 1]])
    moved = moved_with_panel(hole, px_per_mm, first_mm, to_artwork)
    centre = np.array([(moved * x).sum(), (moved * y).sum()]) / moved.sum()
    np.testing.assert_allclose(centre, [9.2, 12.5], atol=0.02)
