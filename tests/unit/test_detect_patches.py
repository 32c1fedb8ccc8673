"""Patches drawn on a squared-up panel: found, measured, and told from reflections and the rim."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import cast

import cv2
import numpy as np
import pytest

from dyelight.detect import detect, detection
from dyelight.detect.company import with_misfit_beside
from dyelight.detect.known_colours import with_known_colours
from dyelight.detect.patch_levels import (
    darker_scatter,
    patch_view,
    smoothed_levels,
    spot_scatter,
)
from dyelight.detect.patch_measures import measure_patch, sharpened
from dyelight.detect.patches import find_patches
from dyelight.detect.places import Place
from dyelight.detect.reflections import is_reflection
from dyelight.detect.trace import without_traces
from dyelight.look import Difference, PanelFrame, PhotoFrame, SecondImage
from dyelight.look.colour_light import ColourLight
from dyelight.look.render import photo_light
from dyelight.look.rootlight import linear_from_root, root_from_linear
from dyelight.look.sharpness import Sharpness
from dyelight.placement.picture_map import FittedMap
from dyelight.records import F32, Artwork, Candidate, Mask, Placement

SIDE = 360
PER_MM = 6.0
SIZE_MM = SIDE / PER_MM
BLUR_PX = 1.0
NOISE = 0.003
MIDDLE = (SIDE - 1) / 2


def _blurred(image: F32, sigma: float) -> F32:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), np.float32)


def _picture(detail: float = 0.0, seed: int = 2) -> F32:
    """A grey picture (SIDE, SIDE, 3) in root light with fine detail of this scatter."""
    grain = _blurred(np.random.default_rng(seed).normal(size=(SIDE, SIDE)).astype(np.float32), 1.5)
    fine = np.float32(detail) * grain / grain.std()
    return np.repeat((np.float32(0.5) + fine)[..., None], 3, axis=2)


def _disc(radius_px: float, sigma_px: float) -> F32:
    """A disc of height 1 in the middle, its border a step through a Gaussian of this sigma."""
    times = 4
    at = (np.arange(SIDE * times) + 0.5) / times - 0.5 - MIDDLE
    inside = (at[:, None] ** 2 + at[None, :] ** 2 <= radius_px**2).astype(np.float32)
    small = cv2.resize(inside, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    exact = np.asarray(small, np.float32)
    return _blurred(exact, sigma_px) if sigma_px > 0 else exact


def _mask(radius_px: float) -> Mask:
    at = np.arange(SIDE) - MIDDLE
    return np.asarray(at[:, None] ** 2 + at[None, :] ** 2 <= radius_px**2)


def _difference(observed: F32, expected: F32) -> Difference:
    """Two pictures in root light held against each other on the panel; noise is added."""
    noise = np.random.default_rng(11).normal(0, NOISE, observed.shape)
    observed = np.asarray(observed + noise, np.float32)
    shape = (SIDE, SIDE)
    everywhere = np.ones(shape, bool)
    at = (np.arange(SIDE) + 0.5) / PER_MM
    edge = np.minimum(at, SIZE_MM - at)
    panel = PanelFrame(
        px_per_mm=PER_MM,
        margin_mm=0.0,
        observed=observed,
        artwork=expected,
        expected=expected,
        inside=everywhere,
        printed=everywhere,
        blown=~everywhere,
        opaque=everywhere,
        in_photo=everywhere,
        edge_mm=np.minimum(edge[:, None], edge[None, :]).astype(np.float32),
    )
    photo = PhotoFrame(
        x0=0.0,
        y0=0.0,
        observed=observed,
        expected=expected,
        residual=np.asarray((observed - expected).mean(axis=2), np.float32),
        sigma=np.full(shape, NOISE, np.float32),
        coherent=np.zeros(shape, np.float32),
        usable=everywhere,
        px_per_mm=PER_MM,
        blur_px=BLUR_PX,
        sharpness=Sharpness(BLUR_PX, np.zeros((3, 3), np.float32), 0.0),
    )
    homography = np.array([[PER_MM, 0, -0.5], [0, PER_MM, -0.5], [0, 0, 1]])
    grey = np.full((SIDE, SIDE, 3), 128, np.uint8)
    return Difference(
        artwork=Artwork("picture.png", "", grey, None, SIZE_MM, SIZE_MM),
        picture=FittedMap.from_homography(homography, (SIDE, SIDE), (0, 0, SIZE_MM, SIZE_MM)),
        outline_seen=True,
        panel=panel,
        photo=photo,
        look=cast(ColourLight, None),
        panel_from_artwork=np.eye(3),
        under_veil=expected,
        hidden=~everywhere,
        past_end=~everywhere,
        skirt=~everywhere,
        white=np.full((*shape, 3), 0.9, np.float32),
        contrast=np.zeros(shape, np.float32),
        due=photo_light(expected),
        left_over=photo_light(observed - expected) / np.float32(NOISE),
    )


def _measured(observed: F32, expected: F32, radius_px: float) -> Candidate:
    difference = _difference(observed, expected)
    found = measure_patch(difference, patch_view(difference), Place.of(_mask(radius_px)), 1, 20.0)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("sigma_px", "ratio"), [(BLUR_PX, (0.8, 1.25)), (6.0, (4.4, 6.2))], ids=["sharp", "soft"]
)
def test_a_border_is_as_wide_as_it_was_drawn(sigma_px: float, ratio: tuple[float, float]) -> None:
    """A border as sharp as the photo has ratio 1, one six times as soft about 5.

    Sampling and the outline's own jitter blur both a little.
    """
    expected = _picture()
    observed = expected + np.float32(0.08) * _disc(30, sigma_px)[..., None]
    features = _measured(observed, expected, 30).features
    assert ratio[0] < features["edge_blur_ratio"] < ratio[1]
    # 10 % to 90 % of a step through a Gaussian is 2.563 sigma
    drawn_mm = 2.563 * np.hypot(sigma_px, 0.8) / PER_MM
    assert 0.7 * drawn_mm < features["edge_width_mm"] < 1.15 * drawn_mm


def test_a_round_patch_has_its_size_place_and_form() -> None:
    """A disc 10 mm across is measured as one: area, box, centre, solidity."""
    expected = _picture()
    patch = _measured(expected + np.float32(0.08) * _disc(30, 1.5)[..., None], expected, 30)
    assert patch.tone == "light"
    assert patch.area_mm2 == pytest.approx(np.pi * 25, rel=0.03)
    assert patch.center_mm == pytest.approx((30.0, 30.0), abs=0.05)
    assert patch.box_mm == pytest.approx((25, 25, 35, 35), abs=0.2)
    assert patch.features["solidity"] > 0.95
    assert patch.features["elongation"] == pytest.approx(1.0, abs=0.05)
    assert patch.features["neutral_likeness"] > 0.8
    assert patch.features["mottle"] < 0.15


def test_light_thrown_back_leaves_detail_as_light_does() -> None:
    """Light added in linear light has a reflection's slope: likeness 1, detail kept."""
    expected = _picture(detail=0.05)
    lit = linear_from_root(expected) + np.float32(0.12) * _disc(30, 6)[..., None]
    features = _measured(root_from_linear(np.asarray(lit, np.float32)), expected, 28).features
    assert features["reflection_likeness"] > 0.9
    assert features["slope"] == pytest.approx(1.0, abs=0.05)


def test_blurred_detail_is_no_reflection() -> None:
    """Where the patch has washed detail out, likeness to a reflection is 0 and little is kept."""
    expected = _picture(detail=0.05)
    share = _disc(30, 6)[..., None]
    washed = expected * (1 - share) + (_blurred(expected, 4.0) + np.float32(0.1)) * share
    features = _measured(np.asarray(washed, np.float32), expected, 24).features
    assert features["reflection_likeness"] < 0.1
    assert features["detail_ratio"] < 0.3


def test_a_flat_picture_says_nothing_about_reflection() -> None:
    """Without detail neither slope nor likeness is given."""
    expected = _picture()
    features = _measured(
        expected + np.float32(0.1) * _disc(30, 6)[..., None], expected, 28
    ).features
    assert "reflection_likeness" not in features
    assert "slope" not in features
    assert "detail_ratio" not in features


def test_a_smooth_patch_is_found_at_its_place_and_size() -> None:
    """A soft pale spot 8 mm across at half its height is one light patch of that size."""
    expected = _picture(detail=0.02)
    observed = expected + np.float32(0.06) * _disc(24, 4)[..., None]
    found = find_patches(_difference(observed, expected))
    assert [(patch.family, patch.tone) for patch in found] == [("patch", "light")]
    assert found[0].center_mm == pytest.approx((30.0, 30.0), abs=0.3)
    assert found[0].features["eq_diameter_mm"] == pytest.approx(8.0, rel=0.12)
    assert found[0].features["edge_blur_ratio"] > 2.0


def test_a_patch_stands_out_of_the_calm_around_it() -> None:
    """Unevenness over two thirds of the panel hides no faint spot in the calm third."""
    expected = _picture(detail=0.02)
    broad = _blurred(np.random.default_rng(8).normal(size=(SIDE, SIDE)).astype(np.float32), 9.0)
    broad *= np.float32(0.03) / broad.std()
    broad[:, :150] = 0
    spot = np.roll(_disc(14, 4), -105, axis=1)
    observed = expected + (_blurred(broad, 6.0) + np.float32(0.05) * spot)[..., None]
    found = find_patches(_difference(np.asarray(observed, np.float32), expected))
    near = [one for one in found if abs(one.center_mm[0] - 12.5) < 1]
    # it may be seen by its height and by how restless it is; naming tells it once
    assert 1 <= len(near) <= 2
    assert {one.tone for one in near} == {"light"}
    assert near[0].features["eq_diameter_mm"] == pytest.approx(14 * 2 / PER_MM, rel=0.25)


def test_a_panel_as_expected_shows_no_patches() -> None:
    """Noise alone gives nothing."""
    expected = _picture(detail=0.02)
    assert find_patches(_difference(expected, expected)) == ()


def test_a_lone_mark_found_before_is_no_patch() -> None:
    """A strong speck that the marks have seen is left out of the patches."""
    expected = _picture()
    difference = _difference(expected + np.float32(0.3) * _disc(5, 1)[..., None], expected)
    assert find_patches(difference) != ()
    turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    outline = 30 + 1.0 * np.stack([np.cos(turn), np.sin(turn)], 1)
    speck = replace(_candidate((30, 30), (1, 1), family="point"), outline_mm=outline)
    assert find_patches(difference, (speck,)) == ()


def test_a_patch_is_cut_out_again_at_its_own_border() -> None:
    """A rough mask two thirds again as wide shrinks to where the patch falls to half."""
    expected = _picture()
    observed = expected + np.float32(0.1) * _disc(30, 1.5)[..., None]
    view = patch_view(_difference(observed, expected))
    mask = sharpened(view, Place.of(_mask(40)), 1).mask
    assert float(mask.sum()) == pytest.approx(np.pi * 30**2, rel=0.05)


def test_scatter_is_read_from_the_darker_side() -> None:
    """A reflection over a fifth of the panel leaves the scatter as it was."""
    rng = np.random.default_rng(3)
    light = rng.normal(0, 0.01, (200, 200)).astype(np.float32)
    busy = np.zeros((200, 200), np.uint8)
    seen = np.ones((200, 200), bool)
    calm = darker_scatter(light, busy, seen)
    light[:40] += 0.3
    glary = darker_scatter(light, busy, seen)
    assert calm is not None
    assert glary is not None
    assert float(calm[0]) == pytest.approx(0.01, rel=0.1)
    assert float(glary[0]) == pytest.approx(float(calm[0]), rel=0.15)
    assert darker_scatter(light[:10, :10], busy[:10, :10], seen[:10, :10]) is None


def test_a_noisier_photo_has_more_scatter_for_spots() -> None:
    """Broad unevenness raises the scatter that a 5 mm spot must beat."""
    expected = _picture()
    broad = _blurred(np.random.default_rng(8).normal(size=(SIDE, SIDE)).astype(np.float32), 8.0)
    uneven = expected + np.float32(0.01) * (broad / broad.std())[..., None]
    calm = spot_scatter(_difference(expected, expected), 5.0)
    rough = spot_scatter(_difference(np.asarray(uneven, np.float32), expected), 5.0)
    assert calm is not None
    assert rough is not None
    assert rough > 3 * calm


def _candidate(
    center: tuple[float, float],
    half: tuple[float, float],
    *,
    family: str = "patch",
    delta_e00: float = 12.0,
    **features: float,
) -> Candidate:
    x, y = float(center[0]), float(center[1])
    box = (x - half[0], y - half[1], x + half[0], y + half[1])
    values: dict[str, float] = {
        "eq_diameter_mm": 2 * min(half),
        "width_mm": 2 * min(half),
        "edge_blur_ratio": 1.0,
        "peak_de00": delta_e00,
        "over_white": 0.0,
        "mottle": 0.3,
        "elongation": 1.5,
        "straightness": 0.0,
        "edge_shift_px": 9.0,
        "colour_share": 0.2,
    }
    return Candidate(
        family=family,
        center_mm=(x, y),
        box_mm=box,
        outline_mm=np.array(
            [[box[0], box[1]], [box[2], box[1]], [box[2], box[3]], [box[0], box[3]]]
        ),
        area_mm2=4 * half[0] * half[1],
        delta_e00=delta_e00,
        snr=20.0,
        tone="light",
        features=values | features,
    )


Detect = Callable[..., detection.Detection]


def _alone(_difference: Difference, _image: SecondImage) -> tuple[Difference, Placement]:
    """No panel here shows a second image."""
    raise AssertionError


@pytest.fixture
def seen_as(monkeypatch: pytest.MonkeyPatch) -> Detect:
    """The detect stage on a faultless panel where detectors have found what is handed over."""
    picture = _picture()
    difference = _difference(picture, picture)

    def run(*candidates: Candidate) -> detection.Detection:
        monkeypatch.setattr(detection, "find_double", lambda _difference: None)
        monkeypatch.setattr(detection, "DETECTORS", (lambda _difference, _found: candidates,))
        monkeypatch.setattr(detection, "with_known_colours", lambda _difference, found: found)
        monkeypatch.setattr(detection, "with_misfit_beside", lambda found: found)
        return detect(difference, _alone)

    return run


def test_what_runs_along_the_rim_is_the_rim(seen_as: Detect) -> None:
    """A streak along the edge is dropped; one that stands off it or across it stays."""
    rim = _candidate((0.8, 30), (0.5, 8))
    off = _candidate((5.0, 30), (0.5, 8))
    across = _candidate((0.9, 50), (0.8, 0.5))
    below = _candidate((30, SIZE_MM - 0.8), (6, 0.5), family="line")
    assert seen_as(rim, off, across, below).candidates == (off, across)


def test_a_reflection_hides_what_lies_under_it_and_is_no_candidate(seen_as: Detect) -> None:
    """A strong reflection takes its area from sight, and soft patches within it."""
    glare = _candidate(
        (30, 30), (8, 8), reflection_likeness=0.9, edge_blur_ratio=4.0, delta_e00=35.0
    )
    under = _candidate((32, 30), (2, 2))
    mark = _candidate((25, 30), (0.4, 0.4), family="point", delta_e00=30.0)
    beside = _candidate((50, 50), (2, 2))
    seen = seen_as(glare, under, mark, beside)
    assert seen.candidates == (mark, beside)
    assert seen.hidden_fraction == pytest.approx(16 * 16 / SIZE_MM**2, rel=0.05)
    (polygon,) = seen.hidden_mm
    assert polygon.min(0) == pytest.approx([22, 22], abs=0.3)
    assert polygon.max(0) == pytest.approx([38, 38], abs=0.3)


def test_a_soft_patch_at_the_end_of_a_reflection_is_its_piece(seen_as: Detect) -> None:
    """As soft and no stronger it goes with it; with a sharp border, stronger or apart it stays."""
    glare = _candidate((20, 30), (8, 8), reflection_likeness=0.9, edge_blur_ratio=6.0)
    piece = _candidate((31, 30), (2, 2), edge_blur_ratio=5.0)
    sharp = _candidate((20, 41), (2, 2), edge_blur_ratio=1.2)
    strong = _candidate((20, 19), (2, 2), edge_blur_ratio=5.0, delta_e00=25.0)
    apart = _candidate((50, 30), (2, 2), edge_blur_ratio=5.0)
    assert seen_as(glare, piece, sharp, strong, apart).candidates == (sharp, strong, apart)


def test_light_washes_out_what_it_lies_on(seen_as: Detect) -> None:
    """Washed-out detail under a soft reflection that hides nothing goes with it; what reaches out
    of it by more than half, or lies apart, stays."""
    glare = _candidate((20, 30), (8, 8), reflection_likeness=0.9, edge_blur_ratio=6.0)
    under = _candidate((21, 30), (4, 4), washed_out=1.0)
    across = _candidate((28, 30), (3, 3), washed_out=1.0)
    apart = _candidate((50, 30), (3, 3), washed_out=1.0)
    assert seen_as(glare, under, across, apart).candidates == (across, apart)


def test_a_ragged_patch_mottled_amid_calm_is_no_light() -> None:
    """Lamps and windows have plain outlines; where nothing is mottled a patch may be ragged light,
    and of a patch without a border of its own nothing is known."""
    grey = np.full((SIDE, SIDE, 3), 0.5, np.float32)
    difference = _difference(grey, grey)
    lamp = _candidate((15, 30), (14.9, 9.0), edge_blur_ratio=4.0, delta_e00=10.0, mottle=0.05)
    mottled = {"solidity": 0.6, "left_over": 10.0, "left_over_rise": 8.0}

    def seen(**features: float) -> bool:
        return is_reflection(difference, replace(lamp, features=lamp.features | features))

    assert seen()
    assert not seen(**mottled)
    assert seen(**mottled | {"solidity": 0.9})
    assert seen(**mottled | {"left_over_rise": 2.0})
    assert seen(**mottled | {"edge_blur_ratio": 0.0})


def test_a_bite_at_the_edge_is_neither_rim_nor_hidden(seen_as: Detect) -> None:
    """It stays where a patch of the same shape is taken for the rim, and takes its border in."""
    chip = _candidate((0.8, 30), (0.8, 2.0), family="chip")
    border = _candidate((1.2, 30), (0.3, 1.0), family="line")
    assert seen_as(chip, border).candidates == (chip,)


def test_a_second_image_leaves_traces_at_edges_and_none_on_plain_ground() -> None:
    """A faint mark along an edge is what the second image leaves; a strong one, or one that only
    crosses it, is not."""
    picture = _picture()
    picture[:, SIDE // 2 :] = 0.8
    difference = _difference(picture, picture)
    double = replace(
        _candidate((30, 30), (30, 30), family="double", shift_mm=1.0, strength=20.0), extent="panel"
    )
    along = _candidate((30, 30), (0.5, 10), family="line", delta_l=2.0)
    strong = _candidate((30, 15), (0.5, 4), family="line", delta_l=9.0)
    cross = _candidate((30, 45), (12, 0.5), family="line", delta_l=2.0)
    found = [double, along, strong, cross]
    assert without_traces(difference, found) == [double, strong, cross]


def test_a_thin_straight_strong_line_is_a_crease_though_it_runs_over_the_edge() -> None:
    """A reflection may run over the panel's edge; no lamp is a millimetre wide and as straight."""
    grey = np.full((SIDE, SIDE, 3), 0.5, np.float32)
    difference = _difference(grey, grey)
    line = {"elongation": 30.0, "width_mm": 1.3, "straightness": 1.0, "edge_shift_px": 40.0}
    at_the_edge = _candidate(
        (15, 30), (14.9, 0.7), edge_blur_ratio=4.0, delta_e00=10.0, mottle=0.05
    )
    crease = replace(at_the_edge, features=at_the_edge.features | line)
    assert is_reflection(difference, at_the_edge)
    assert not is_reflection(difference, crease)


def test_the_picture_s_own_misfits_beside_a_finding_are_counted() -> None:
    """Like findings half as strong count by the squared share that the picture explains."""
    speck = _candidate((30, 30), (1, 1), family="point", picture_share=0.5)
    strong = _candidate((10, 10), (1, 1), family="line", picture_share=0.4)
    weak = replace(strong, snr=0.45 * speck.snr)
    clear = _candidate((40, 10), (1, 1), family="point", picture_share=0.05)
    patch = _candidate((50, 50), (2, 2), colour_share=0.9)
    panel = _candidate((30, 30), (9, 9), family="panel")
    found = with_misfit_beside([speck, strong, weak, clear, patch, panel])
    beside = [c.features.get("misfit_beside") for c in found]
    # not the weak line, not the patch, not itself
    assert beside[0] == pytest.approx(0.4**2 + 0.05**2)
    assert beside[1] == pytest.approx(0.8**2 * (0.5**2 + 0.05**2))
    assert beside[2] == pytest.approx(0.8**2 * (0.5**2 + 0.4**2 + 0.05**2))
    assert beside[3] == pytest.approx(0.1**2 * (0.5**2 + 0.4**2))
    assert beside[4] == 0.0
    assert found[5] == panel


def test_colours_that_are_nowhere_else_are_told() -> None:
    """A candidate on a colour that is all over the panel is known; on a lone one it is not."""
    picture = np.full((SIDE, SIDE, 3), 0.5, np.float32)
    lone = _mask(30) > 0
    picture[lone] = (0.9, 0.2, 0.1)
    difference = _difference(picture, picture)
    middle = (SIZE_MM / 2, SIZE_MM / 2)
    on_it = _candidate(middle, (2, 2))
    beside = _candidate((8, 8), (2, 2), family="point")
    panel = _candidate(middle, (9, 9), family="panel")
    found = with_known_colours(difference, [on_it, beside, panel])
    assert found[0].features["known_colour"] == 0.0
    assert found[1].features["known_colour"] == 1.0
    assert found[2] == panel


def test_a_broad_smooth_very_soft_patch_may_be_light_alone() -> None:
    """Wider than a fifth of the short side it is light unless lost dye draws it clearly better."""
    grey = np.full((SIDE, SIDE, 3), 0.5, np.float32)
    difference = _difference(grey, grey)
    half = 0.15 * SIZE_MM
    either = _candidate((30, 30), (half, half), edge_blur_ratio=4.0)
    light = _candidate((30, 30), (half, half), edge_blur_ratio=4.0, light_share=0.6)
    dye = _candidate((30, 30), (half, half), edge_blur_ratio=4.0, light_share=0.3)
    assert is_reflection(difference, either)
    assert is_reflection(difference, light)
    assert not is_reflection(difference, dye)


def test_under_a_faint_reflection_the_picture_can_be_judged(seen_as: Detect) -> None:
    """A faint reflection is no candidate either, but hides nothing."""
    faint = _candidate(
        (30, 30), (8, 8), reflection_likeness=0.9, edge_blur_ratio=4.0, delta_e00=3.0
    )
    under = _candidate((32, 30), (2, 2))
    seen = seen_as(faint, under)
    assert seen.candidates == (under,)
    assert seen.hidden_fraction == 0.0


def test_limits_of_sight_follow_noise_and_resolution(seen_as: Detect) -> None:
    """A calm flat panel at 6 px/mm shows specks of some tenths of a millimetre."""
    seen = seen_as()
    assert seen.smallest_speck_mm is not None
    assert 0.1 <= seen.smallest_speck_mm < 0.6
    assert seen.faintest_spot_de00 is not None
    assert 0.1 < seen.faintest_spot_de00 < 3.0


@pytest.mark.parametrize(
    ("features", "reflects"),
    [
        ({"reflection_likeness": 0.9, "edge_blur_ratio": 4.0, "solidity": 0.9}, True),
        ({"reflection_likeness": 0.9, "edge_blur_ratio": 4.0, "solidity": 0.5}, False),
        ({"reflection_likeness": 0.9, "edge_blur_ratio": 1.0}, False),
        ({"reflection_likeness": 0.1, "edge_blur_ratio": 4.0}, False),
        ({"over_white": 0.9, "edge_blur_ratio": 4.0}, True),
        ({"light_share": 0.8, "edge_blur_ratio": 4.0, "solidity": 0.9, "mottle": 0.1}, True),
        ({"light_share": 0.5, "edge_blur_ratio": 4.0, "solidity": 0.9, "mottle": 0.1}, False),
        ({"light_share": 0.8, "edge_blur_ratio": 4.0, "solidity": 0.9, "mottle": 0.4}, False),
        ({"edge_blur_ratio": 4.0, "mottle": 0.05}, False),
    ],
)
def test_soft_light_with_detail_kept_or_over_white_is_a_reflection(
    features: dict[str, float], reflects: bool
) -> None:
    """A reflection is soft and round, and keeps detail or outshines white; smooth is not enough."""
    picture = _picture()
    candidate = _candidate((30, 30), (5, 5))
    candidate.features.update(features)
    assert is_reflection(_difference(picture, picture), candidate) is reflects


def test_a_smooth_soft_patch_at_the_edge_is_a_reflection() -> None:
    """Light that runs over the panel's edge is smooth and reaches it."""
    picture = _picture()
    candidate = _candidate((5, 30), (4, 5), edge_blur_ratio=4.0, mottle=0.05)
    assert is_reflection(_difference(picture, picture), candidate)


@pytest.mark.parametrize(
    ("area_mm2", "softness", "colour_share", "reflects"),
    [
        (380.0, 1.1, 0.3, False),
        (300.0, 1.1, 0.3, True),
        (380.0, 2.0, 0.3, True),
        (380.0, 1.1, 0.8, True),
    ],
)
def test_straight_sharp_sides_are_no_reflection(
    area_mm2: float, softness: float, colour_share: float, reflects: bool
) -> None:
    """What fills a rectangle and ends sharply is tape; a round, a soft one or a colour is not."""
    picture = _picture()
    sides = {"length_mm": 20.0, "width_mm": 20.0, "solidity": 0.96, "reflection_likeness": 0.9}
    candidate = _candidate(
        (30, 30), (10, 10), edge_blur_ratio=softness, delta_e00=4.0, colour_share=colour_share
    )
    candidate = replace(candidate, area_mm2=area_mm2, features=candidate.features | sides)
    assert is_reflection(_difference(picture, picture), candidate) is reflects


def test_a_spot_under_a_veil_over_stripes_is_the_only_patch() -> None:
    """A veil lifts dark stripes more than pale ones; what is known of it is no patch, and a spot
    in it is."""
    y = np.arange(SIDE, dtype=np.float32)[:, None]
    stripes = np.where(np.sin(2 * np.pi * y / 30) > 0, 0.2, 0.7)
    expected = np.repeat(np.repeat(stripes, SIDE, axis=1)[..., None], 3, axis=2).astype(np.float32)
    at = np.arange(SIDE) - 0.7 * SIDE
    veil = 0.12 * np.exp(-(at[:, None] ** 2 + at[None, :] ** 2) / (2 * 60.0**2))
    veiled = np.sqrt(expected**2 + veil[..., None]).astype(np.float32)
    spot = 0.06 * _disc(18.0, 4.0)[..., None]
    difference = replace(_difference(veiled + spot, expected), under_veil=veiled)
    (found,) = find_patches(difference)
    assert found.center_mm == pytest.approx((SIZE_MM / 2, SIZE_MM / 2), abs=0.5)
    # without it the stripes under the veil are patches too
    assert len(find_patches(replace(difference, under_veil=expected))) != 1


def test_levels_are_those_of_their_span() -> None:
    """Narrow and wide ones together are all of them."""
    view = patch_view(_difference(_picture(0.02), _picture()))
    whole = [level.sigma_px * level.step for level in smoothed_levels(view)]
    parts = [
        level.sigma_px * level.step
        for span in ((0.0, 8.0), (8.0, np.inf))
        for level in smoothed_levels(view, span)
    ]
    assert whole == parts
    assert len(whole) >= 3
