"""What is forgiven locally, the noise that is left, and the strips and cells they are drawn by."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from dyelight.imaging import enlarged, from_cells, gaussian
from dyelight.look.frames import BLOCK_PX
from dyelight.look.residual import NoiseModel, fit_noise, noise_sigma, project_out
from dyelight.records import F32

NOISE = 0.005
FLOOR = 0.0012


def _texture(rng: np.random.Generator, height: int, width: int, sigma: float = 1.5) -> F32:
    """A picture full of soft edges, root light 0.2 to 0.8 or so."""
    rough = gaussian(rng.normal(0, 1, (height, width)).astype(np.float32), sigma)
    return np.asarray(0.5 + 0.12 * rough / rough.std(), np.float32)


def _shifted(image: F32, dx: float, dy: float) -> F32:
    matrix = np.array([[1, 0, dx], [0, 1, dy]])
    size = (image.shape[1], image.shape[0])
    flags = cv2.INTER_CUBIC
    out = cv2.warpAffine(image, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32)


def _speck(height: int, width: int, at: tuple[int, int], sigma: float) -> F32:
    y, x = np.mgrid[:height, :width]
    spot = np.exp(-((y - at[0]) ** 2 + (x - at[1]) ** 2) / (2 * sigma**2))
    return np.asarray(spot, np.float32)


def test_a_tenth_pixel_shift_is_forgiven() -> None:
    """A picture a tenth of a pixel off leaves less than a fifth of its edges' residual."""
    rng = np.random.default_rng(1)
    expected = _texture(rng, 242, 310)
    residual = _shifted(expected, 0.08, -0.06) - expected
    before = float(residual[24:-24, 24:-24].std())
    project_out(residual, expected, np.ones(expected.shape, bool), NOISE)
    assert before > NOISE
    assert residual[24:-24, 24:-24].std() < 0.2 * before


def test_contrast_and_bias_are_forgiven() -> None:
    """Five per cent of contrast and a broad bias go, and the bias is handed back as cells."""
    rng = np.random.default_rng(2)
    expected = _texture(rng, 240, 240)
    residual = np.asarray(0.05 * (expected - 0.5) + 0.02, np.float32)
    bias, gradient2 = project_out(residual, expected, np.ones(expected.shape, bool), NOISE)
    assert np.abs(residual[24:-24, 24:-24]).max() < 0.006
    seen = from_cells(bias, BLOCK_PX, slice(0, 240), slice(0, 240))
    assert float(seen[48:-48, 48:-48].mean()) == pytest.approx(0.02, abs=0.002)
    dx = cv2.Scharr(expected, cv2.CV_32F, 1, 0, scale=1 / 32)
    dy = cv2.Scharr(expected, cv2.CV_32F, 0, 1, scale=1 / 32)
    np.testing.assert_allclose(gradient2[1:-1, 1:-1], (dx * dx + dy * dy)[1:-1, 1:-1], atol=1e-6)


@pytest.mark.parametrize("at", [(120, 150), (95, 97), (143, 201)])
def test_a_speck_keeps_its_peak(at: tuple[int, int]) -> None:
    """A small dark speck on a shifted picture keeps nine tenths of its peak."""
    rng = np.random.default_rng(3)
    expected = _texture(rng, 242, 310)
    clean = _shifted(expected, 0.08, -0.06) - expected
    clean += rng.normal(0, NOISE, clean.shape).astype(np.float32)
    marked = clean - 0.1 * _speck(242, 310, at, 1.2)
    everywhere = np.ones(expected.shape, bool)
    project_out(clean, expected, everywhere, NOISE)
    project_out(marked, expected, everywhere, NOISE)
    assert 0.09 < float((clean - marked)[at]) < 0.11


def test_unusable_pixels_have_no_say() -> None:
    """What lies under the mask's holes does not change what is forgiven around them."""
    rng = np.random.default_rng(4)
    expected = _texture(rng, 200, 200)
    residual = rng.normal(0, NOISE, expected.shape).astype(np.float32)
    usable = np.ones(expected.shape, bool)
    usable[70:130, 70:130] = False
    other = residual.copy()
    other[70:130, 70:130] = 1.0
    project_out(residual, expected, usable, NOISE)
    project_out(other, expected, usable, NOISE)
    np.testing.assert_allclose(other[usable], residual[usable], atol=1e-6)


def test_sigma_is_the_noise_on_flat_ground() -> None:
    """Where noise grows with brightness, sigma follows it within a tenth."""
    rng = np.random.default_rng(5)
    expected = np.tile(np.linspace(0.1, 0.9, 480, dtype=np.float32), (400, 1))
    true = 0.003 + 0.004 * expected
    residual = np.asarray(rng.normal(0, 1, expected.shape) * true, np.float32)
    usable = np.ones(expected.shape, bool)
    flat = np.full(expected.shape, 1e-10, np.float32)
    model = fit_noise(residual, expected, flat, usable, FLOOR)
    sigma, coherent = noise_sigma(residual, expected, flat, usable, model)
    ratio = sigma / true
    assert np.quantile(ratio, 0.05) > 0.9
    assert np.quantile(ratio, 0.95) < 1.1
    assert float(np.median(coherent)) < 0.1 * NOISE


def test_edges_raise_sigma() -> None:
    """Edge residuals of five per cent of the gradient show in sigma and in its coherent share."""
    rng = np.random.default_rng(6)
    expected = _texture(rng, 480, 480, 3.0)
    dx = cv2.Scharr(expected, cv2.CV_32F, 1, 0, scale=1 / 32)
    dy = cv2.Scharr(expected, cv2.CV_32F, 0, 1, scale=1 / 32)
    gradient2 = np.asarray(dx * dx + dy * dy, np.float32)
    wobble = gaussian(rng.normal(0, 1, expected.shape).astype(np.float32), 4)
    wobble *= np.float32(0.1 / wobble.std())
    residual = np.asarray(wobble * dx + rng.normal(0, 0.002, dx.shape), np.float32)
    usable = np.ones(expected.shape, bool)
    model = fit_noise(residual, expected, gradient2, usable, FLOOR)
    sigma, coherent = noise_sigma(residual, expected, gradient2.copy(), usable, model)
    steep = gradient2 > np.quantile(gradient2, 0.9)
    assert float((residual / sigma)[steep].std()) == pytest.approx(1, abs=0.3)
    assert float(coherent[steep].mean()) > 0.5 * float(sigma[steep].mean())


def test_an_outlier_does_not_raise_its_own_bar() -> None:
    """A strong speck leaves sigma over itself within a quarter of what it is without it."""
    rng = np.random.default_rng(7)
    expected = _texture(rng, 240, 240, 4.0)
    residual = rng.normal(0, NOISE, expected.shape).astype(np.float32)
    marked = residual + 0.3 * _speck(240, 240, (120, 120), 2.0)
    usable = np.ones(expected.shape, bool)
    flat = np.full(expected.shape, 1e-6, np.float32)
    found = []
    for seen in (residual, marked):
        model = fit_noise(seen, expected, flat, usable, FLOOR)
        found.append(noise_sigma(seen, expected, flat.copy(), usable, model)[0][120, 120])
    assert found[1] < 1.25 * found[0]


def test_noise_of_few_pixels_is_the_floor() -> None:
    """With hardly a usable pixel the noise model falls back to the floor."""
    image = np.full((20, 20), 0.5, np.float32)
    model = fit_noise(image, image, image, np.zeros(image.shape, bool), FLOOR)
    np.testing.assert_allclose(model.flat(image), FLOOR**2, rtol=1e-5)


def test_noise_table_is_read_between_its_levels() -> None:
    """Variance is linear between the levels of the table and flat beyond them."""
    model = NoiseModel(np.array([0.2, 0.6], np.float32), np.array([1e-6, 5e-6], np.float32))
    seen = model.flat(np.array([[0.0, 0.4, 1.0]], np.float32))
    np.testing.assert_allclose(seen[0], [1e-6, 3e-6, 5e-6], rtol=0.02)


@pytest.mark.parametrize("channels", [(), (2,)])
@pytest.mark.parametrize("size", [(48, 64), (37, 51)])
def test_cells_are_drawn_as_by_enlargement(
    channels: tuple[int, ...], size: tuple[int, int]
) -> None:
    """A window of a cell field is the same cut from the field enlarged whole."""
    rng = np.random.default_rng(8)
    cells = rng.random((9, 12, *channels)).astype(np.float32)
    whole = enlarged(cells, (12 * 16, 9 * 16))[16:-16, 16:-16]
    seen = from_cells(cells, 16, slice(32, 32 + size[0]), slice(48, 48 + size[1]))
    assert seen.shape == (*size, *channels)
    np.testing.assert_allclose(seen, whole[32 : 32 + size[0], 48 : 48 + size[1]], atol=1e-6)


@pytest.mark.parametrize("sigma", [8.0, 12.0, 25.0, 60.0])
def test_a_wide_gaussian_is_drawn_as_by_opencv(sigma: float) -> None:
    """Edges under a Gaussian, in sides that no larger pixel divides, to two thousandths."""
    image = np.zeros((311, 203), np.float32)
    image[:, 90:] = 1
    image[150:, :40] = -1
    due = cv2.GaussianBlur(image, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    np.testing.assert_allclose(gaussian(image, sigma), due, atol=0.004)
