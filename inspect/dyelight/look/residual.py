"""What is left of photo minus expectation once place, gain and blur are forgiven locally.

In every neighbourhood the residual is regressed on the expectation's own shift (dE/dx, dE/dy), its
contrast, its curvature and a constant, each with a prior of what a lens, a paper and a colour fit
really leave behind (Bayesian ridge), and that part is taken off. A defect without picture logic
stays; an edge that is a twentieth of a pixel off does not. Image differencing in astronomy does the
same with its noise in position (Zackay, Ofek, Gal-Yam, ApJ 830, 2016, section 3.3).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..records import F32, Mask

BLOCK_PX = 24
# prior standard deviations: bias in root light, relative contrast, shift in px, curvature in px^2
PRIOR = (0.05, 0.05, 0.15, 0.15, 0.25)


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Variance of the light channel's residual: shot and read noise plus what edges add.

    `level` and `variance` (K,) float32 tabulate flat noise against expected root light, `edge` (rows,
    columns) float32 is the extra variance per squared gradient on the block grid.
    """

    level: F32
    variance: F32

    def flat(self, expected: F32) -> F32:
        """Variance (H, W) float32 on flat ground at expected root light (H, W)."""
        index = np.clip(expected * np.float32(255), 0, 255).astype(np.uint8)
        table = np.interp(np.arange(256) / 255, self.level, self.variance).astype(np.float32)
        return np.asarray(cv2.LUT(index, table), np.float32)


def gradients(light: F32) -> tuple[F32, F32, F32]:
    """dE/dx, dE/dy and the Laplacian of a (H, W) image, per px."""
    dx = cv2.Scharr(light, cv2.CV_32F, 1, 0, scale=1 / 32)
    dy = cv2.Scharr(light, cv2.CV_32F, 0, 1, scale=1 / 32)
    return np.asarray(dx), np.asarray(dy), np.asarray(cv2.Laplacian(light, cv2.CV_32F))


def block_mean(image: F32, block: int) -> F32:
    """Means over whole blocks (rows, columns); the last block takes the ragged edge in."""
    height, width = image.shape
    rows, columns = max(1, -(-height // block)), max(1, -(-width // block))
    pad = cv2.copyMakeBorder(
        image, 0, rows * block - height, 0, columns * block - width, cv2.BORDER_CONSTANT
    )
    return np.asarray(cv2.resize(pad, (columns, rows), interpolation=cv2.INTER_AREA), np.float32)


def spread(grid: F32, block: int, height: int, width: int) -> F32:
    """A block grid drawn smoothly at full size (H, W)."""
    rows, columns = grid.shape[:2]
    full = cv2.resize(grid, (columns * block, rows * block), interpolation=cv2.INTER_LINEAR)
    return np.asarray(full[:height, :width], np.float32)


def project_out(
    residual: F32, expected: F32, usable: Mask, noise_sd: float
) -> tuple[F32, F32, F32]:
    """The residual (H, W) with local bias, contrast, shift and curvature taken off.

    Returns it, the bias that was taken off, and the squared gradient of the expectation. `noise_sd`
    is the flat noise in root light.
    """
    height, width = residual.shape
    dx, dy, curve = gradients(expected)
    # every second pixel each way is plenty for block sums, and a quarter of the work
    half = (slice(None, None, 2), slice(None, None, 2))
    block = BLOCK_PX // 2
    w = usable[half].astype(np.float32)
    e = np.ascontiguousarray(expected[half])
    mean = block_mean(e * w, block) / np.maximum(block_mean(w, block), 1e-3)
    centred = e - spread(mean, block, *e.shape)
    r = np.ascontiguousarray(residual[half])
    edge = np.sqrt(dx[half] ** 2 + dy[half] ** 2)
    # a speck must not be explained by its neighbourhood: bounded influence
    bound = 3 * noise_sd + 0.3 * edge
    r = np.clip(r, -bound, bound)
    columns = [
        w,
        centred * w,
        np.ascontiguousarray(dx[half]) * w,
        np.ascontiguousarray(dy[half]) * w,
        np.ascontiguousarray(curve[half]) * w,
    ]
    count = len(columns)
    rows, cols = -(-e.shape[0] // block), -(-e.shape[1] // block)
    gram = np.zeros((rows, cols, count, count), np.float32)
    right = np.zeros((rows, cols, count), np.float32)
    per_block = float(block * block)
    for i in range(count):
        right[..., i] = _window(block_mean(columns[i] * r, block)) * per_block
        for j in range(i, count):
            value = _window(block_mean(columns[i] * columns[j], block)) * per_block
            gram[..., i, j] = value
            gram[..., j, i] = value
    prior = np.array(PRIOR)
    left = gram.astype(np.float64) + np.diag(noise_sd**2 / prior**2)
    solution = np.linalg.solve(left, right.astype(np.float64)[..., None])[..., 0]
    coefficients = solution.astype(np.float32)
    full_mean = spread(mean, block, *e.shape)
    contrast = expected - cv2.resize(full_mean, (width, height), interpolation=cv2.INTER_LINEAR)
    bias = spread(np.ascontiguousarray(coefficients[..., 0]), BLOCK_PX, height, width)
    out = residual - bias
    for i, column in enumerate((contrast, dx, dy, curve), start=1):
        out -= spread(np.ascontiguousarray(coefficients[..., i]), BLOCK_PX, height, width) * column
    return out, bias, dx * dx + dy * dy


def _window(grid: F32) -> F32:
    """Sum over three by three blocks, the middle counting most."""
    return np.asarray(cv2.GaussianBlur(grid, (3, 3), 0.8, borderType=cv2.BORDER_REPLICATE) * 9)


def fit_noise(
    residual: F32, expected: F32, gradient2: F32, usable: Mask, floor: float
) -> NoiseModel:
    """Flat noise against brightness, from the median absolute residual of flat pixels."""
    step = (slice(None, None, 3), slice(None, None, 3))
    keep = usable[step]
    r, e, g2 = residual[step][keep], expected[step][keep], gradient2[step][keep]
    if r.size < 200:
        return NoiseModel(np.array([0, 1], np.float32), np.full(2, floor**2, np.float32))
    flat = g2 <= np.quantile(g2, 0.5)
    r, e = np.abs(r[flat]), e[flat]
    edges = np.quantile(e, np.linspace(0, 1, 13))
    level, variance = [], []
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        inside = (e >= low) & (e <= high)
        if inside.sum() < 50:
            continue
        level.append(float(np.median(e[inside])))
        variance.append(max(1.4826 * float(np.median(r[inside])), floor) ** 2)
    if not level:
        level, variance = [0.5], [floor**2]
    order = np.argsort(level)
    return NoiseModel(np.asarray(level, np.float32)[order], np.asarray(variance, np.float32)[order])


def noise_sigma(
    residual: F32, expected: F32, gradient2: F32, usable: Mask, model: NoiseModel
) -> tuple[F32, F32]:
    """Standard deviations (H, W) float32 of the residual: the whole, and the edges' own share in it.

    The edges' share errs the same way all along an edge, so sums over a mark must not count it as
    independent. The share per squared gradient is learned block by block from the residual itself, held towards
    the whole panel's value where a block has few edges.
    """
    height, width = residual.shape
    half = (slice(None, None, 2), slice(None, None, 2))
    flat = model.flat(expected)
    block = BLOCK_PX
    w = usable[half].astype(np.float32)
    n2 = np.ascontiguousarray(flat[half])
    g2 = np.ascontiguousarray(gradient2[half]) * w
    excess = np.ascontiguousarray(residual[half]) ** 2
    # one outlier must not raise its own bar
    excess = np.minimum(excess, 16 * (n2 + 0.0025 * g2)) - n2
    gg = _window(block_mean(g2 * g2 / (n2 * n2), block))
    rg = _window(block_mean(excess * g2 / (n2 * n2) * w, block))
    whole = max(float(rg.sum() / max(float(gg.sum()), 1e-20)), 1e-4)
    held = 0.05 * float(gg.mean()) + 1e-20
    share = np.clip((rg + whole * held) / (gg + held), 0.3 * whole, None)
    # flat ground may be rougher in places than the table says: compression, grain, fine texture
    calm = w / (1 + (g2 / n2) * whole)
    rough = _window(block_mean(np.minimum(excess + n2, 9 * n2) / n2 * calm, block))
    rough /= np.maximum(_window(block_mean(calm, block)), 1e-3)
    rough = np.clip(rough, 0.9, None)
    variance = flat * spread(rough, 2 * block, height, width)
    edge = spread(np.asarray(share, np.float32), 2 * block, height, width) * gradient2
    variance += edge
    return np.asarray(cv2.sqrt(variance), np.float32), np.asarray(cv2.sqrt(edge), np.float32)
