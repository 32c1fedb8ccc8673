"""Softness of borders, streaks, dents and what a second image leaves, on drawn differences."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import cv2
import numpy as np
import pytest

from dyelight.detect.detail_loss import find_detail_loss
from dyelight.detect.light_or_dye import light_share
from dyelight.detect.patch_border import stacked_border
from dyelight.detect.patch_groups import Region, grouped
from dyelight.detect.patch_levels import PatchView
from dyelight.detect.patch_texture import mottle
from dyelight.detect.places import Place, joined
from dyelight.detect.same import with_dents_whole
from dyelight.detect.streaks import _lines, without_streaks
from dyelight.imaging import gaussian, steepness
from dyelight.look import PanelFrame
from dyelight.look.render import photo_light
from dyelight.look.rootlight import linear_from_root, root_from_linear
from dyelight.records import F32, Candidate, Mask

SIDE = 240


def _disc(radius: float, sigma: float) -> F32:
    y, x = np.mgrid[0:SIDE, 0:SIDE].astype(np.float32)
    solid = (np.hypot(x - SIDE / 2, y - SIDE / 2) <= radius).astype(np.float32)
    return np.asarray(cv2.GaussianBlur(solid, (0, 0), sigma), np.float32)


@pytest.mark.parametrize("sigma", [1.2, 2.5, 5.0, 9.0])
@pytest.mark.parametrize("noise", [0.0, 0.3])
def test_stacked_profiles_give_the_borders_sigma(sigma: float, noise: float) -> None:
    """A drawn border's sigma comes back within a sixth, be each profile ever so noisy."""
    rng = np.random.default_rng(3)
    signal = _disc(60, sigma) + noise * rng.standard_normal((SIDE, SIDE)).astype(np.float32)
    mask = _disc(60, sigma) > 0.5
    found = stacked_border(np.asarray(signal, np.float32), mask, np.ones_like(mask), 1.0)
    assert found is not None
    assert found[0] == pytest.approx(np.hypot(sigma, 0.3), rel=0.17)


def test_a_border_over_a_picture_reads_as_sharp_as_it_is() -> None:
    """Grey metal over a striped picture differs in height from place to place, not in width."""
    stripes = 0.5 + 0.3 * np.sin(np.arange(SIDE, dtype=np.float32) / 4)[None, :]
    solid = _disc(60, 1.2)
    signal = solid * (0.95 - stripes)
    found = stacked_border(signal, solid > 0.5, np.ones(signal.shape, bool), 1.0)
    assert found is not None
    assert found[0] == pytest.approx(1.25, rel=0.25)


def _ring(mask: Mask) -> Mask:
    wide = cv2.dilate(mask.astype(np.uint8), np.ones((61, 61), np.uint8)) > 0
    near = cv2.dilate(mask.astype(np.uint8), np.ones((21, 21), np.uint8)) > 0
    return np.asarray(wide & ~near)


@pytest.mark.parametrize("cause", ["light", "dye"])
def test_light_and_lost_dye_are_told_by_the_pictures_tones(cause: str) -> None:
    """Over dark and light areas an even reflection and a lost share of the density part."""
    rng = np.random.default_rng(1)
    tones = cv2.resize(rng.uniform(0.05, 0.95, (24, 24, 3)).astype(np.float32), (SIDE, SIDE))
    level = _disc(50, 8)[..., None]
    linear = tones + 0.08 * level if cause == "light" else tones ** (1 - 0.25 * level)
    noise = 0.003 * rng.standard_normal(linear.shape).astype(np.float32)
    seen = root_from_linear(np.asarray(linear, np.float32)) + noise
    due = root_from_linear(np.asarray(tones, np.float32))
    mask = np.asarray(_disc(50, 8) > 0.5)
    white = root_from_linear(np.ones_like(due))
    share = light_share(seen, due, white, mask, _ring(mask), 5.0)
    assert share is not None
    assert share > 0.7 if cause == "light" else share < 0.3


def test_a_flat_picture_cannot_tell() -> None:
    """Where nothing differs no share is given."""
    flat = np.full((SIDE, SIDE, 3), 0.6, np.float32)
    flat += 0.003 * np.random.default_rng(0).standard_normal(flat.shape).astype(np.float32)
    mask = np.asarray(_disc(50, 8) > 0.5)
    even = np.full_like(flat, 0.6)
    assert light_share(flat, even, np.ones_like(flat), mask, _ring(mask), 5.0) is None
    assert linear_from_root(root_from_linear(np.float32([0.3])))[0] == pytest.approx(0.3, abs=1e-6)


def _striped(rows: list[int], depth: float) -> F32:
    rng = np.random.default_rng(5)
    out = 0.01 * rng.standard_normal((600, 800, 3)).astype(np.float32)
    for row in rows:
        out[row : row + 2, :, 1] += depth
    return out


# weight, and edges of an expected look that has none
_WHOLE = (np.ones((600, 800), np.float32), np.zeros((600, 800), np.float32))


def test_lines_far_under_a_pixels_noise_are_found() -> None:
    """Four lines of a third of the pixel noise come back at their rows."""
    rows = [90, 200, 330, 470]
    even = np.full((600, 800, 3), 0.5, np.float32)
    lines = _lines(_striped(rows, 0.0035), even, *_WHOLE, 5.0)
    assert lines is not None
    assert [round(v) for v in lines.at] == pytest.approx(rows, abs=1)


def test_noise_and_a_few_marks_are_no_streaks() -> None:
    """Neither plain noise nor bright marks at three rows make lines."""
    even = np.full((600, 800, 3), 0.5, np.float32)
    noise = _striped([], 0.0)
    assert _lines(noise, even, *_WHOLE, 5.0) is None
    for row in (100, 300, 500):
        noise[row : row + 2, 200:260] += 0.3
    assert _lines(noise, even, *_WHOLE, 5.0) is None


def test_a_line_far_stronger_than_the_others_is_no_streak() -> None:
    """A bare strip along the side, or a scratch, is left out of the streaks that are alike."""
    even = np.full((600, 800, 3), 0.5, np.float32)
    drawn = _striped([90, 200, 330], 0.0035)
    drawn[470:472] += 0.2
    lines = _lines(drawn, even, *_WHOLE, 5.0)
    assert lines is not None
    assert [round(v) for v in lines.at] == pytest.approx([90, 200, 330], abs=1)


def test_the_pictures_own_lines_are_no_streaks() -> None:
    """Horizontal edges of the picture a fifth of a pixel out of place are not printed streaks."""
    y = np.arange(600, dtype=np.float32)
    profile = 0.5 + 0.2 * np.sign(np.sin(y / 15))
    soft = cv2.GaussianBlur(np.repeat(profile[:, None], 800, 1), (0, 0), 1.2)
    picture = np.repeat(soft[..., None], 3, 2).astype(np.float32)
    moved = 0.2 * np.gradient(picture, axis=0).astype(np.float32)
    assert _lines(_striped([], 0.0) + moved, picture, *_WHOLE, 5.0) is None


def test_halos_along_the_bands_of_a_plaid_are_no_streaks() -> None:
    """Bands that go along, lighter here and darker there, do not change their rows' mean; what
    sharpening leaves beside them adds up all the same."""
    y, x = np.mgrid[0:600, 0:800]
    band = np.sign(np.sin(y / 15)).astype(np.float32)
    turned = np.where(x // 50 % 2, 1.0, -1.0).astype(np.float32)
    light = cv2.GaussianBlur(np.float32(0.5) + np.float32(0.2) * band * turned, (0, 0), 1.2)
    picture = np.repeat(light[..., None], 3, 2)
    halo = cv2.GaussianBlur(light, (0, 0), 0.8) - light
    left = _striped([], 0.0) + 0.25 * np.abs(halo)[..., None]
    left = np.asarray(left, np.float32)
    edge = cv2.absdiff(light, np.roll(light, 1, 0))
    assert _lines(left, picture, _WHOLE[0], edge, 5.0) is None
    assert _lines(left, picture, *_WHOLE, 5.0) is not None


def _candidate(box: tuple[float, float, float, float], tone: str, **features: float) -> Candidate:
    outline = np.array([[box[0], box[1]], [box[2], box[1]], [box[2], box[3]], [box[0], box[3]]])
    base = Candidate(
        family="patch",
        center_mm=((box[0] + box[2]) / 2, (box[1] + box[3]) / 2),
        box_mm=box,
        outline_mm=outline.astype(np.float64),
        area_mm2=(box[2] - box[0]) * (box[3] - box[1]),
        delta_e00=3.0,
        snr=20.0,
        tone="light" if tone == "light" else "dark",
        features=features,
    )
    return base


def test_two_flanks_are_one_dent() -> None:
    """A lit and a dark flank side by side become one candidate in the box around both."""
    lit = _candidate((10, 10, 14, 16), "light", opposite_lobe=0.8, edge_blur_ratio=5.0, area_mm2=24)
    dark = replace(
        _candidate((14.5, 10, 18, 16), "dark", opposite_lobe=0.9, edge_blur_ratio=5.0, area_mm2=21),
        snr=9.0,
    )
    spot = _candidate((40, 40, 44, 44), "light", opposite_lobe=0.0, area_mm2=16)
    whole = with_dents_whole([lit, dark, spot])
    assert len(whole) == 2
    assert whole[0].box_mm == (10, 10, 18, 16)
    assert whole[0].tone == "mixed"
    assert whole[1] == spot


def test_marks_drawn_out_along_a_streak_go_with_it() -> None:
    """What runs along a streak's line is the streak; what crosses it or lies beside it is not."""
    comb = replace(
        _candidate((0, 0, 200, 150), "light", count=3.0, peak_de00=2.0),
        family="panel",
        outline_mm=np.array([[0, 30], [200, 30], [200, 60], [0, 60], [0, 90], [200, 90]], float),
    )
    along = _candidate((50, 59.8, 70, 60.3), "light")
    across = _candidate((50, 50, 50.4, 70), "light")
    beside = _candidate((50, 40, 70, 40.4), "light")
    assert without_streaks([comb, along, across, beside]) == [comb, across, beside]
    scratch = replace(along, delta_e00=20.0)
    assert without_streaks([comb, scratch]) == [comb, scratch]


def _print_view(seen: F32, due: F32) -> PatchView:
    frame = SimpleNamespace(px_per_mm=5.0, observed=seen)
    usable = np.ones(due.shape[:2], bool)
    weight = np.ones(due.shape[:2], np.float32)
    return PatchView(
        frame=cast(PanelFrame, frame),
        expected=due,
        slope=steepness(photo_light(due)),
        residual=photo_light(seen - due),
        due=photo_light(due),
        weight=weight,
        usable=usable,
        energy=np.ones_like(weight),
        given_up=np.zeros(weight.shape, bool),
        blur_px=1.0,
    )


def _fine_print(rng: np.random.Generator) -> F32:
    ink = (rng.random((120, 160)) < 0.4).astype(np.float32)
    large = cv2.resize(0.9 - 0.7 * ink, (640, 480), interpolation=cv2.INTER_NEAREST)
    return np.asarray(np.repeat(cv2.GaussianBlur(large, (0, 0), 0.8)[..., None], 3, 2), np.float32)


def test_print_that_ran_is_found_though_its_mean_holds() -> None:
    """A place where fine print is blurred, its mean unchanged, is found, and found alone."""
    rng = np.random.default_rng(2)
    due = _fine_print(rng)
    soft = cv2.GaussianBlur(due, (0, 0), 4.0)
    y, x = np.mgrid[0:480, 0:640]
    level = cv2.GaussianBlur((np.hypot(x - 300, y - 200) < 30).astype(np.float32), (0, 0), 4.0)
    seen = due + level[..., None] * (soft - due)
    seen = seen + 0.004 * rng.standard_normal(due.shape).astype(np.float32)
    found = find_detail_loss(_print_view(np.asarray(seen, np.float32), due))
    assert len(found) == 1
    x0, y0, x1, y1 = found[0][0].box
    assert ((x0 + x1) / 2, (y0 + y1) / 2) == pytest.approx((300, 200), abs=6)


def test_detail_that_a_camera_would_smooth_away_is_not_missed() -> None:
    """Detail fainter than an eight-bit step may be gone from a place and says nothing."""
    rng = np.random.default_rng(4)
    due = np.asarray(0.4 + 0.006 * (_fine_print(rng) - 0.6), np.float32)
    soft = cv2.GaussianBlur(due, (0, 0), 4.0)
    y, x = np.mgrid[0:480, 0:640]
    level = (np.hypot(x - 300, y - 200) < 60).astype(np.float32)[..., None]
    seen = due + level * (soft - due) + np.float32(1e-4) * rng.standard_normal(due.shape)
    assert find_detail_loss(_print_view(np.asarray(seen, np.float32), due)) == []


@pytest.mark.parametrize("flat", [1, 12])
def test_detail_that_every_shadow_keeps_as_little_of_is_not_lost(flat: int) -> None:
    """Where one shadow of twelve keeps a third of its detail, that one is found; where all do,
    none: so the shop's ink draws shadows."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0:480, 0:640]
    shadow = [
        np.hypot(x - cx, y - cy)[..., None] < 45
        for cx in (80, 240, 400, 560)
        for cy in (80, 240, 400)
    ]
    print_ = _fine_print(rng)
    due = np.where(np.any(shadow, axis=0), 0.15 + 0.25 * print_, 0.3 + 0.5 * print_)
    soft = cv2.GaussianBlur(due, (0, 0), 4.0)
    lost = np.any(shadow[:flat], axis=0)
    seen = np.where(lost, soft + 0.33 * (due - soft), due)
    seen = seen + 0.004 * rng.standard_normal(due.shape)
    view = _print_view(np.asarray(seen, np.float32), np.asarray(due, np.float32))
    assert len(find_detail_loss(view)) == (1 if flat == 1 else 0)


def test_print_that_is_soft_everywhere_or_under_light_lost_nothing() -> None:
    """Neither a slightly softer photo nor an even veil of light washes detail out of one place."""
    rng = np.random.default_rng(3)
    due = _fine_print(rng)
    softer = cv2.GaussianBlur(due, (0, 0), 0.8)
    y, x = np.mgrid[0:480, 0:640]
    veil = 0.3 * np.exp(-((x - 300) ** 2 + (y - 200) ** 2) / (2 * 60**2))[..., None]
    veiled = root_from_linear(np.asarray(linear_from_root(due.copy()) + veil, np.float32))
    for seen in (softer, veiled):
        noisy = seen + 0.004 * rng.standard_normal(due.shape).astype(np.float32)
        assert find_detail_loss(_print_view(np.asarray(noisy, np.float32), due)) == []


def _region(box: tuple[int, int, int, int], height: float, sign: int = 1) -> Region:
    mask = np.zeros((SIDE, SIDE), bool)
    mask[box[1] : box[3], box[0] : box[2]] = True
    light = np.where(mask, np.float32(height * sign), np.float32(0))
    return Region.of(Place.of(mask), np.asarray(light, np.float32), sign, 100 * height)


def test_pieces_of_one_spot_are_joined_and_other_things_are_not() -> None:
    """An island beside the main part joins it; a line, a wide faint glow and a far spot do not."""
    main, island = _region((50, 50, 90, 90), 0.1), _region((94, 60, 106, 72), 0.06)
    valley = _region((60, 92, 70, 100), 0.02, -1)
    far = _region((200, 200, 215, 215), 0.1)
    line = _region((50, 94, 120, 97), 0.1)
    light = np.zeros((SIDE, SIDE), np.float32)
    regions = grouped([main, island, valley, far, line], light, 5.0)
    sizes = sorted(region.place.count for region in regions)
    assert sizes == sorted([40 * 40 + 12 * 12, 15 * 15, 70 * 3])


def test_a_zone_takes_in_no_patch() -> None:
    """A spot at the border of an unevenness over a third of the panel stays a spot."""
    zone, spot = _region((0, 0, SIDE // 2, SIDE), 0.05), _region((SIDE // 2 + 3, 40, 240, 80), 0.06)
    regions = grouped([zone, spot], np.zeros((SIDE, SIDE), np.float32), 5.0)
    assert {region.place.count for region in regions} == {zone.place.count, spot.place.count}


def test_places_join_and_share_what_both_hold() -> None:
    """Windows that lie apart, overlap or reach over the frame keep every pixel where it was."""
    one, other = Place(np.ones((4, 6), bool), 3, 2), Place(np.ones((2, 9), bool), 5, 4)
    both = joined([one, other])
    assert (both.box, both.count) == ((3, 2, 14, 6), 24 + 18 - 8)
    assert one.shared(other) == other.shared(one) == 8
    wide = one.grown(4, (20, 8))
    assert (wide.box, wide.count) == ((0, 0, 8, 10), 24 - 4)
    assert one.shared(Place(np.ones((3, 3), bool), 50, 50)) == 0


def test_an_edge_beside_a_patch_hides_none_of_its_mottle() -> None:
    """Unevenness is held against most of what lies around; an even patch stays smooth."""
    rng = np.random.default_rng(4)
    y, x = np.mgrid[0:SIDE, 0:SIDE] - SIDE / 2
    away = np.hypot(x, y)
    mask, ring = away < 20, (away > 28) & (away < 60)
    noise = gaussian(rng.normal(0, 0.02, (SIDE, SIDE)).astype(np.float32), 1.0)
    grain = gaussian(rng.normal(0, 1.0, (SIDE, SIDE)).astype(np.float32), 2.5)
    even = np.asarray(noise + 0.04 * mask, np.float32)
    mottled = np.asarray(even + 0.012 * grain / grain.std() * mask, np.float32)
    assert mottle(even, mask, ring, 40.0) < 0.15
    plain = mottle(mottled, mask, ring, 40.0)
    assert plain > 0.2
    edge = np.asarray(0.15 * ((x > 40) & (x < 43)), np.float32)
    assert mottle(mottled + edge, mask, ring, 40.0) > 0.9 * plain
