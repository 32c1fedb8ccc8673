"""What is left of photo minus expectation once place, gain and blur are forgiven locally.

In every neighbourhood the residual is regressed on the expectation's own shift (dE/dx, dE/dy), its
contrast, its curvature and a constant, each with a prior of what a lens, a paper and a colour fit
really leave behind (Bayesian ridge), and that part is taken off. A defect without picture logic
stays; an edge that is a twentieth of a pixel off does not. Image differencing in astronomy does the
same with its noise in position (Zackay, Ofek, Gal-Yam, ApJ 830, 2016, section 3.3).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from ..imaging import (
    from_cells,
    gaussian,
    laplacian,
    length,
    reduced,
    slopes,
    strips,
    with_neighbours,
)
from ..ranks import median, quantiles
from ..records import F32, Mask
from .frames import BLOCK_PX

_NOISE_BLOCK_PX = 48
_STRIP_PX = 48  # rows worked on at a time, so that all they need lies in the cache
# prior standard deviations: bias in root light, relative contrast, shift in px, curvature in px^2
PRIOR = (0.05, 0.05, 0.15, 0.15, 0.25)
_COLUMNS = len(PRIOR)
_NOISE_STEP = 6
_STEP = 5
_FAINT = np.float32(1e-3)  # weight of a pixel that is not usable
_NOISE_FLOOR = 0.0012  # root light: the scatter that eight-bit rounding alone leaves


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Variance of the light channel's residual: shot and read noise plus what edges add.

    `level` and `variance` (K,) float32 tabulate flat noise against expected root light.
    """

    level: F32
    variance: F32

    def flat(self, expected: F32) -> F32:
        """Variance (H, W) float32 on flat ground at expected root light (H, W)."""
        index = cv2.convertScaleAbs(expected, alpha=255.0)
        return np.asarray(cv2.LUT(index, self._table()), np.float32)

    def _table(self) -> F32:
        return np.interp(np.arange(256) / 255, self.level, self.variance).astype(np.float32)


def _derivatives(light: F32, rows: slice) -> tuple[F32, F32, F32]:
    """dE/dx, dE/dy and the Laplacian per px of the rows of an image (H, W)."""
    part, own = with_neighbours(light, rows)
    dx, dy = slopes(part)
    return dx[own], dy[own], laplacian(part)[own]


def _grid(shape: tuple[int, ...], block_px: int) -> tuple[int, int]:
    """Rows and columns of blocks over an image; the last of each takes the ragged edge in."""
    return max(1, -(-shape[0] // block_px)), max(1, -(-shape[1] // block_px))


def _halved(image: F32 | Mask, out: F32, step: int = 2) -> F32:
    """Every second pixel each way put into the corner of `out`, whose rest stays as it is."""
    part = image[::step, ::step]
    out[: part.shape[0], : part.shape[1]] = part
    return out


def _ringed(grid: F32) -> F32:
    """A block grid with its border repeated once, as `from_cells` wants it."""
    return np.pad(grid, ((1, 1), (1, 1)), mode="edge")


def _block_means(image: F32, block_px: int) -> F32:
    """Means over the blocks of a halved strip."""
    return reduced(image, block_px // 2)


def _half_strips(
    shape: tuple[int, ...], block_px: int
) -> Iterator[tuple[slice, slice, tuple[int, int]]]:
    """Strips of an image: its rows, the rows of blocks in them, and the shape of the halved strip
    filled up to whole blocks."""
    columns = _grid(shape, block_px)[1]
    for rows in strips(shape[0], _STRIP_PX):
        first, last = rows.start // block_px, -(-rows.stop // block_px)
        yield rows, slice(first, last), ((last - first) * block_px // 2, columns * block_px // 2)


def left_over(light: F32, expected: F32, usable: Mask) -> tuple[F32, F32, F32, F32]:
    """What is left of the photo's light (H, W) over its expectation (H, W), and how sure that is.

    Returns the residual with local nuisances projected out, its sigma, the edges' share of sigma,
    (H, W) float32 each, and the local bias that was taken off, in cells of BLOCK_PX.
    """
    residual = np.asarray(cv2.subtract(light, expected), np.float32)
    step = (slice(None, None, _STEP), slice(None, None, _STEP))
    sample = np.abs(residual[step][usable[step]])
    noise_sd = _NOISE_FLOOR
    if sample.size:
        noise_sd = max(1.4826 * median(sample), _NOISE_FLOOR)
    bias, gradient2 = project_out(residual, expected, usable, noise_sd)
    noise = fit_noise(residual, expected, gradient2, usable, _NOISE_FLOOR)
    sigma, coherent = noise_sigma(residual, expected, gradient2, usable, noise)
    return residual, sigma, coherent, bias


def project_out(residual: F32, expected: F32, usable: Mask, noise_sd: float) -> tuple[F32, F32]:
    """Take local bias, contrast, shift and curvature off the residual (H, W), in place.

    Returns the bias that was taken off, as cells of BLOCK_PX (see `imaging.from_cells`), and the
    squared gradient (H, W) of the expectation. `noise_sd` is the flat noise in root light.
    """
    height, width = residual.shape
    mean = _block_expectation(expected, usable)
    coefficients = _coefficients(residual, expected, usable, mean, noise_sd)
    gradient2 = np.empty((height, width), np.float32)
    bias, *cells = (_ringed(coefficients[..., i]) for i in range(_COLUMNS))
    across = slice(0, width)
    for rows in strips(height, _STRIP_PX):
        dx, dy, curve = _derivatives(expected, rows)
        contrast = expected[rows] - from_cells(mean, BLOCK_PX, rows, across)
        out = residual[rows]
        out -= from_cells(bias, BLOCK_PX, rows, across)
        for cell, column in zip(cells, (contrast, dx, dy, curve), strict=True):
            share = from_cells(cell, BLOCK_PX, rows, across)
            share *= column
            out -= share
        dx *= dx
        dy *= dy
        np.add(dx, dy, out=gradient2[rows])
    return bias, gradient2


def _block_expectation(expected: F32, usable: Mask) -> F32:
    """Mean expectation of each block's usable pixels, as cells; of all of them where none is, so
    that a block beside it is not drawn towards nothing."""
    mean = np.empty(_grid(expected.shape, BLOCK_PX), np.float32)
    # every second pixel each way is plenty for block sums, and a quarter of the work
    for rows, blocks, shape in _half_strips(expected.shape, BLOCK_PX):
        w = _halved(usable[rows], np.zeros(shape, np.float32))
        e = _halved(expected[rows], np.zeros(shape, np.float32))
        w += _FAINT
        mean[blocks] = _block_means(e * w, BLOCK_PX) / _block_means(w, BLOCK_PX)
    return _ringed(mean)


def _coefficients(residual: F32, expected: F32, usable: Mask, mean: F32, noise_sd: float) -> F32:
    """Ridge coefficients (rows, columns, 5) of bias, contrast, shift x, shift y, curvature."""
    width = residual.shape[1]
    grid = _grid(residual.shape, BLOCK_PX)
    half = BLOCK_PX // 2
    # sums over each block of the products of w, contrast, dx, dy, curve, r with one another
    sums = np.empty((*grid, _COLUMNS + 1, _COLUMNS + 1), np.float32)
    for rows, blocks, shape in _half_strips(residual.shape, BLOCK_PX):
        stack = np.zeros((_COLUMNS + 1, *shape), np.float32)
        w, contrast, dx, dy, curve, r = stack
        _halved(usable[rows], w)
        _halved(expected[rows], contrast)
        mean_here = from_cells(mean, BLOCK_PX, rows, slice(0, width))[::2, ::2]
        contrast[: mean_here.shape[0], : mean_here.shape[1]] -= mean_here
        for column, full in zip((dx, dy, curve), _derivatives(expected, rows), strict=True):
            _halved(full, column)
        # a speck must not be explained by its neighbourhood: bounded influence
        bound = length(dx, dy) * np.float32(0.3) + np.float32(3 * noise_sd)
        np.clip(_halved(residual[rows], r), -bound, bound, out=r)
        stack[1:] *= w
        by_block = stack.reshape(_COLUMNS + 1, -1, half, grid[1], half).transpose(1, 3, 0, 2, 4)
        by_block = by_block.reshape(-1, grid[1], _COLUMNS + 1, half * half)
        # with a copy, as numpy takes a slow way for a matrix times its own transpose
        np.matmul(by_block, by_block.swapaxes(2, 3).copy(), out=sums[blocks])
    sums = _window(sums.reshape(*grid, -1)).reshape(sums.shape).astype(np.float64)
    left = sums[..., :-1, :-1] + np.diag(noise_sd**2 / np.array(PRIOR) ** 2)
    solution = np.linalg.solve(left, sums[..., :-1, -1:])
    return np.ascontiguousarray(solution[..., 0], np.float32)


def _window(grid: F32) -> F32:
    """Sum over three by three blocks, the middle counting most."""
    return gaussian(grid, 0.8, 3) * np.float32(9)


def fit_noise(
    residual: F32, expected: F32, gradient2: F32, usable: Mask, floor: float
) -> NoiseModel:
    """Flat noise against brightness, from the median absolute residual of flat pixels."""
    step = (slice(None, None, _NOISE_STEP), slice(None, None, _NOISE_STEP))
    keep = usable[step]
    r, e, g2 = residual[step][keep], expected[step][keep], gradient2[step][keep]
    if r.size < 200:
        return NoiseModel(np.array([0, 1], np.float32), np.full(2, floor**2, np.float32))
    flat = g2 <= median(g2)
    r, e = np.abs(r[flat]), e[flat]
    edges = quantiles(e, np.linspace(0, 1, 13))
    level: list[float] = []
    variance: list[float] = []
    for low, high in pairwise(edges):
        inside = (e >= low) & (e <= high)
        if inside.sum() < 50:
            continue
        level.append(median(e[inside]))
        variance.append(max(1.4826 * median(r[inside]), floor) ** 2)
    if not level:
        level, variance = [0.5], [floor**2]
    order = np.argsort(level)
    return NoiseModel(np.asarray(level, np.float32)[order], np.asarray(variance, np.float32)[order])


def noise_sigma(
    residual: F32, expected: F32, gradient2: F32, usable: Mask, model: NoiseModel
) -> tuple[F32, F32]:
    """Standard deviations (H, W) float32 of the residual: the whole, and the edges' own share.

    The edges' share errs the same way all along an edge, so sums over a mark must not count it as
    independent. The share per squared gradient is learned block by block from the residual itself,
    held towards the whole panel's value where a block has few edges. The second result lies on the
    memory of `gradient2`, which is used up.
    """
    shape_px, block = residual.shape, _NOISE_BLOCK_PX
    gg, rg, calm, rough = (np.empty(_grid(shape_px, block), np.float32) for _ in range(4))
    halves = []
    for rows, blocks, shape in _half_strips(shape_px, block):
        w, flat, g2, excess = np.zeros((4, *shape), np.float32)
        _halved(usable[rows], w)
        flat[...] = 1
        _halved(model.flat(np.ascontiguousarray(expected[rows][::2, ::2])), flat, 1)
        g2 = _halved(gradient2[rows], g2) * w / flat
        excess = _halved(residual[rows], excess) ** 2 / flat
        # one outlier must not raise its own bar
        excess = np.minimum(excess, 16 * (1 + np.float32(0.0025) * g2)) - 1
        gg[blocks] = _block_means(g2 * g2, block)
        rg[blocks] = _block_means(excess * g2 * w, block)
        halves.append((blocks, w, g2, excess))
    gg, rg = _window(gg), _window(rg)
    whole = max(float(rg.sum() / max(float(gg.sum()), 1e-20)), 1e-4)
    held = np.float32(0.05 * float(gg.mean()) + 1e-20)
    share = np.maximum((rg + np.float32(whole) * held) / (gg + held), np.float32(0.3 * whole))
    # flat ground may be rougher in places than the table says: compression, grain, fine texture
    for blocks, w, g2, excess in halves:
        weight = w / (1 + g2 * np.float32(whole))
        calm[blocks] = _block_means(weight, block)
        rough[blocks] = _block_means(np.minimum(excess + 1, 9) * weight, block)
    rough = np.maximum(
        _window(rough) / np.maximum(_window(calm), np.float32(1e-3)), np.float32(0.9)
    )
    rough, share = _ringed(rough), _ringed(share)
    sigma = np.empty(shape_px, np.float32)
    across = slice(0, shape_px[1])
    for rows in strips(shape_px[0], _STRIP_PX):
        edge = gradient2[rows]
        edge *= from_cells(share, block, rows, across)
        variance = model.flat(expected[rows]) * from_cells(rough, block, rows, across)
        variance += edge
        np.sqrt(variance, out=sigma[rows])
        np.sqrt(edge, out=edge)
    return sigma, gradient2
