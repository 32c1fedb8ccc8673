"""The squared-up panel: what is sampled where, corners, glare, places too far off to judge."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from dyelight.imaging import gaussian, sample
from dyelight.look.colour_light import ColourLight
from dyelight.look.colour_response import TERMS, ColourResponse
from dyelight.look.colour_rest import flat_samples
from dyelight.look.frames import PanelFrame
from dyelight.look.glare import Glare, broadly_off, glare, in_photo_window, not_followed
from dyelight.look.light_field import SmoothField
from dyelight.look.local_light import WIDE_REACH_MM, LocalLight, fit_local_light
from dyelight.look.outline import corner_radius_mm, fill, rounded_outline, usable_pixels
from dyelight.look.panel_frame import (
    clipped_pixels,
    fit_look,
    frame_in_photo,
    gradient,
    square_up,
)
from dyelight.look.render import ArtworkUnderPhoto
from dyelight.look.rootlight import linear_from_root, root_from_linear, root_from_pixels
from dyelight.placement.picture_map import FittedMap
from dyelight.records import F32, U8, Artwork, Mask, Placement

WIDTH_MM, HEIGHT_MM = 80.0, 60.0
PHOTO_PER_MM = 9.0
LEFT_PX, TOP_PX = 50.0, 40.0
PHOTO_SIZE = (820, 620)
PX_PER_MM = 4.0


def _placement() -> Placement:
    homography = np.array([[PHOTO_PER_MM, 0, LEFT_PX], [0, PHOTO_PER_MM, TOP_PX], [0, 0, 1.0]])
    picture = FittedMap.from_homography(homography, PHOTO_SIZE, (0.0, 0.0, WIDTH_MM, HEIGHT_MM))
    corners = np.array([[0, 0], [WIDTH_MM, 0], [WIDTH_MM, HEIGHT_MM], [0, HEIGHT_MM]], np.float64)
    return Placement(
        picture, picture.to_photo(corners), True, 0.05, (0.0, 0.0), (0.0, 0.0), False, 0, "features"
    )


def _artwork(pixels: U8, alpha: U8 | None = None) -> Artwork:
    return Artwork("a.png", "0" * 64, pixels, alpha, WIDTH_MM, HEIGHT_MM)


def _frame(observed: F32, expected: F32) -> PanelFrame:
    """A panel frame of 2 mm margin whose panel fills all but the margin."""
    height, width = observed.shape[:2]
    margin = round(2.0 * PX_PER_MM)
    inside = np.zeros((height, width), bool)
    inside[margin:-margin, margin:-margin] = True
    everywhere = np.ones((height, width), bool)
    return PanelFrame(
        px_per_mm=PX_PER_MM,
        margin_mm=2.0,
        observed=observed,
        artwork=expected,
        expected=expected,
        inside=inside,
        printed=everywhere,
        blown=~everywhere,
        opaque=everywhere,
        in_photo=everywhere,
        edge_mm=np.full((height, width), 9, np.float32),
    )


def _even_frame() -> PanelFrame:
    size = (round((HEIGHT_MM + 4) * PX_PER_MM), round((WIDTH_MM + 4) * PX_PER_MM), 3)
    return _frame(np.full(size, 0.5, np.float32), np.full(size, 0.5, np.float32))


def _disc(frame: PanelFrame, center_mm: tuple[float, float], radius_mm: float) -> Mask:
    height, width = frame.inside.shape
    y, x = np.mgrid[:height, :width]
    at = frame.to_px(np.array([center_mm]))[0]
    return np.asarray(np.hypot(x - at[0], y - at[1]) < radius_mm * PX_PER_MM)


def _with(frame: PanelFrame, added: F32, blown: Mask) -> PanelFrame:
    return replace(frame, observed=frame.observed + added[..., None], blown=blown)


def test_clipped_pixels() -> None:
    """A pixel counts as clipped where two channels reach the top, within 1/255 of the range."""
    small = np.array([[[0, 255, 254], [10, 253, 255], [255, 0, 0], [254, 9, 255]]], np.uint8)
    np.testing.assert_array_equal(clipped_pixels(small), [[255, 0, 0, 255]])
    deep = np.array([[[65535, 0, 65278], [0, 65277, 65535], [65278, 0, 0]]], np.uint16)
    np.testing.assert_array_equal(clipped_pixels(deep), [[255, 0, 0]])


def test_panel_is_squared_up_in_its_place() -> None:
    """A ramp in the photo lands where the frame's millimetres say, clipped spots with it."""
    ramp = np.linspace(30, 220, PHOTO_SIZE[0]).round().astype(np.uint8)
    pixels = np.ascontiguousarray(np.tile(ramp[None, :, None], (PHOTO_SIZE[1], 1, 3)))
    pixels[310:314, 500:504] = 255
    art = np.full((240, 320, 3), 128, np.uint8)
    alpha = np.full((240, 320), 255, np.uint8)
    alpha[:120, :160] = 0
    frame = square_up(pixels, art, _artwork(art, alpha), _placement())
    width = frame.inside.shape[1]
    mm = frame.to_mm(np.array([[60.0, 100.0], [width - 90.0, 70.0]]))
    px = _placement().picture.to_photo(mm)
    wanted = root_from_pixels(ramp.reshape(1, -1))[0][np.rint(px[:, 0]).astype(int)]
    seen = frame.observed[[100, 70], [60, width - 90], 0]
    np.testing.assert_allclose(seen, wanted, atol=0.003)
    rows, columns = np.nonzero(frame.blown)
    at = _placement().picture.to_artwork(np.array([[501.5, 311.5]]))
    np.testing.assert_allclose([columns.mean(), rows.mean()], frame.to_px(at)[0], atol=1.0)
    middle = frame.to_px(np.array([[20.0, 15.0], [60.0, 45.0]])).astype(int)
    assert not frame.inside[middle[0, 1], middle[0, 0]]
    assert frame.inside[middle[1, 1], middle[1, 0]]
    # the largest circle in 80 by 60 less a quarter: r^2 - 140 r + 2500 = 0
    assert float(frame.edge_mm.max()) == pytest.approx(70 - 2400**0.5, abs=0.2)


def test_panel_cut_off_by_the_photo() -> None:
    """What the photo does not reach is not inside the panel."""
    art = np.full((240, 320, 3), 128, np.uint8)
    pixels = np.full((PHOTO_SIZE[1], 500, 3), 120, np.uint8)
    frame = square_up(pixels, art, _artwork(art), _placement())
    beyond = int(frame.to_px(np.array([[52.0, 30.0]]))[0, 0])
    assert not frame.inside[:, beyond:].any()
    assert frame.inside[100, beyond - 30]


def test_window_is_squared_up() -> None:
    """A window averaged down by two lands on the panel frame in its place."""
    frame = _even_frame()
    origin_px = (44, 34)
    x = np.arange(368, dtype=np.float32) * 2 + 0.5 + origin_px[0]
    window = np.repeat(np.tile(x, (280, 1))[..., None], 3, axis=2)
    height, width = frame.inside.shape
    at = frame_in_photo(_placement(), frame.px_per_mm, width, height, origin_px, 2)
    seen = sample(window, at)
    mm = frame.to_mm(np.array([[100.0, 90.0]]))
    assert seen[90, 100, 0] == pytest.approx(_placement().picture.to_photo(mm)[0, 0], abs=0.01)


@pytest.mark.parametrize("radius_mm", [0.0, 3.0, 6.0])
def test_corner_radius_is_read(radius_mm: float) -> None:
    """Corners cut out of a picture by a round outline tell their radius within half a mm."""
    frame = _even_frame()
    outline = rounded_outline(WIDTH_MM, HEIGHT_MM, radius_mm, 0.0)
    metal = fill(frame.to_px(outline), *frame.inside.shape)
    observed = np.where(metal[..., None], frame.observed, np.float32(0.1))
    corners_mm = np.array([[0, 0], [WIDTH_MM, 0], [WIDTH_MM, HEIGHT_MM], [0, HEIGHT_MM]])
    found = corner_radius_mm(replace(frame, observed=observed), frame.to_px(corners_mm))
    assert found == pytest.approx(radius_mm, abs=0.5)


def test_one_lifted_corner_does_not_decide() -> None:
    """The middle of the corners' readings stands where one of them is much larger."""
    frame = _even_frame()
    outline = rounded_outline(WIDTH_MM, HEIGHT_MM, 3.0, 0.0)
    metal = fill(frame.to_px(outline), *frame.inside.shape) & ~_disc(frame, (0.0, 0.0), 4.0)
    observed = np.where(metal[..., None], frame.observed, np.float32(0.1))
    corners_mm = np.array([[0, 0], [WIDTH_MM, 0], [WIDTH_MM, HEIGHT_MM], [0, HEIGHT_MM]])
    found = corner_radius_mm(replace(frame, observed=observed), frame.to_px(corners_mm))
    assert found == pytest.approx(3.0, abs=0.6)


def _white(frame: PanelFrame) -> F32:
    return np.full_like(frame.observed, 0.95)


def test_glare_grows_to_its_skirt() -> None:
    """A clipped reflection hides what it clips; the bright skirt around it can be judged."""
    frame = _even_frame()
    soft = gaussian(_disc(frame, (40.0, 30.0), 6.0).astype(np.float32), 3.0 * PX_PER_MM)
    added = np.asarray(0.45 * soft / soft.max(), np.float32)
    found = glare(_with(frame, added, added > 0.4), _white(frame))
    assert found.hidden[added > 0.4].all()
    assert not found.hidden[added < 0.1].any()
    assert (found.hidden | found.skirt)[added > 0.05].all()
    assert not (found.hidden | found.skirt)[_disc(frame, (70.0, 50.0), 4.0)].any()


def test_sharp_bright_patch_is_no_glare() -> None:
    """What clips and ends sharply has no skirt; if small it is a speck, and seen."""
    frame = _even_frame()
    for radius_mm in (1.0, 4.0):
        patch = _disc(frame, (40.0, 30.0), radius_mm + 2)
        core = _disc(frame, (40.0, 30.0), radius_mm)
        added = gaussian(np.where(patch, 0.45, 0.0).astype(np.float32), 0.8)
        found = glare(_with(frame, added, core), _white(frame))
        assert not found.skirt.any()
        if radius_mm < 1.6:
            assert not found.hidden.any()
        else:
            np.testing.assert_array_equal(found.hidden, core)


def test_burnt_metal_in_the_skirt_of_glare_is_seen() -> None:
    """A burnt-out piece that ends at once is bare metal, also where a reflection fades over it; a
    lamp's image that glows beyond what it burns out hides, and so does a window's."""
    frame = _even_frame()
    skirt = _disc(frame, (30.0, 30.0), 22.0).astype(np.float32)
    haze = 0.08 * gaussian(skirt, 6.0)
    piece = _disc(frame, (30.0, 30.0), 7.0)
    hard = np.asarray(haze + 0.45 * piece, np.float32)
    soft = np.asarray(haze + 0.9 * gaussian(piece.astype(np.float32), 8.0), np.float32)
    window = _disc(frame, (30.0, 30.0), 16.0)
    large = np.asarray(haze + 0.45 * window, np.float32)
    seen = glare(_with(frame, hard, piece), _white(frame))
    assert not seen.hidden[piece].any()
    # one channel holds out at its border, and crumbs lie around it
    crumbs = _disc(frame, (38.0, 30.0), 0.5) | _disc(frame, (30.0, 38.0), 0.5)
    inner = _disc(frame, (30.0, 30.0), 6.3)
    rim = np.asarray(haze + 0.4 * (piece | crumbs) + 0.05 * inner, np.float32)
    assert not glare(_with(frame, rim, inner), _white(frame)).hidden[piece].any()
    lamp = glare(_with(frame, soft, soft > 0.5), _white(frame))
    assert lamp.hidden[soft > 0.5].all()
    assert glare(_with(frame, large, window), _white(frame)).hidden[window].all()
    # over pale print it is hardly brighter than due, and clipped all the same
    half = np.where(np.indices(piece.shape)[1] < 135, 0.3, 0.85)
    printed = np.repeat(half[..., None], 3, axis=2).astype(np.float32)
    on_both = replace(
        frame,
        expected=printed,
        observed=np.where(piece[..., None], np.float32(0.99), printed),
        blown=piece,
    )
    assert not glare(on_both, _white(frame)).hidden[piece].any()
    # nor need it clip: a veil as strong would hide, and the lamp's does
    nowhere = np.zeros_like(piece)
    assert not glare(_with(frame, hard, nowhere), _white(frame)).hidden[piece].any()
    assert glare(_with(frame, soft, nowhere), _white(frame)).hidden[piece].all()


def test_a_skirt_that_is_not_followed_is_hidden() -> None:
    """Where the expectation under its own light stays far off, nothing is judged; else it is."""
    frame = _even_frame()
    tube = np.zeros(frame.inside.shape, bool)
    tube[60:180, 100:140] = True
    none = np.zeros_like(tube)
    found = Glare(none, tube)
    stripes = np.where(np.arange(tube.shape[1]) % 16 < 8, 0.08, -0.08).astype(np.float32)
    off = np.where(tube[..., None], stripes[None, :, None], 0)
    assert not not_followed(frame, frame.observed, found).any()
    lost = not_followed(frame, np.asarray(frame.observed - off, np.float32), found)
    assert lost[tube].all()
    assert not lost[:40].any()


def test_clipped_but_expected_bright_is_only_itself() -> None:
    """Where the picture is as bright as the clipped photo nothing around it is hidden."""
    frame = _even_frame()
    core = _disc(frame, (40.0, 30.0), 2.0)
    found = glare(replace(frame, blown=core), _white(frame))
    np.testing.assert_array_equal(found.hidden, core)


def test_reflection_over_printedis_followed() -> None:
    """Light added unevenly over dark and pale print is found to a few per cent of itself."""
    frame = _even_frame()
    height, width = frame.inside.shape
    rows, columns = np.mgrid[:height, :width]
    x, y = (columns + 0.5) / PX_PER_MM - 2, (rows + 0.5) / PX_PER_MM - 2
    veil = 0.08 * np.exp(-0.5 * (np.square(x - 45) + np.square(y - 30)) / 12.0**2)
    bars = np.where(np.sin(x * 2.0) > 0, 0.15, 0.8).astype(np.float32)[..., None]
    expected = np.broadcast_to(bars, (*bars.shape[:2], 3)).astype(np.float32)
    linear = linear_from_root(expected.copy()) + veil.astype(np.float32)[..., None]
    lit = replace(frame, expected=expected, observed=root_from_linear(linear))
    local = fit_local_light(lit, 0.005)
    left = lit.observed - expected - local.added(expected)
    here = _disc(frame, (45.0, 30.0), 15.0)
    apart = np.abs(lit.observed - expected)[here]
    assert np.abs(left[here]).mean() < 0.06 * apart.mean()


def test_the_border_of_a_reflection_draws_no_blots() -> None:
    """Where a lamp's edge runs along with the picture's own, the light stays between the two."""
    frame = _even_frame()
    height, width = frame.inside.shape
    x = (np.arange(width) + 0.5) / PX_PER_MM - 2
    rise = 1 / (1 + np.exp(-(x - 40.0) / 1.5))
    shade = (0.75 - 0.3 / (1 + np.exp(-(x - 41.0) / 3.0))).astype(np.float32)
    expected = np.broadcast_to(shade[None, :, None], (height, width, 3)).astype(np.float32)
    linear = linear_from_root(expected.copy()) + (0.5 * rise).astype(np.float32)[None, :, None]
    lit = replace(frame, expected=expected, observed=root_from_linear(linear))
    left = lit.observed - expected - fit_local_light(lit, 0.005).added(expected)
    assert np.abs(left[40:-40, 40:-40]).max() < 0.12


def test_a_spot_stands_out_of_a_veil_over_busy_print() -> None:
    """A veil lifts dark planks more than pale ones, so that busy print under it looks like many
    patches. Under a wide neighbourhood's light 9 in 10 parts of that are gone, and a pale spot 10
    mm across keeps 9 in 10 of its height."""
    height, width = 480, 640
    y, x = np.mgrid[:height, :width].astype(np.float32)
    print_light = np.where((y // 14) % 2 == 0, 0.03, 0.4).astype(np.float32)
    veil = 0.12 * np.exp(-((x - 330) ** 2 + (y - 240) ** 2) / (2 * 140.0**2))
    spot = (x - 420) ** 2 + (y - 250) ** 2 < (5 * PX_PER_MM) ** 2
    expected = root_from_linear(np.repeat(print_light[..., None], 3, axis=2))
    veiled = root_from_linear(np.repeat((print_light + veil)[..., None], 3, axis=2))
    observed = veiled + 0.05 * spot[..., None].astype(np.float32)
    frame = _frame(np.asarray(observed, np.float32), expected)
    light = fit_local_light(frame, 0.01, WIDE_REACH_MM)
    left = (observed - expected - light.added(expected))[..., 1]
    deep = np.zeros((height, width), bool)
    deep[48:-48, 48:-48] = True
    ground = deep & (cv2.dilate(spot.astype(np.uint8), np.ones((9, 9))) == 0)
    assert np.std(left[ground]) < 0.1 * np.std((veiled - expected)[..., 1][ground])
    assert np.median(left[spot]) - np.median(left[ground]) > 0.045


def test_wide_places_far_off() -> None:
    """A wide stain is far off with what lies around it, a narrow streak is not."""
    frame = _even_frame()
    dark = np.zeros(frame.inside.shape, np.float32)
    even = LocalLight(dark, dark, 1)
    nothing = np.zeros(frame.inside.shape, bool)
    stain = _disc(frame, (25.0, 30.0), 9.0)
    streak = np.zeros_like(stain)
    streak[40:44] = True
    added = np.where(stain | streak, -0.2, 0.0).astype(np.float32)
    off = broadly_off(_with(frame, added, nothing), even, 0.005)
    assert off[stain].all()
    assert not off[42, 250]
    assert not off[_disc(frame, (60.0, 45.0), 5.0)].any()
    assert not broadly_off(frame, even, 0.005).any()


def test_frame_mask_on_the_photo() -> None:
    """A mask on the panel frame covers the same place on a window of the photo."""
    frame = _even_frame()
    mask = _disc(frame, (30.0, 20.0), 8.0)
    under = ArtworkUnderPhoto.find(_placement(), (44.0, 34.0), (732, 552))
    seen = in_photo_window(mask, frame, under, (732, 552))
    rows, columns = np.nonzero(seen)
    at = _placement().picture.to_photo(np.array([[30.0, 20.0]]))[0] - [44, 34]
    np.testing.assert_allclose([columns.mean(), rows.mean()], at, atol=4)
    assert seen.sum() == pytest.approx(np.pi * (8 * PHOTO_PER_MM) ** 2, rel=0.05)


def test_usable_pixels_keep_off_rim_clipping_and_holes() -> None:
    """Rim, clipped places with their neighbours, and what is cut out are not judged."""
    size = (732, 552)
    under = ArtworkUnderPhoto.find(_placement(), (44.0, 34.0), size)
    alpha = np.full((240, 320), 255, np.uint8)
    cv2.circle(alpha, (160, 120), 20, 0, -1)
    artwork = _artwork(np.zeros((240, 320, 3), np.uint8), alpha)
    clipped = np.zeros((size[1], size[0]), np.uint8)
    cv2.circle(clipped, (200, 100), 20, 255, -1)
    cv2.circle(clipped, (300, 100), 6, 255, -1)
    clipped[150, 150:250] = 255
    usable = usable_pixels(
        clipped, artwork, _placement(), under, np.eye(3), 2.0, 1.0, PHOTO_PER_MM, (44, 34)
    )
    # glare is not to be judged; a bright speck and a bright scratch are
    assert not usable[80:121, 200].any()
    assert usable[60, 200]
    assert usable[90:111, 285:316].all()
    assert usable[150, 150:250].all()
    hole = _placement().picture.to_photo(np.array([[40.0, 30.0], [45.5, 30.0], [47.0, 30.0]]))
    seen = [bool(usable[round(y - 34), round(x - 44)]) for x, y in hole]
    assert seen == [False, False, True]
    edge = _placement().picture.to_photo(np.array([[0.6, 30.0], [1.4, 30.0]]))
    assert [bool(usable[round(y - 34), round(x - 44)]) for x, y in edge] == [False, True]


def test_gradient_of_a_ramp() -> None:
    """A grey ramp has its own slope for a gradient."""
    ramp = np.tile(np.arange(20, dtype=np.float32)[None, :, None] * np.float32(0.02), (9, 1, 3))
    assert gradient(ramp)[4, 10] == pytest.approx(0.02, rel=1e-4)


def test_colours_bent_everywhere_are_learned_and_a_stain_is_not() -> None:
    """A colour drawn wrongly all over the panel is put right; in one place it is a stain."""
    rng = np.random.default_rng(11)
    height, width = 240, 320
    # patches of a few colours, strewn over the whole panel
    colours = rng.uniform(0.15, 0.85, (12, 3)).astype(np.float32)
    which = rng.integers(0, 12, (height // 10, width // 10))
    art = colours[np.kron(which, np.ones((10, 10), np.intp))]
    bent = np.where((np.kron(which, np.ones((10, 10), np.intp)) == 5)[..., None], 0.06, 0.0)
    stain = np.zeros((height, width, 1))
    stain[100:130, 150:180] = 0.06
    noise = rng.normal(0, 0.004, art.shape)
    frame = _frame(np.asarray(art + bent + stain + noise, np.float32), art)
    even = SmoothField(np.ones((4, 4, 3))), SmoothField(np.zeros((4, 4, 1)))
    weights = np.zeros((3, TERMS), np.float32)
    weights[[0, 1, 2], [1, 2, 3]] = 1
    plain = ColourLight(ColourResponse(weights), *even, (0.004, 0.004, 0.004))
    samples = flat_samples(frame, plain, np.zeros((height, width), np.float32))
    look = plain.with_table(samples.table())
    learned = look.response.apply(art) - art
    everywhere = (which == 5).repeat(10, 0).repeat(10, 1)
    assert learned[everywhere].mean() > 0.035
    assert np.abs(learned[100:130, 150:180][~everywhere[100:130, 150:180]]).mean() < 0.012


def test_a_colour_in_one_place_only_is_hardly_learned() -> None:
    """What the only place of a colour shows may be a stain: it keeps most of its difference."""
    rng = np.random.default_rng(12)
    art = np.full((240, 320, 3), 0.5, np.float32)
    art[:, 160:] = (0.7, 0.6, 0.4)
    lone = np.zeros((240, 320), bool)
    lone[100:118, 60:78] = True
    art[lone] = (0.2, 0.3, 0.8)
    observed = art + rng.normal(0, 0.004, art.shape)
    observed[lone] += 0.06
    frame = _frame(np.asarray(observed, np.float32), art)
    even = SmoothField(np.ones((4, 4, 3))), SmoothField(np.zeros((4, 4, 1)))
    weights = np.zeros((3, TERMS), np.float32)
    weights[[0, 1, 2], [1, 2, 3]] = 1
    plain = ColourLight(ColourResponse(weights), *even, (0.004, 0.004, 0.004))
    samples = flat_samples(frame, plain, np.zeros((240, 320), np.float32))
    look = plain.with_table(samples.table())
    assert (look.response.apply(art) - art)[lone].mean() < 0.5 * 0.06


def test_a_panel_that_is_clipped_all_over_has_a_look_all_the_same() -> None:
    """Where no pixel can be used the fit still gives a look, as nothing will be judged by it."""
    frame = _even_frame()
    look, _ = fit_look(replace(frame, blown=np.ones_like(frame.blown)), np.random.default_rng(0))
    assert np.isfinite(look.response.apply(frame.artwork)).all()


def test_a_panel_that_is_nowhere_in_the_photo_has_a_look_all_the_same() -> None:
    """A frame without a pixel inside still gives a look; nothing of it is judged."""
    frame = _even_frame()
    look, _ = fit_look(replace(frame, inside=np.zeros_like(frame.inside)), np.random.default_rng(0))
    assert np.isfinite(look.response.apply(frame.artwork)).all()
