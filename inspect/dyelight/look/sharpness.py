"""Blur between artwork and photo, and the camera's own sharpening.

The blur of dye, lens and shake is taken as a Gaussian in linear light, its width found by search;
what is left of it, its direction and the camera's sharpening, is a small linear filter on root light
fitted by least squares. That is the matching kernel of difference imaging with a small basis (Alard
and Lupton, ApJ 503, 1998). Each tile's own gain, bias and shift are projected out first, so that
light and place do not pass for blur.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erf

import cv2
import numpy as np

from ..records import F32, F64, Mask, Placement
from .render import LitArtwork, blurred, photo_light
from .rootlight import root_from_linear

TILE_PX = 128
_TILES = 24
_WIDE_PX = 2.0
_FIRST = (0.45, 0.8, 1.2, 1.7, 2.4, 3.4, 5.0)


@dataclass(frozen=True, slots=True)
class Sharpness:
    """`blur_px` sigma of the Gaussian in photo px; `fine` (3, 3) float32 kernel and `wide` weight of
    the correction on root light: E + fine * E + wide (G(2 px) * E - E)."""

    blur_px: float
    fine: F32
    wide: float

    def apply(self, light: F32) -> F32:
        """Expected root light (H, W) with direction of blur and sharpening put in."""
        out = cv2.filter2D(light, cv2.CV_32F, self.fine, borderType=cv2.BORDER_REPLICATE)
        out += light
        if abs(self.wide) > 1e-3:
            soft = cv2.GaussianBlur(light, (13, 13), _WIDE_PX)
            out += np.float32(self.wide) * (soft - light)
        return np.asarray(out, np.float32)

    def edge_sigma_px(self) -> float:
        """Sigma of the Gaussian whose 10-90 % rise equals that of a step through blur and filter."""
        x = np.arange(-40, 41) * 0.25
        step = 0.5 * (1 + np.vectorize(erf)(x / (np.sqrt(2) * max(self.blur_px, 0.2))))
        second = np.interp(x + 1, x, step) + np.interp(x - 1, x, step) - 2 * step
        along = 0.5 * float(self.fine[1, 0] + self.fine[0, 1])
        soft = 0.5 * (1 + np.vectorize(erf)(x / np.sqrt(2 * (self.blur_px**2 + _WIDE_PX**2))))
        rise = np.maximum.accumulate(step + along * second + self.wide * (soft - step))
        ten, ninety = np.interp([0.1, 0.9], rise, x)
        return float(max(ninety - ten, 0.8)) / 2.563


_XX = np.array([[0, 0, 0], [1, -2, 1], [0, 0, 0]], np.float32)
_YY = np.ascontiguousarray(_XX.T)
_XY = np.array([[1, 0, -1], [0, 0, 0], [-1, 0, 1]], np.float32) / 4


def _basis(light: F32) -> list[F32]:
    soft = cv2.GaussianBlur(light, (13, 13), _WIDE_PX)
    return [cv2.filter2D(light, cv2.CV_32F, k) for k in (_XX, _YY, _XY)] + [soft - light]


def _tile_equations(observed: F32, expected: F32, usable: Mask) -> tuple[F64, F64, float, int]:
    """Normal matrix (4, 4), right side (4,), residual energy and count, nuisances projected out."""
    inner = (slice(8, -8), slice(8, -8))
    keep = usable[inner].ravel()
    dx = cv2.Scharr(expected, cv2.CV_32F, 1, 0, scale=1 / 32)
    dy = cv2.Scharr(expected, cv2.CV_32F, 0, 1, scale=1 / 32)
    columns = [np.ones_like(expected), expected, dx, dy]
    nuisance = np.stack([c[inner].ravel()[keep] for c in columns], 1).astype(np.float64)
    rest = [observed - expected, *_basis(expected)]
    wanted = np.stack([c[inner].ravel()[keep] for c in rest], 1).astype(np.float64)
    gram = nuisance.T @ nuisance + 1e-9 * np.eye(4)
    wanted -= nuisance @ np.linalg.solve(gram, nuisance.T @ wanted)
    r, b = wanted[:, 0], wanted[:, 1:]
    # a defect in the tile must not steer the kernel
    limit = 4 * 1.4826 * float(np.median(np.abs(r))) + 1e-6
    fine = np.abs(r) < limit
    b, r = b[fine], r[fine]
    return b.T @ b, b.T @ r, float(r @ r), int(fine.sum())


def richest_tiles(light: F32, usable: Mask, count: int = _TILES) -> list[tuple[int, int]]:
    """Top-left corners (x, y) of the tiles with the most gradient energy, spread over the photo."""
    small = cv2.resize(light, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    energy = cv2.Scharr(small, cv2.CV_32F, 1, 0) ** 2 + cv2.Scharr(small, cv2.CV_32F, 0, 1) ** 2
    step = TILE_PX // 4
    rows, columns = light.shape[0] // TILE_PX, light.shape[1] // TILE_PX
    if rows == 0 or columns == 0:
        return []
    use = cv2.resize(
        usable.astype(np.float32), (small.shape[1], small.shape[0]), interpolation=cv2.INTER_AREA
    )
    cut = (slice(0, rows * step), slice(0, columns * step))
    mean = cv2.resize(
        np.minimum(energy, np.quantile(energy[::4, ::4], 0.995))[cut],
        (columns, rows),
        interpolation=cv2.INTER_AREA,
    )
    whole = cv2.resize(use[cut], (columns, rows), interpolation=cv2.INTER_AREA)
    mean[whole < 0.9] = -1
    # at most a third of the tiles from any ninth of the photo, so that no corner decides for all
    order = np.argsort(mean.ravel())[::-1]
    taken: dict[tuple[int, int], int] = {}
    out = []
    for index in order:
        row, column = divmod(int(index), columns)
        if mean[row, column] <= 0 or len(out) == count:
            break
        ninth = (row * 3 // rows, column * 3 // columns)
        if taken.get(ninth, 0) >= max(2, count // 3):
            continue
        taken[ninth] = taken.get(ninth, 0) + 1
        out.append((column * TILE_PX, row * TILE_PX))
    return out


def fit_sharpness(
    observed_light: F32,
    usable: Mask,
    lit: LitArtwork,
    placement: Placement,
    window: tuple[float, float],
    px_per_mm: float,
    pitch: float = 1.0,
) -> Sharpness:
    """Blur and sharpening from the richest tiles of the window at photo px `window` (x0, y0).

    `observed_light` (H, W) root light sampled every `pitch` photo px, `usable` (H, W) bool.
    """
    tiles = richest_tiles(observed_light, usable)
    zero = Sharpness(1.0, np.zeros((3, 3), np.float32), 0.0)
    if not tiles:
        return zero
    to_artwork = float(np.mean(lit.px_per_mm)) / px_per_mm
    cache: dict[float, tuple[float, F64]] = {}

    def cost(sigma: float) -> float:
        if sigma not in cache:
            cache[sigma] = _try_blur(
                sigma, tiles, observed_light, usable, lit, placement, window, to_artwork, pitch
            )
        return cache[sigma][0]

    best = min(_FIRST, key=cost)
    at = _FIRST.index(best)
    low, high = _FIRST[max(at - 1, 0)], _FIRST[min(at + 1, len(_FIRST) - 1)]
    for sigma in (0.5 * (low + best), 0.5 * (best + high)):
        cost(sigma)
    best = min(cache, key=lambda s: cache[s][0])
    xx, yy, xy, wide = cache[best][1]
    fine = np.asarray(xx * _XX + yy * _YY + xy * _XY, np.float32)
    # filter2D correlates; the second derivatives are even, so no flip is owed
    return Sharpness(float(best), fine, float(wide))


def _try_blur(
    sigma: float,
    tiles: list[tuple[int, int]],
    observed: F32,
    usable: Mask,
    lit: LitArtwork,
    placement: Placement,
    window: tuple[float, float],
    to_artwork: float,
    pitch: float,
) -> tuple[float, F64]:
    """Mean log residual energy of the tiles and joint filter weights (4,) at one blur width."""
    gram, right, cost = np.zeros((4, 4)), np.zeros(4), []
    for x, y in tiles:
        expected = _tile_expected(sigma * to_artwork, x, y, lit, placement, window, pitch)
        cut = (slice(y, y + TILE_PX), slice(x, x + TILE_PX))
        g, r, energy, count = _tile_equations(observed[cut], expected, usable[cut])
        if count < TILE_PX:
            continue
        own = np.linalg.solve(g + _ridge(g), r)
        left = max(energy - 2 * own @ r + own @ g @ own, 1e-12) / count
        # tiles speak in ratios, so that one under a reflection does not outshout the rest
        cost.append(np.log(left))
        gram, right = gram + g / left, right + r / left
    if not cost:
        return float("inf"), np.zeros(4)
    return float(np.mean(cost)), np.linalg.solve(gram + _ridge(gram), right)


def _ridge(gram: F64) -> F64:
    return np.diag(np.full(4, 1e-3 * np.trace(gram) / 4 + 1e-12))


def _tile_expected(
    sigma_artwork_px: float,
    x: int,
    y: int,
    lit: LitArtwork,
    placement: Placement,
    window: tuple[float, float],
    pitch: float,
) -> F32:
    """Light channel of the expected tile: only the artwork under it is blurred."""
    x0, y0 = window[0] + x * pitch, window[1] + y * pitch
    mm = placement.picture.artwork_window(x0, y0, TILE_PX, TILE_PX, pitch)
    art = (mm + np.float32(lit.bleed_mm)) * np.array(lit.px_per_mm, np.float32) - np.float32(0.5)
    margin = int(np.ceil(3 * sigma_artwork_px)) + 2
    height, width = lit.linear.shape[:2]
    left = int(np.clip(art[..., 0].min() - margin, 0, width - 2))
    right = int(np.clip(art[..., 0].max() + margin + 1, left + 2, width))
    top = int(np.clip(art[..., 1].min() - margin, 0, height - 2))
    bottom = int(np.clip(art[..., 1].max() + margin + 1, top + 2, height))
    part = LitArtwork(lit.linear[top:bottom, left:right], lit.px_per_mm, lit.bleed_mm)
    soft = blurred(part, sigma_artwork_px)
    art -= np.array([left, top], np.float32)
    warped = cv2.remap(soft, art, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return photo_light(root_from_linear(np.asarray(warped, np.float32)))
