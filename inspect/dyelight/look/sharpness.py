"""Blur between artwork and photo, and the camera's own sharpening.

The blur of dye, lens and shake is taken as a Gaussian in linear light, its width found by search;
what is left of it, its direction and the camera's sharpening, is a small linear filter on root
light fitted by least squares. Dye that spreads before the lens blurs, or tones that were bent
between two blurs, move every edge to one side of its tones, by an amount that goes with the squared
gradient (dot gain): lines come out wider or narrower than drawn. That is the matching kernel of
difference imaging with a small basis (Alard and Lupton, ApJ 503, 1998). Each tile's own gain and
its slope, shift, and a surface of second order are taken out first, so that light and place do not
pass for blur.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erf

import cv2
import numpy as np

from ..imaging import area, as_u8, correlated, gaussian, sample, slopes, strips, with_neighbours
from ..records import F32, F64, Mask
from .render import ArtworkUnderPhoto, LitArtwork, blurred, photo_light
from .rootlight import root_from_linear

TILE_PX = 128
_TILES = 24
_WIDE_PX = 2.0
_WIDTHS = (0.45, 0.8, 1.2, 1.7, 2.4, 3.4, 5.0)
_START = 2
_STRIP_PX = 48
_LEAST_GAIN_PX2 = 0.02
_NUISANCES = 6  # bias, shift, and contrast with its slope across a tile, as under a reflection
_TERMS = 5  # three second derivatives, the wide blur, dot gain
# what is known of the terms before any photo, as 1 over their variance and the residual's own: that
# smooth print tells nothing of them, as huge ones of opposite signs would follow its slope there
_PRIOR = 1000.0 * np.eye(_TERMS)
_RIM_PX = 8  # of a tile: its outermost pixels lie under kernels that reach beyond it
_USUAL_PX, _UNUSUAL = 0.9, 0.03  # share of residual energy that a blur e times as wide must save


@dataclass(frozen=True, slots=True)
class Sharpness:
    """`blur_px` sigma of the Gaussian in photo px; `fine` (3, 3) float32 kernel, `wide` weight and
    `gain` in px^2 of the correction on root light:
    E + fine * E + wide (G(2 px) * E - E) + gain |grad E|^2."""

    blur_px: float
    fine: F32
    wide: float
    gain: float = 0.0

    def apply(self, light: F32) -> F32:
        """Expected root light (H, W) or (H, W, 3) with direction of blur, sharpening and dot gain
        put in."""
        out = self.filtered(light)
        if abs(self.gain) > _LEAST_GAIN_PX2:
            for rows in strips(light.shape[0], _STRIP_PX):
                part, own = with_neighbours(light, rows)
                dx, dy = slopes(part)
                out[rows] += self.gain * (dx[own] ** 2 + dy[own] ** 2)
        return out

    def filtered(self, light: F32) -> F32:
        """What `apply` does but for the dot gain: the part that is linear."""
        kernel = self.fine.copy()
        wide = self.wide if abs(self.wide) > 1e-3 else 0.0
        kernel[1, 1] += np.float32(1 - wide)
        out = correlated(light, kernel)
        if wide:
            cv2.scaleAdd(gaussian(light, _WIDE_PX, 13), wide, out, dst=out)
        return out

    def edge_sigma_px(self) -> float:
        """Sigma of the Gaussian whose 10-90 % rise is that of a step through blur and filter."""
        x = np.arange(-40, 41) * 0.25
        step = 0.5 * (1 + np.vectorize(erf)(x / (np.sqrt(2) * max(self.blur_px, 0.2))))
        second = np.interp(x + 1, x, step) + np.interp(x - 1, x, step) - 2 * step
        along = 0.5 * float(self.fine[1, 0] + self.fine[0, 1])
        soft = 0.5 * (1 + np.vectorize(erf)(x / np.sqrt(2 * (self.blur_px**2 + _WIDE_PX**2))))
        rise = np.maximum.accumulate(step + along * second + self.wide * (soft - step))
        ten, ninety = np.interp([0.1, 0.9], rise, x)
        return float(max(ninety - ten, 0.8)) / 2.563


# of a photo whose picture has no detail to tell
USUAL = Sharpness(1.0, np.zeros((3, 3), np.float32), 0.0)

_XX = np.array([[0, 0, 0], [1, -2, 1], [0, 0, 0]], np.float32)
_YY: F32 = np.ascontiguousarray(_XX.T)
_XY: F32 = np.array([[0.25, 0, -0.25], [0, 0, 0], [-0.25, 0, 0.25]], np.float32)


@dataclass(frozen=True, slots=True)
class _Tile:
    """One tile of the photo: what is seen, which pixels count (0 or 1), the artwork under it."""

    observed: F32
    weight: F32
    linear: F32
    at: F32


def _gram(stack: F32, weight: F32) -> F64:
    return np.asarray((stack * weight) @ stack.T, np.float64)


_SECOND: tuple[F32, F32, F32] = (_XX, _YY, _XY)


def _smooth_shapes() -> F32:
    """Orthonormal polynomials (6, N) of second order over a tile's inner pixels."""
    x = np.linspace(-1, 1, TILE_PX - 2 * _RIM_PX)
    across, down = (one.ravel() for one in np.meshgrid(x, x))
    shapes = [np.ones_like(across), across, down, across**2, across * down, down**2]
    return np.asarray(np.linalg.qr(np.stack(shapes, 1))[0].T, np.float32)


_DOWN, _ACROSS = np.mgrid[-1 : 1 : TILE_PX * 1j, -1 : 1 : TILE_PX * 1j].astype(np.float32)
_SMOOTH: F32 = np.ascontiguousarray(_smooth_shapes())
_TINY = np.float32(1e-6) * np.eye(len(_SMOOTH), dtype=np.float32)


def _tile_equations(tile: _Tile, expected: F32) -> tuple[F64, F64, float, int]:
    """Normal matrix (5, 5), right side (5,), residual energy and count, nuisances projected out."""
    inner = (slice(_RIM_PX, -_RIM_PX), slice(_RIM_PX, -_RIM_PX))
    dx, dy = slopes(expected)
    soft = gaussian(expected, _WIDE_PX, 13)
    contrast = expected - expected.mean()
    columns = [np.ones_like(expected), dx, dy, contrast, _ACROSS * contrast, _DOWN * contrast]
    columns += [correlated(expected, kernel) for kernel in _SECOND]
    columns += [soft - expected, dx * dx + dy * dy, tile.observed - expected]
    stack = np.stack([column[inner] for column in columns]).reshape(len(columns), -1)
    use = tile.weight[inner].ravel()
    # the slope of a reflection or a shadow is no blur, nor are its pixels independent
    counted = _SMOOTH * use
    surface = np.linalg.solve(counted @ _SMOOTH.T + _TINY, counted @ stack[-1])
    stack[-1] -= surface @ _SMOOTH
    ridge = 1e-9 * np.eye(_NUISANCES)
    some = slice(None, None, 3)
    gram = _gram(np.ascontiguousarray(stack[:, some]), use[some])
    nuisance = np.linalg.solve(gram[:_NUISANCES, :_NUISANCES] + ridge, gram[:_NUISANCES, -1])
    left = np.abs(stack[-1] - nuisance.astype(np.float32) @ stack[:_NUISANCES])
    # a defect in the tile must not steer the kernel
    seen = left[some][use[some] > 0]
    limit = 4 * 1.4826 * float(np.median(seen)) + 1e-6 if seen.size else 0.0
    kept = use * (left < limit)
    # nor may a blur look right because it turns what it misses into outliers
    out = float(use.sum() - kept.sum())
    gram = _gram(stack, kept)
    # the nuisances leave the normal equations of the rest by Schur's complement
    nuisances, others = slice(_NUISANCES), slice(_NUISANCES, None)
    taken = np.linalg.solve(gram[nuisances, nuisances] + ridge, gram[nuisances, others])
    rest = gram[others, others] - gram[nuisances, others].T @ taken
    energy = max(float(rest[-1, -1]), 0.0) + out * limit**2
    return rest[:-1, :-1], rest[:-1, -1], energy, int(use.sum())


def richest_tiles(light: F32, usable: Mask, count: int = _TILES) -> list[tuple[int, int]]:
    """Top-left corners (x, y) of the tiles with the most gradient energy, spread over the photo."""
    rows, columns = light.shape[0] // TILE_PX, light.shape[1] // TILE_PX
    if rows == 0 or columns == 0:
        return []
    cut = (slice(0, rows * TILE_PX), slice(0, columns * TILE_PX))
    step = TILE_PX // 4
    small: F32 = area(light[cut], (columns * step, rows * step))
    dx, dy = slopes(small)
    energy = dx * dx + dy * dy
    np.minimum(energy, np.quantile(energy[::4, ::4], 0.995), out=energy)
    mean: F32 = area(energy, (columns, rows))
    whole = area(as_u8(usable[cut]) * np.uint8(100), (columns, rows))
    mean[whole < 90] = -1
    # at most a third of the tiles from any ninth of the photo, so that no corner decides for all
    order = np.argsort(mean.ravel())[::-1]
    taken: dict[tuple[int, int], int] = {}
    out: list[tuple[int, int]] = []
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
    observed_light: F32, usable: Mask, lit: LitArtwork, under: ArtworkUnderPhoto, px_per_mm: float
) -> Sharpness:
    """Blur and sharpening from the richest tiles of a window of the photo.

    `observed_light` (H, W) root light, `usable` (H, W) bool, `under` the place of its pixels in px
    of the lit artwork.
    """
    to_artwork = float(np.mean(lit.px_per_mm)) / px_per_mm
    tiles = []
    for x, y in richest_tiles(observed_light, usable):
        cut = (slice(y, y + TILE_PX), slice(x, x + TILE_PX))
        linear, here = lit.piece(under.tile(x, y, TILE_PX, TILE_PX), 3 * _WIDTHS[-1] * to_artwork)
        weight = usable[cut].astype(np.float32)
        tiles.append(_Tile(observed_light[cut], weight, linear, here.drawn(TILE_PX, TILE_PX)))
    if not tiles:
        return USUAL
    tried: dict[float, float] = {}

    def cost(sigma: float) -> float:
        if sigma not in tried:
            # half the tiles tell the width as well; the filter is fitted on all
            tried[sigma] = _try_blur(sigma, tiles[::2], to_artwork * lit.grow)[0]
            # where the picture has no detail to tell, a blur as usual
            tried[sigma] += _UNUSUAL * float(np.log(sigma / _USUAL_PX)) ** 2
        return tried[sigma]

    # the cost has one valley: walk down into it
    at = _START
    step = -1 if cost(_WIDTHS[at - 1]) < cost(_WIDTHS[at]) else 1
    while 0 <= at + step < len(_WIDTHS) and cost(_WIDTHS[at + step]) < cost(_WIDTHS[at]):
        at += step
    low, high = _WIDTHS[max(at - 1, 0)], _WIDTHS[min(at + 1, len(_WIDTHS) - 1)]
    for sigma in (0.5 * (low + _WIDTHS[at]), 0.5 * (_WIDTHS[at] + high)):
        cost(sigma)
    best = min(tried, key=cost)
    filtered = _try_blur(best, tiles, to_artwork * lit.grow)[1]
    xx, yy, xy, wide, gain = (float(weight) for weight in filtered)
    # correlation, not convolution; the second derivatives are even, so no flip is owed
    return Sharpness(best, np.asarray(xx * _XX + yy * _YY + xy * _XY, np.float32), wide, gain)


def _try_blur(sigma_px: float, tiles: list[_Tile], scale: float) -> tuple[float, F64]:
    """Mean log residual energy of the tiles and joint filter weights (5,) at one blur width.

    `scale` is px of the tiles' artwork per photo px.
    """
    gram, right = np.zeros((_TERMS, _TERMS)), np.zeros(_TERMS)
    cost: list[float] = []
    for tile in tiles:
        warped = sample(blurred(tile.linear, sigma_px * scale), tile.at)
        expected = photo_light(root_from_linear(warped, warped))
        g, r, energy, count = _tile_equations(tile, expected)
        if count < TILE_PX:
            continue
        own = np.linalg.solve(g + _ridge(g) + energy / count / len(tiles) * _PRIOR, r)
        left = max(float(energy - 2 * own @ r + own @ g @ own), 1e-12) / count
        # tiles speak in ratios, so that one under a reflection does not outshout the rest
        cost.append(float(np.log(left)))
        gram, right = gram + g / left, right + r / left
    if not cost:
        return float("inf"), np.zeros(_TERMS)
    own = np.linalg.solve(gram + _ridge(gram) + _PRIOR, right)
    return float(np.mean(cost)), np.asarray(own)


def _ridge(gram: F64) -> F64:
    linear = np.full(_TERMS - 1, 1e-3 * np.trace(gram[:-1, :-1]) / (_TERMS - 1) + 1e-12)
    return np.diag([*linear, 1e-3 * gram[-1, -1] + 1e-12])
