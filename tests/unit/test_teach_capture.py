"""What stays the same in a fixed camera's photos: bench, geometry and noise."""

from __future__ import annotations

import numpy as np
import pytest

from dyelight.colour import encode_srgb_u8
from dyelight.look.rootlight import linear_from_root, root_from_linear
from dyelight.records import F32, F64, U8
from dyelight.teach.capture import (
    BENCH_COLUMNS,
    BENCH_ROWS,
    NOISE_BINS,
    Around,
    against_plane,
    ambient,
    around_panel,
    photon_transfer,
    plane_of,
)
from dyelight.teach.fixed_capture import bench_of
from dyelight.teach.use import _noise_ratio

WIDTH, HEIGHT = 960, 720
CORNERS = np.array([[300, 220], [660, 220], [660, 500], [300, 500]], np.float64)


def bench_photo(seed: int = 1) -> U8:
    """A grey bench with a white panel on it."""
    rng = np.random.default_rng(seed)
    linear: F32 = np.full((HEIGHT, WIDTH, 3), 0.1, np.float32)
    linear *= (1 + 0.3 * np.linspace(-1, 1, WIDTH, dtype=np.float32))[None, :, None]
    linear[220:500, 300:660] = 0.7
    linear += rng.normal(0, 0.002, linear.shape).astype(np.float32)
    return encode_srgb_u8(np.clip(linear, 0, 1))


def _leant(around: Around, level: float, across: float) -> Around:
    lean = level + across * (2 * (np.arange(BENCH_COLUMNS) + 0.5) / BENCH_COLUMNS - 1)
    return Around(around.light + lean[None, :, None])


def grid(scale: float = 1.0, turn: float = 0.0, tilt: float = 0.0) -> tuple[F64, F64]:
    """A panel of 200 x 150 mm under a camera of 4 px/mm, moved, turned, scaled or tilted."""
    mm = np.stack(np.meshgrid(np.linspace(0, 200, 9), np.linspace(0, 150, 9)), -1).reshape(-1, 2)
    c, s = np.cos(turn), np.sin(turn)
    moved = 4 * scale * (mm - [100, 75]) @ np.array([[c, s], [-s, c]]) + [480, 360]
    return mm, moved / (1 + tilt * (moved[:, :1] - 480) / 480)


def test_the_bench_is_seen_and_the_panel_is_not() -> None:
    """Blocks under and beside the panel are left out; the others hold the bench's light."""
    seen = around_panel(bench_photo(), CORNERS)
    known = np.asarray(np.isfinite(seen.light).all(axis=2))
    assert 0.5 < known.mean() < 0.85
    assert not known[BENCH_ROWS // 2, BENCH_COLUMNS // 2]
    left = np.log(0.1 * (1 - 0.3 * (1 - 1 / BENCH_COLUMNS)))
    assert seen.light[2, 0] == pytest.approx([left] * 3, abs=0.02)


def test_a_changed_light_is_measured_past_a_tool_on_the_bench() -> None:
    """Level and lean of the light come out, though a dark thing lies in a corner of the bench."""
    taught = around_panel(bench_photo(), CORNERS)
    bench, scatter, _ = bench_of([taught])
    now = _leant(around_panel(bench_photo(2), CORNERS), 0.07, 0.03)
    now.light[:8, :8] -= 1.0
    seen = ambient(now, bench, scatter)
    assert seen is not None
    assert seen.level == pytest.approx([0.07] * 3, abs=0.005)
    assert seen.tilt == pytest.approx([0.03, 0.0], abs=0.005)
    assert 0.02 < seen.other_share < 0.2
    at = seen.at(np.array([[0.0, 0.5], [1.0, 0.5]]))
    assert at[:, 0] == pytest.approx([0.04, 0.1], abs=0.01)


def test_a_panel_that_fills_the_photo_leaves_nothing_to_see() -> None:
    """Where no bench shows, nothing is said of the light."""
    full = np.array([[0, 0], [WIDTH, 0], [WIDTH, HEIGHT], [0, HEIGHT]], np.float64)
    seen = around_panel(bench_photo(), full)
    assert not np.isfinite(seen.light).any()
    assert ambient(seen, seen.light, seen.light[..., 0]) is None


def test_flicker_is_taken_off_before_the_bench_is_learnt() -> None:
    """Photos of one bench under a flickering lamp agree once their levels are off."""
    photos = [around_panel(bench_photo(seed), CORNERS) for seed in range(5)]
    levels = [-0.04, -0.02, 0.0, 0.02, 0.04]
    flickered = [_leant(one, level, 0.0) for one, level in zip(photos, levels, strict=True)]
    _, scatter, found = bench_of(flickered)
    assert float(np.nanmedian(scatter)) < 0.01
    assert [one.level.mean() for one in found if one is not None] == pytest.approx(
        levels, abs=0.005
    )


@pytest.mark.parametrize("turn", [0.0, 0.03, np.pi, np.pi / 2])
def test_a_panel_that_lies_elsewhere_moves_no_camera(turn: float) -> None:
    """Turned on the bench, a panel keeps its size and shape on the taught plane."""
    size, shape = against_plane(grid(turn=turn), plane_of(grid()))
    assert size == pytest.approx(0, abs=1e-9)
    assert shape == pytest.approx(0, abs=1e-9)


def test_a_camera_that_moved_is_told() -> None:
    """Nearer, the panel is larger; leant, it has another shape."""
    plane = plane_of(grid())
    assert against_plane(grid(scale=1.02), plane)[0] == pytest.approx(0.02, abs=1e-6)
    assert against_plane(grid(tilt=0.02), plane)[1] > 0.001


def test_noise_gives_dark_variance_and_gain() -> None:
    """The straight line of variance on light, drawn in linear light, is read from root light."""
    rng = np.random.default_rng(4)
    noise = np.empty(len(NOISE_BINS))
    for k, level in enumerate(linear_from_root(NOISE_BINS.astype(np.float32))):
        drawn = rng.normal(level, np.sqrt(1e-6 + 1e-4 * level), 100_000)
        noise[k] = root_from_linear(drawn.astype(np.float32)).std()
    found = photon_transfer(noise)
    assert found is not None
    assert found[0] == pytest.approx(1e-6, rel=0.15)
    assert found[1] == pytest.approx(1e-4, rel=0.05)
    noise[1:] = np.nan
    assert photon_transfer(noise) is None


def test_noise_changed_only_where_every_tone_says_so() -> None:
    """One noisy tone is a picture's lines; all of them are the camera; two tones tell nothing."""
    taught = np.full(len(NOISE_BINS), 0.004)
    lines = taught.copy()
    lines[1] *= 5
    assert _noise_ratio(lines, taught) == pytest.approx(1.0)
    assert _noise_ratio(3 * taught, taught) == pytest.approx(3.0)
    assert _noise_ratio(taught / 4, taught) == pytest.approx(0.25)
    few = np.full(len(NOISE_BINS), np.nan)
    few[:2] = 0.1
    assert _noise_ratio(few, taught) is None
