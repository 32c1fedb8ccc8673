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

from ..imaging import (
    area,
    as_u8,
    correlated,
    gaussian,
    sample,
    slopes,
    strips,
    with_neighbours,
)
from ..ranks import median
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
                dx *= dx
                dx += np.multiply(dy, dy, out=dy)
                cv2.scaleAdd(dx[own], self.gain, out[rows], dst=out[rows])
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
        """Sigma of the Gaussian whose 10-90 % rise is that of a step through blur and filter.

        No more than the blur's own: a camera smooths faint detail away with the noise, and the
        filter follows that where a picture has no other, but what is plain stays as sharp.
        """
        x = np.arange(-40, 41) * 0.25
        step = 0.5 * (1 + np.vectorize(erf)(x / (np.sqrt(2) * max(self.blur_px, 0.2))))
        second = np.interp(x + 1, x, step) + np.interp(x - 1, x, step) - 2 * step
        along = 0.5 * float(self.fine[1, 0] + self.fine[0, 1])
        soft = 0.5 * (1 + np.vectorize(erf)(x / np.sqrt(2 * (self.blur_px**2 + _WIDE_PX**2))))
        rise = np.maximum.accumulate(step + along * second + self.wide * (soft - step))
        ten, ninety = np.interp([0.1, 0.9], rise, x)
        return min(float(max(ninety - ten, 0.8)) / 2.563, max(self.blur_px, 0.8 / 2.563))


# of a photo whose picture has no detail to tell
USUAL = Sharpness(1.0, np.zeros((3, 3), np.float32), 0.0)

_XX = np.array([[0, 0, 0], [1, -2, 1], [0, 0, 0]], np.float32)
_YY: F32 = np.ascontiguousarray(_XX.T)
_XY: F32 = np.array([[0.25, 0, -0.25], [0, 0, 0], [-0.25, 0, 0.25]], np.float32)


def _gram(stack: F32, weight: F32) -> F64:
    return np.asarray((stack * weight) @ stack.T, np.float64)


_SECOND: tuple[F32, F32, F32] = (_XX, _YY, _XY)


def _smooth_shapes() -> F32:
    """Orthonormal polynomials (6, N) of second order over a tile's inner pixels."""
    x = np.linspace(-1, 1, TILE_PX - 2 * _RIM_PX)
    across, down = (one.ravel() for one in np.meshgrid(x, x))
    shapes = [np.ones_like(across), across, down, across**2, across * down, down**2]
    return np.asarray(np.linalg.qr(np.stack(shapes, 1))[0].T, np.float32)


_INNER = (slice(_RIM_PX, -_RIM_PX), slice(_RIM_PX, -_RIM_PX))
_DOWN, _ACROSS = np.mgrid[-1 : 1 : TILE_PX * 1j, -1 : 1 : TILE_PX * 1j].astype(np.float32)[
    :, *_INNER
]
_SMOOTH: F32 = np.ascontiguousarray(_smooth_shapes())
_TINY = np.float32(1e-6) * np.eye(len(_SMOOTH), dtype=np.float32)


@dataclass(frozen=True, slots=True)
class _Tile:
    """One tile of the photo: what is seen, the artwork's linear light under it and where each pixel
    lies in that; of the inner pixels, which count (N,), 0 or 1, the smooth shapes (6, N) over those
    and the shapes' products (6, 6) with one another."""

    observed: F32
    linear: F32
    at: F32
    use: F32
    counted: F32
    products: F32

    @classmethod
    def cut(
        cls,
        observed_light: F32,
        usable: Mask,
        lit: LitArtwork,
        under: ArtworkUnderPhoto,
        place: tuple[int, int],
        margin_px: float,
    ) -> _Tile:
        """The tile whose top left is `place`, with `margin_px` of artwork around it."""
        x, y = place
        cut = (slice(y, y + TILE_PX), slice(x, x + TILE_PX))
        linear, here = lit.piece(under.tile(x, y, TILE_PX, TILE_PX), margin_px)
        use = usable[cut][_INNER].astype(np.float32).ravel()
        counted = _SMOOTH * use
        products = counted @ _SMOOTH.T + _TINY
        at = here.drawn(TILE_PX, TILE_PX)
        return cls(observed_light[cut], linear, at, use, counted, products)

    def expected(self, sigma_px: float) -> F32:
        """Light channel of what is expected of the tile at a blur of `sigma_px` of the artwork."""
        # no more of the artwork than the blur reaches; a tile is too small for a lens to bend it
        reach = int(np.ceil(3 * sigma_px)) + 2
        ends = self.at[:: TILE_PX - 1, :: TILE_PX - 1].reshape(-1, 2)
        left, top = (max(int(first) - reach, 0) for first in ends.min(0))
        right, bottom = (int(last) + reach + 1 for last in ends.max(0))
        soft = blurred(self.linear[top:bottom, left:right], sigma_px)
        at = np.asarray(cv2.subtract(self.at, np.array([left, top, 0, 0], np.float64)), np.float32)
        warped = sample(soft, at)
        return photo_light(root_from_linear(warped, warped))


# normal matrix (5, 5), right side (5,), residual energy and count of a tile at one blur width
_Equations = tuple[F64, F64, float, int]


def _tile_equations(tile: _Tile, sigma_px: float) -> _Equations:
    """A tile's equations at a blur of `sigma_px` of the artwork, nuisances projected out."""
    expected = tile.expected(sigma_px)
    stack = np.empty((_NUISANCES + _TERMS + 1, *_ACROSS.shape), np.float32)
    dx, dy = (slope[_INNER] for slope in slopes(expected))
    here = expected[_INNER]
    stack[0], stack[1], stack[2] = 1, dx, dy
    np.subtract(here, expected.mean(), out=stack[3])
    np.multiply(_ACROSS, stack[3], out=stack[4])
    np.multiply(_DOWN, stack[3], out=stack[5])
    for row, kernel in enumerate(_SECOND, start=_NUISANCES):
        stack[row] = correlated(expected, kernel)[_INNER]
    np.subtract(gaussian(expected, _WIDE_PX, 13)[_INNER], here, out=stack[-3])
    np.add(dx * dx, dy * dy, out=stack[-2])
    np.subtract(tile.observed[_INNER], here, out=stack[-1])
    stack = stack.reshape(len(stack), -1)
    use = tile.use
    # the slope of a reflection or a shadow is no blur, nor are its pixels independent
    surface = np.linalg.solve(tile.products, tile.counted @ stack[-1])
    stack[-1] -= surface @ _SMOOTH
    ridge = 1e-9 * np.eye(_NUISANCES)
    some = slice(None, None, 3)
    gram = _gram(np.ascontiguousarray(stack[:, some]), use[some])
    nuisance = np.linalg.solve(gram[:_NUISANCES, :_NUISANCES] + ridge, gram[:_NUISANCES, -1])
    left = np.abs(stack[-1] - nuisance.astype(np.float32) @ stack[:_NUISANCES])
    # a defect in the tile must not steer the kernel
    seen = left[some][use[some] > 0]
    limit = 4 * 1.4826 * median(seen) + 1e-6 if seen.size else 0.0
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
    scale = to_artwork * lit.grow
    places = richest_tiles(observed_light, usable)
    if not places:
        return USUAL

    def cut(some: list[tuple[int, int]], widest: float) -> list[_Tile]:
        margin_px = 3 * widest * to_artwork
        return [_Tile.cut(observed_light, usable, lit, under, at, margin_px) for at in some]

    # half the tiles tell the width as well; the filter is fitted on all
    half = cut(places[::2], _WIDTHS[-1])
    known: dict[float, list[_Equations]] = {}
    tried: dict[float, float] = {}

    def cost(sigma: float) -> float:
        if sigma not in tried:
            known[sigma] = [_tile_equations(tile, sigma * scale) for tile in half]
            tried[sigma] = _solved(known[sigma])[0]
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
    rest = [_tile_equations(tile, best * scale) for tile in cut(places[1::2], best)]
    filtered = _solved(known[best] + rest)[1]
    xx, yy, xy, wide, gain = (float(weight) for weight in filtered)
    # correlation, not convolution; the second derivatives are even, so no flip is owed
    return Sharpness(best, np.asarray(xx * _XX + yy * _YY + xy * _XY, np.float32), wide, gain)


def _solved(tiles: list[_Equations]) -> tuple[float, F64]:
    """Mean log residual energy of the tiles and joint filter weights (5,) at one blur width."""
    gram, right = np.zeros((_TERMS, _TERMS)), np.zeros(_TERMS)
    cost: list[float] = []
    for g, r, energy, count in tiles:
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
