"""Softness of borders, streaks, dents and what a second image leaves, on drawn differences."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from dyelight.detect.light_or_dye import light_or_dye
from dyelight.detect.patch_border import stacked_border
from dyelight.detect.same import with_dents_whole
from dyelight.detect.streaks import _lines, without_streaks
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
    shares = light_or_dye(seen, due, white, mask, _ring(mask), 5.0)
    assert shares is not None
    assert shares.light > 0.7 if cause == "light" else shares.light < 0.3


def test_a_flat_picture_cannot_tell() -> None:
    """Where nothing differs no share is given."""
    flat = np.full((SIDE, SIDE, 3), 0.6, np.float32)
    flat += 0.003 * np.random.default_rng(0).standard_normal(flat.shape).astype(np.float32)
    mask = np.asarray(_disc(50, 8) > 0.5)
    even = np.full_like(flat, 0.6)
    assert light_or_dye(flat, even, np.ones_like(flat), mask, _ring(mask), 5.0) is None
    assert linear_from_root(root_from_linear(np.float32([0.3])))[0] == pytest.approx(0.3, abs=1e-6)


def _striped(rows: list[int], depth: float) -> F32:
    rng = np.random.default_rng(5)
    out = 0.01 * rng.standard_normal((600, 800, 3)).astype(np.float32)
    for row in rows:
        out[row : row + 2, :, 1] += depth
    return out


def test_lines_far_under_a_pixels_noise_are_found() -> None:
    """Four lines of a third of the pixel noise come back at their rows."""
    rows = [90, 200, 330, 470]
    even = np.full((600, 800, 3), 0.5, np.float32)
    lines = _lines(_striped(rows, 0.0035), even, np.ones((600, 800), np.float32), 5.0)
    assert lines is not None
    assert [round(v) for v in lines.at] == pytest.approx(rows, abs=1)


def test_noise_and_a_few_marks_are_no_streaks() -> None:
    """Neither plain noise nor bright marks at three rows make lines."""
    even = np.full((600, 800, 3), 0.5, np.float32)
    weight = np.ones((600, 800), np.float32)
    noise = _striped([], 0.0)
    assert _lines(noise, even, weight, 5.0) is None
    for row in (100, 300, 500):
        noise[row : row + 2, 200:260] += 0.3
    assert _lines(noise, even, weight, 5.0) is None


def test_the_pictures_own_lines_are_no_streaks() -> None:
    """Horizontal edges of the picture a fifth of a pixel out of place are not printed streaks."""
    y = np.arange(600, dtype=np.float32)
    profile = 0.5 + 0.2 * np.sign(np.sin(y / 15))
    soft = cv2.GaussianBlur(np.repeat(profile[:, None], 800, 1), (0, 0), 1.2)
    picture = np.repeat(soft[..., None], 3, 2).astype(np.float32)
    moved = 0.2 * np.gradient(picture, axis=0).astype(np.float32)
    assert _lines(_striped([], 0.0) + moved, picture, np.ones((600, 800), np.float32), 5.0) is None


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
        _candidate((0, 0, 200, 150), "light", count=3.0),
        family="panel",
        outline_mm=np.array([[0, 30], [200, 30], [200, 60], [0, 60], [0, 90], [200, 90]], float),
    )
    along = _candidate((50, 59.8, 70, 60.3), "light")
    across = _candidate((50, 50, 50.4, 70), "light")
    beside = _candidate((50, 40, 70, 40.4), "light")
    assert without_streaks([comb, along, across, beside]) == [comb, across, beside]
