"""The tile estimator against the Cramer-Rao bound for the shift of an image in white noise.

Bound: cov(shift) >= sigma^2 [sum fx^2, sum fx fy; sum fx fy, sum fy^2]^-1, Robinson & Milanfar,
"Fundamental performance limits in image registration", IEEE Transactions on Image Processing 13(9),
2004. The formula is cited from memory. Picture: scikit-image's `data.camera`.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import pytest
from scipy.ndimage import fourier_shift
from skimage import data

from dyelight.placement.tiles import TileShifts, tile_shift

PICTURES: Any = data  # ships without type information
_TILE = 80
_SIGMA = 0.01
_DRAWS = 60


def _picture() -> np.ndarray:
    """A real picture, soft enough that its derivative is well defined, as float64 in 0..1."""
    picture = PICTURES.camera().astype(np.float64) / 255
    soft: np.ndarray = cv2.GaussianBlur(picture, (0, 0), 1.5)
    return soft


@lru_cache(maxsize=4)
def _run(shift: tuple[float, float]) -> tuple[np.ndarray, TileShifts, np.ndarray, np.ndarray]:
    """Estimates (draws, tiles, 2), last look, true shift (x, y), bounds (tiles, 2, 2)."""
    rng = np.random.default_rng(20040901)
    art = _picture()
    moved = np.fft.ifft2(fourier_shift(np.fft.fft2(art), (shift[1], shift[0]))).real
    margin = 16
    inner = (slice(margin, -margin), slice(margin, -margin))
    art_in = art[inner].astype(np.float32)
    mask = np.ones(art_in.shape, dtype=np.bool_)
    estimates = []
    last = None
    for _ in range(_DRAWS):
        photo = moved[inner] + rng.normal(0, _SIGMA, art_in.shape)
        last = tile_shift(photo.astype(np.float32), art_in, mask, _TILE)
        estimates.append(last.shift)
    assert last is not None
    fy, fx = np.gradient(art[inner])
    rows, columns = round(art_in.shape[0] / _TILE), round(art_in.shape[1] / _TILE)
    bounds = []
    for r in range(rows):
        for c in range(columns):
            cell = (slice(r * _TILE, (r + 1) * _TILE), slice(c * _TILE, (c + 1) * _TILE))
            x, y = fx[cell], fy[cell]
            fisher = np.array([[np.sum(x * x), np.sum(x * y)], [np.sum(x * y), np.sum(y * y)]])
            bounds.append(_SIGMA**2 * np.linalg.inv(fisher + 1e-9 * np.eye(2)))
    return np.stack(estimates), last, np.array(shift), np.array(bounds)


def _clear(bounds: np.ndarray) -> np.ndarray:
    """Tiles whose bound lies under 0.05 px each way, where the linear bound holds."""
    worst = np.sqrt(np.linalg.eigvalsh(bounds)[:, 1])
    return worst < 0.05


def test_scatter_stands_on_the_cramer_rao_bound() -> None:
    """The scatter of a tile's shift is not under the bound, and within a factor of 2 of it."""
    estimates, _, _, bounds = _run((0.0, 0.0))
    clear = _clear(bounds)
    assert clear.sum() >= 8
    ratios = []
    for k in np.flatnonzero(clear):
        scatter = np.cov(estimates[:, k].T)
        ratios.append(np.trace(np.linalg.solve(bounds[k], scatter)) / 2)
    # 60 draws of 2 numbers: the mean over the tiles is known to about 3 %
    assert 0.95 < np.mean(ratios) < 2.0


def test_reported_information_is_honest() -> None:
    """Errors measured in units of the reported information have the size it promises."""
    estimates, last, true, bounds = _run((0.0, 0.0))
    clear = _clear(bounds)
    error = estimates[:, clear] - true
    chi2 = np.einsum("dni,nij,dnj->dn", error, last.information[clear], error)
    # two degrees of freedom; the report adds a floor and a block term, so it may promise less
    assert 0.3 < np.median(chi2) / 1.386 < 1.3


@pytest.mark.parametrize("shift", [(0.3, -0.2), (-0.4, 0.1)])
def test_one_step_leaves_little_of_a_shift(shift: tuple[float, float]) -> None:
    """One look finds a sub-pixel shift but for less than a tenth of it, on the mean."""
    estimates, _, true, bounds = _run(shift)
    bias = estimates[:, _clear(bounds)].mean(axis=0) - true
    assert np.median(np.abs(bias)) < 0.1 * np.linalg.norm(true)
