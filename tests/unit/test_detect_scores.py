"""Matched-filter scores and seeds on drawn noise, blobs and edges."""

from __future__ import annotations

import numpy as np
import pytest

from dyelight.detect.marks import HIGH_BAR, LOW_BAR
from dyelight.detect.scores import ScoreLevel, score_levels
from dyelight.detect.seeds import find_seeds, signed_score
from dyelight.look import PhotoFrame
from dyelight.look.sharpness import Sharpness
from dyelight.records import F32

SIGMA = 0.004
SIDE = 320


def _noise(seed: int) -> F32:
    noise = np.random.default_rng(seed).normal(0, SIGMA, (SIDE, SIDE))
    return np.asarray(noise, np.float32)


def _blob(x: float, y: float, width_px: float) -> F32:
    """A Gaussian of height 1."""
    yy, xx = np.mgrid[:SIDE, :SIDE]
    blob = np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / (2 * width_px**2))
    return np.asarray(blob, np.float32)


def _frame(residual: F32, coherent: F32 | None = None, blur_px: float = 1.0) -> PhotoFrame:
    """A photo frame that holds this difference, its noise modelled as white."""
    shape = residual.shape
    flat = np.full((*shape, 3), 0.5, np.float32)
    return PhotoFrame(
        x0=0.0,
        y0=0.0,
        observed=flat + residual[..., None],
        expected=flat,
        residual=residual,
        sigma=np.full(shape, SIGMA, np.float32),
        coherent=np.zeros(shape, np.float32) if coherent is None else coherent,
        usable=np.ones(shape, bool),
        px_per_mm=10.0,
        blur_px=blur_px,
        sharpness=Sharpness(blur_px, np.zeros((3, 3), np.float32), 0.0),
    )


def _strongest(levels: tuple[ScoreLevel, ...]) -> float:
    return max(float(np.abs(level.score).max()) for level in levels)


def test_scores_of_white_noise_scatter_by_one() -> None:
    """Noise as modelled gives scores of unit scatter at every width, and nothing over the bar."""
    levels = score_levels(_frame(_noise(1)))
    assert len(levels) > 2
    for level in levels:
        assert float(level.score.std()) == pytest.approx(1.0, abs=0.15)
    assert _strongest(levels) < HIGH_BAR
    assert find_seeds(levels, LOW_BAR, HIGH_BAR, 50) == []


@pytest.mark.parametrize("blur_px", [1.0, 1.6])
def test_a_planted_blob_scores_as_the_filter_predicts(blur_px: float) -> None:
    """A Gaussian of height a and sigma s in noise n scores a s sqrt(pi) / n, within 15 %."""
    predicted = 20.0
    height = predicted * SIGMA / (blur_px * np.sqrt(np.pi))
    residual = _noise(2) + np.float32(height) * _blob(150, 90, blur_px)
    levels = score_levels(_frame(residual, blur_px=blur_px))
    assert float(levels[0].score[90, 150]) == pytest.approx(predicted, rel=0.15)
    (seed,) = find_seeds(levels, LOW_BAR, HIGH_BAR, 50)
    x0, y0, x1, y1 = seed.box
    assert x0 <= 150 < x1
    assert y0 <= 90 < y1
    assert seed.sign == 1


def test_an_edge_that_errs_along_its_length_does_not_trigger() -> None:
    """What an edge's place error leaves all along it is no mark where the model expects it."""
    columns = np.arange(SIDE)[None, :] - 160.0
    along = np.broadcast_to(np.exp(-(columns**2) / 4), (SIDE, SIDE)).astype(np.float32)
    error = np.float32(2.5 * SIGMA) * along
    told = score_levels(_frame(_noise(3) + error, error))
    untold = score_levels(_frame(_noise(3) + error))
    assert find_seeds(told, LOW_BAR, HIGH_BAR, 50) == []
    assert find_seeds(untold, LOW_BAR, HIGH_BAR, 50) != []


def test_a_busy_place_that_errs_more_is_rescaled() -> None:
    """Where the picture is busy and errs three times as much, scores still scatter by one."""
    busy = np.zeros((SIDE, SIDE), np.float32)
    busy[:, 160:] = 0.5 * SIGMA
    residual = _noise(4) * np.where(busy > 0, np.float32(3), np.float32(1))
    level = score_levels(_frame(residual, busy))[0]
    assert float(level.score[:, :150].std()) == pytest.approx(1.0, abs=0.15)
    assert float(level.score[:, 170:].std()) == pytest.approx(1.0, abs=0.15)


def test_one_thing_seen_at_many_widths_is_one_seed() -> None:
    """A wide blob passes the bar at several widths and still gives one seed."""
    residual = _noise(5) + np.float32(8 * SIGMA) * _blob(160, 160, 4.0)
    levels = score_levels(_frame(residual))
    over = [level for level in levels if float(level.score.max()) > HIGH_BAR]
    assert len(over) > 1
    assert len(find_seeds(levels, LOW_BAR, HIGH_BAR, 50)) == 1


def test_things_apart_or_of_other_sign_stay_apart() -> None:
    """Two blobs apart and a dark one beside a light one are three seeds, strongest first."""
    residual = _noise(6) + np.float32(SIGMA) * (
        30 * _blob(60, 60, 1.2) + 20 * _blob(220, 60, 1.2) - 15 * _blob(68, 60, 1.2)
    )
    seeds = find_seeds(score_levels(_frame(residual)), LOW_BAR, HIGH_BAR, 50)
    assert [seed.sign for seed in seeds] == [1, 1, -1]
    assert seeds[0].peak > seeds[1].peak > seeds[2].peak
    assert len(find_seeds(score_levels(_frame(residual)), LOW_BAR, HIGH_BAR, 1)) == 1


def test_unusable_places_score_nothing() -> None:
    """A strong blob where the photo cannot be used gives no seed."""
    frame = _frame(_noise(7) + np.float32(40 * SIGMA) * _blob(100, 100, 1.0))
    frame.usable[80:120, 80:120] = False
    levels = score_levels(frame)
    assert not levels[0].score[80:120, 80:120].any()
    assert find_seeds(levels, LOW_BAR, HIGH_BAR, 50) == []


def test_the_signed_score_is_the_best_of_all_widths() -> None:
    """Inside a window the largest score over the widths counts, turned by the seed's sign."""
    residual = _noise(8) - np.float32(20 * SIGMA) * _blob(100, 120, 1.5)
    levels = score_levels(_frame(residual))
    (seed,) = find_seeds(levels, LOW_BAR, HIGH_BAR, 50)
    score = signed_score(levels, seed, (90, 110, 111, 131))
    assert score.shape == (21, 21)
    assert float(score[10, 10]) >= -float(levels[0].score[120, 100])
    assert float(score[10, 10]) > HIGH_BAR
