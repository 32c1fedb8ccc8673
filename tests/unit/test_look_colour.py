"""Root light, the colour response with its table, and the light field."""

from __future__ import annotations

import numpy as np
import pytest

from dyelight.colour import decode_srgb
from dyelight.look.colour_light import ColourLight, fit_colour_light
from dyelight.look.colour_response import TERMS, ColourResponse, terms
from dyelight.look.colour_table import NODES, ColourTable
from dyelight.look.light_field import SmoothField
from dyelight.look.rootlight import linear_from_root, root_from_linear, root_from_pixels
from dyelight.records import F32, F64

WHITE = 0.9625  # root light of linear light 1


def _planes(rng: np.random.Generator, count: int) -> F32:
    return (rng.random((3, count)) * WHITE).astype(np.float32)


def test_root_light_comes_back() -> None:
    """Linear light survives the way to root light and back within float32."""
    linear = np.linspace(0, 1.5, 500, dtype=np.float32)
    assert np.abs(linear_from_root(root_from_linear(linear)) - linear).max() < 1e-6


def test_root_light_in_place() -> None:
    """Written over its own input, root light is the same, and light under zero counts as zero."""
    linear = np.array([[-0.2, 0.0, 0.3]], np.float32)
    wanted = root_from_linear(linear)
    assert root_from_linear(linear, linear) is linear
    np.testing.assert_array_equal(linear, wanted)
    assert linear[0, 0] == pytest.approx(0, abs=1e-7)


def test_slope_at_black_is_that_of_srgb() -> None:
    """At black root light rises 12.92 for each unit of light, as sRGB does (IEC 61966-2-1)."""
    root = root_from_linear(np.array([0, 1e-4], np.float32)).astype(np.float64)
    # the root bends away from its slope at black by 1.6 per cent over this step
    assert (root[1] - root[0]) / 1e-4 == pytest.approx(12.92, rel=0.02)
    assert (root[1] - root[0]) / 1e-4 < 12.92


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_root_of_pixels(kind: type[np.uint8] | type[np.uint16]) -> None:
    """Pixels of either depth give the root of their decoded light."""
    top = np.iinfo(kind).max
    pixels = np.linspace(0, top, 60).astype(kind).reshape(4, 5, 3)
    wanted = root_from_linear(decode_srgb(pixels))
    assert np.abs(root_from_pixels(pixels) - wanted).max() < 1e-6


def test_terms_are_the_monomials() -> None:
    """The 20 rows hold every product of at most three channels, each once."""
    point = np.array([[2.0], [3.0], [5.0]], np.float32)
    wanted = sorted(
        2.0**r * 3.0**g * 5.0**b for r in range(4) for g in range(4 - r) for b in range(4 - r - g)
    )
    assert sorted(terms(point)[:, 0].tolist()) == wanted


def test_response_of_image_and_planes_agree() -> None:
    """An image and its planes get the same response, whatever its size against the chunk."""
    rng = np.random.default_rng(1)
    response = ColourResponse(
        rng.normal(0, 0.3, (3, TERMS)).astype(np.float32),
        ColourTable.from_nodes(rng.normal(0, 0.02, (NODES,) * 3 + (3,)).astype(np.float32)),
    )
    image = (rng.random((131, 97, 3)) * WHITE).astype(np.float32)
    planes = np.ascontiguousarray(image.reshape(-1, 3).T)
    response.apply_to_planes(planes)
    np.testing.assert_allclose(response.apply(image).reshape(-1, 3), planes.T, atol=1e-6)
    direct = (response.weights @ terms(np.ascontiguousarray(image[:1, :5].reshape(-1, 3).T))).T
    assert response.table is not None
    extra = np.zeros((3, 5), np.float32)
    response.table.add_to(extra, np.ascontiguousarray(image[0, :5].T))
    np.testing.assert_allclose(response.apply(image)[0, :5], direct + extra.T, atol=1e-5)


def _fit(
    artwork: F32, observed: F32, rng: np.random.Generator, place: F64 | None = None
) -> ColourLight:
    place = rng.random((len(artwork), 2)) if place is None else place
    weight = np.ones(len(artwork), np.float32)
    return fit_colour_light(observed, artwork, place, weight)


def test_a_known_cubic_is_recovered() -> None:
    """A mild cubic response under even light is found to half an eight-bit step."""
    rng = np.random.default_rng(2)
    artwork = _planes(rng, 9000).T
    before = artwork.copy()
    weights = np.zeros((3, TERMS), np.float32)
    weights[:, 0] = 0.02
    for c in range(3):
        weights[c, 1 + c] = 0.85
        weights[c, 1 + (c + 1) % 3] = 0.06
        weights[c, 4 + c] = -0.1
        weights[c, 10 + c] = 0.05
    truth = ColourResponse(weights).apply(artwork[None])[0]
    np.testing.assert_array_equal(artwork, before)
    noise = rng.normal(0, 0.003, truth.shape).astype(np.float32)
    look = _fit(artwork, truth + noise, rng)
    ends = (0.0, 1.0), (0.0, 1.0)
    gain = look.gain.on_grid(9, 9, *ends).mean((0, 1))
    found = look.response.apply(artwork[None])[0] * gain
    assert np.sqrt(np.mean((found - truth) ** 2)) < 0.002


def test_table_needs_many_samples() -> None:
    """A dozen stained samples of one colour move the table little, thousands of them move it."""
    rng = np.random.default_rng(3)
    colour = np.array([0.5, 0.3, 0.6], np.float32)
    corrections = []
    for count in (12, 4000):
        artwork = colour + rng.normal(0, 0.01, (count, 3)).astype(np.float32)
        left = np.full((count, 3), 0.05, np.float32)
        table = ColourTable.fit(artwork, left, np.ones(count, np.float32))
        seen = np.zeros((3, 1), np.float32)
        table.add_to(seen, colour[:, None])
        corrections.append(float(seen.mean()))
    assert corrections[0] < 0.01
    assert corrections[1] > 0.04


def test_table_learns_a_consistent_curve() -> None:
    """A bend along the greys of a grey picture is learned for its greater part."""
    rng = np.random.default_rng(4)
    grey = rng.random((9000, 1)) * WHITE
    artwork = np.clip(grey + rng.normal(0, 0.02, (9000, 3)), 0, WHITE).astype(np.float32)
    left = np.repeat(0.02 * np.sin(grey / WHITE * 2 * np.pi), 3, axis=1).astype(np.float32)
    noisy = left + rng.normal(0, 0.005, left.shape).astype(np.float32)
    table = ColourTable.fit(artwork, noisy, np.ones(len(artwork), np.float32))
    seen = np.zeros((3, len(artwork)), np.float32)
    table.add_to(seen, np.ascontiguousarray(artwork.T))
    assert np.sqrt(np.mean((seen.T - left) ** 2)) < 0.4 * np.sqrt(np.mean(left**2))


def test_light_field_draws_its_spline() -> None:
    """Cells and grid of a field agree where a cell's middle lies."""
    control = np.random.default_rng(5).normal(1, 0.1, (7, 7, 3))
    field = SmoothField(control)
    ends = (0.5 / 160, 1 - 0.5 / 160), (0.5 / 96, 1 - 0.5 / 96)
    cells = field.in_cells(96, 160, *ends)
    assert cells.shape == (8, 12, 3)
    middle = (2.5 * 16 / 160, 2.5 * 16 / 160 + 1e-9), (1.5 * 16 / 96, 1.5 * 16 / 96 + 1e-9)
    np.testing.assert_allclose(cells[2, 3], field.on_grid(2, 2, *middle)[0, 0], atol=1e-6)


def _lit(gain: F64, rng: np.random.Generator, place: F64, artwork: F32) -> F32:
    seen = (0.02 + 0.9 * artwork) * gain[:, None]
    return np.asarray(seen + rng.normal(0, 0.004, seen.shape), np.float32)


def _gain_at(look: ColourLight, place: F64) -> F64:
    grid = look.gain.on_grid(65, 65, (0.0, 1.0), (0.0, 1.0)).mean(2)
    column, row = np.rint(place * 64).astype(int).T
    return np.asarray(grid[row, column], np.float64)


def test_a_smooth_gain_is_recovered() -> None:
    """Light that falls off across the panel is found within one per cent over most of it."""
    rng = np.random.default_rng(6)
    place, artwork = rng.random((9000, 2)), _planes(rng, 9000).T
    gain = 1.08 - 0.16 * place[:, 0] + 0.06 * place[:, 1] ** 2
    look = _fit(artwork, _lit(gain, rng, place, artwork), rng, place)
    found = _gain_at(look, place)
    ratio = found / gain
    assert np.quantile(np.abs(ratio / np.median(ratio) - 1), 0.95) < 0.01


def test_a_glow_over_saturated_print_is_light_added() -> None:
    """Of a lamp's glow in a corner, ten times the darkest channel's light, little is taken for gain
    (of which there is none), and what is left over is near the noise."""
    rng = np.random.default_rng(1)
    place, hue = rng.random((9000, 2)), rng.random((9000, 1))
    teal = np.array([0.08, 0.4, 0.48]) * (rng.random((9000, 1)) < 0.3)
    artwork = np.array([0.7, 0.4, 0.05]) * hue + teal * (1 - hue)
    artwork = (artwork * rng.uniform(0.3, 1, (9000, 1))).astype(np.float32)
    plain = np.maximum(1.1 * artwork - 0.03, 0) + rng.normal(0, 0.01, artwork.shape)
    glow = 0.2 * np.exp(-(((place - [0.9, 0.1]) / 0.25) ** 2).sum(1, keepdims=True))
    light = linear_from_root(plain.astype(np.float32)) + glow.astype(np.float32)
    look = _fit(artwork, root_from_linear(light), rng, place)
    assert np.abs(look.gain.control - 1).max() < 0.3
    assert max(look.scatter) < 0.012


def test_the_darkest_few_colours_are_heard() -> None:
    """Black print that is one in a hundred of all samples, and far darker than a fit to the others
    says, is not thrown out as a stain."""
    rng = np.random.default_rng(21)
    artwork = (0.4 + 0.5 * rng.random((4000, 3))).astype(np.float32)
    artwork[:40] = rng.random((40, 3)) * 0.06
    seen = 0.3 + 0.7 * artwork
    seen[:40] = 0.05 + artwork[:40]
    noisy = np.asarray(seen + rng.normal(0, 0.004, seen.shape), np.float32)
    drawn = _fit(artwork, noisy, rng).response.apply(artwork[None, :40])[0]
    # drawn by the others alone it would be 0.25 too pale
    assert np.median(drawn - seen[:40]) < 0.1


def test_a_bright_blob_is_not_absorbed() -> None:
    """A reflection over a twentieth of the panel stays in the residual, almost whole."""
    rng = np.random.default_rng(7)
    place, artwork = rng.random((9000, 2)), _planes(rng, 9000).T
    gain = 1.05 - 0.1 * place[:, 0]
    seen = _lit(gain, rng, place, artwork)
    blob = ((place - [0.6, 0.4]) ** 2).sum(1) < 0.126**2
    seen[blob] += np.float32(0.1)
    look = _fit(artwork, seen, rng, place)
    expected = look.response.apply(artwork[None])[0] * _gain_at(look, place)[:, None]
    left = (seen - expected)[blob]
    assert float(np.median(left)) > 0.09


def test_a_glow_over_a_dark_picture_is_not_its_colour() -> None:
    """Where a glow lies over most of a starry sky, the stars still come out far above the sky.

    Drawn after the model: a black print adds nothing of its own to the light thrown back.
    """
    rng = np.random.default_rng(5)
    place = rng.random((6000, 2))
    star = rng.random(6000) < 0.04
    art = np.where(star, rng.uniform(0.5, 0.9, 6000), rng.uniform(0.03, 0.06, 6000))
    artwork = np.repeat(art[:, None], 3, axis=1).astype(np.float32)
    due = np.asarray(0.06 + 0.85 * artwork, np.float32)
    away = np.hypot(place[:, 0] - 0.35, place[:, 1] - 0.75)
    glow = 0.45 / (1 + np.exp((away - 0.5) / 0.06))
    seen = root_from_linear(np.asarray(linear_from_root(due) + glow[:, None], np.float32))
    seen += rng.normal(0, 0.004, seen.shape).astype(np.float32)
    look = fit_colour_light(seen, artwork, place, np.ones(6000, np.float32))
    sky, stars = (
        float(look.response.apply(np.full((1, 1, 3), level, np.float32)).mean())
        for level in (0.045, 0.7)
    )
    assert sky < 0.2
    assert stars > 3 * sky


@pytest.mark.parametrize("counted", [True, False])
def test_something_black_over_a_dark_picture_does_not_end_the_fit(counted: bool) -> None:
    """A part seen as utter black holds no light; a look is fitted all the same."""
    rng = np.random.default_rng(2)
    place = rng.random((4000, 2))
    artwork = np.where(rng.random((4000, 1)) < 0.03, 0.8, 0.04).repeat(3, axis=1)
    covered = place[:, :1] < 0.3
    seen = np.where(covered, 0.0, rng.uniform(0.45, 0.6, (4000, 1))).repeat(3, axis=1)
    weight = np.where(covered[:, 0] & (not counted), 0.0, 1.0)
    look = fit_colour_light(
        seen.astype(np.float32), artwork.astype(np.float32), place, weight.astype(np.float32)
    )
    assert np.isfinite(look.response.weights).all()
