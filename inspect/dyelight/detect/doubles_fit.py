"""Strength and shift of a second image, tile by tile, by least squares on the photo's own pixels.

Model in natural-log light, with the picture's expected density a and one tile's own place error e:

    photo(x) = a(x + e) + s (a(x + e - d) - a(x + e)) + smooth light + own gain and blur

Fitted by Gauss-Newton with Huber weights. The place error belongs in it: lining a photo up on the
picture's edges puts the two images' middle, not the first image, where the artwork says.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..look import Difference
from ..look.render import photo_light
from ..ranks import median
from ..records import F32, F64
from .doubles_field import ShiftField
from .doubles_score import DARK

_MOST_TILES, _FIRST, _LEAST_SURE = 12, 6, 2
SURE = 9.0  # strength over its error by noise alone; edges that fit badly reach half of this
_HALF_PX = 60
_ROUNDS = 6
_FINEST_PX_PER_MM = 6.5
_NUISANCES = 7
_STILL, _STILL_PX = 5e-4, 0.02  # steps in strength and place under which a fit has converged
_FAINTEST, STRONGEST = 0.01, 0.6
_SUNK = 3  # rounds in a row at the faintest strength after which a fit is given up
# prior standard deviations: strength, shift, place (px), light, light's slope, gain, blur (px^2)
_PRIOR = (0.5, 2.0, 2.0, 1.5, 1.5, 0.3, 0.3, 0.3, 0.2, 0.6, 0.6, 0.6)


@dataclass(frozen=True, slots=True)
class TileFit:
    """One tile's second image: `center_mm` (2,), `shift_mm` (2,) with `information` (2, 2) per mm2,
    `strength` as a share of the picture's density with its standard error, and how far the first
    image lies off its place, as a share of the shift."""

    center_mm: F64
    shift_mm: F64
    information: F64
    strength: float
    strength_error: float
    place_share: float


def fit_tiles(
    difference: Difference, field: ShiftField, centers_mm: F64, fine: bool
) -> list[TileFit]:
    """Fits of the tiles that speak loudest for a field, those that converge.

    `centers_mm` (T, 2) belong to the field's `support`. `fine` keeps the photo's own pixels.
    """
    speaks = np.where(np.isfinite(field.support), field.support, -np.inf)
    order = [t for t in np.argsort(-speaks)[:_MOST_TILES] if speaks[t] > 1.0]
    out: list[TileFit] = []
    for tried, t in enumerate(order, start=1):
        fitted = _fit_tile(difference, centers_mm[t], field.at(centers_mm[t : t + 1])[0], fine)
        if fitted is not None:
            out.append(fitted)
        # nothing is there if two of the loudest tiles do not show it
        sure = sum(f.strength > SURE * f.strength_error for f in out)
        if tried <= _FIRST and sure + _FIRST - tried < _LEAST_SURE:
            break
    return out


@dataclass(frozen=True, slots=True)
class _Tile:
    seen: F32
    density: F32
    weight: F32
    pad: int
    px_per_mm: F64  # jacobian (2, 2), tile px per artwork mm


def _tile(difference: Difference, center_mm: F64, shift_mm: F64, fine: bool) -> _Tile | None:
    frame = difference.photo
    step = 0.5
    around = center_mm + np.array([[0, 0], [step, 0], [-step, 0], [0, step], [0, -step]])
    px = difference.picture.to_photo(around) - [frame.x0, frame.y0]
    jacobian = np.stack([px[1] - px[2], px[3] - px[4]], axis=-1) / (2 * step)
    shrink = 1 if fine else max(1, round(frame.px_per_mm / _FINEST_PX_PER_MM))
    jacobian = jacobian / shrink
    pad = int(np.ceil(np.linalg.norm(jacobian @ shift_mm))) + 6
    reach = (_HALF_PX + pad) * shrink
    x, y = (round(float(v)) for v in px[0])
    height, width = frame.sigma.shape
    x, y = int(np.clip(x, 0, width - 1)), int(np.clip(y, 0, height - 1))
    cut = (
        slice(max(y - reach, 0), min(y + reach, height)),
        slice(max(x - reach, 0), min(x + reach, width)),
    )
    edges = (cut[0].start - y + reach, y + reach - cut[0].stop)
    sides = (cut[1].start - x + reach, x + reach - cut[1].stop)
    border = (*edges, *sides)

    def whole(image: F32, kind: int) -> F32:
        full = cv2.copyMakeBorder(image, *border, kind)
        size = 2 * (_HALF_PX + pad)
        return np.asarray(cv2.resize(full, (size, size), interpolation=cv2.INTER_AREA), np.float32)

    seen = photo_light(frame.observed[cut])
    expected = frame.sharpness.apply(photo_light(frame.expected[cut]))
    usable = frame.usable[cut].astype(np.float32)
    inner = (slice(pad, -pad), slice(pad, -pad))
    base = np.maximum(whole(expected, cv2.BORDER_REPLICATE), DARK)
    here = np.maximum(whole(seen, cv2.BORDER_REPLICATE)[inner], 0.5 * DARK)
    sigma = whole(frame.sigma[cut], cv2.BORDER_REPLICATE)[inner]
    share = whole(usable, cv2.BORDER_CONSTANT)[inner]
    if share.mean() < 0.3:
        return None
    weight = np.where(share > 0.99, (base[inner] / sigma) ** 2, 0).astype(np.float32)
    return _Tile(np.log(here), np.log(base), weight, pad, jacobian)


def _moved(density: F32, by_px: F64, pad: int) -> tuple[F32, F32, F32]:
    """Density at x + by, and its slopes per px, over the tile without its pad."""
    size = density.shape[0] - 2 * pad
    at = np.array([[1, 0, pad - 1 + by_px[0]], [0, 1, pad - 1 + by_px[1]]])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    out = cv2.warpAffine(
        density, at, (size + 2, size + 2), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    middle = out[1:-1, 1:-1]
    return (
        np.asarray(middle, np.float32),
        np.asarray(0.5 * (out[1:-1, 2:] - out[1:-1, :-2]), np.float32),
        np.asarray(0.5 * (out[2:, 1:-1] - out[:-2, 1:-1]), np.float32),
    )


_XX = np.array([[1, -2, 1]], np.float32)
_DOWN = np.array([[-0.5], [0], [0.5]], np.float32)


def _filtered(image: F32, kernel: F32) -> F32:
    return np.asarray(cv2.filter2D(image, cv2.CV_32F, kernel), np.float32)


def _fit_tile(difference: Difference, center_mm: F64, shift_mm: F64, fine: bool) -> TileFit | None:
    tile = _tile(difference, center_mm, shift_mm, fine)
    if tile is None:
        return None
    strength, shift, place = 0.1, tile.px_per_mm @ shift_mm, np.zeros(2)
    start = shift.copy()
    size = tile.seen.shape[0]
    ramp = np.linspace(-1, 1, size, dtype=np.float32)
    root = np.sqrt(tile.weight)
    whole = bool((tile.weight > 0).all())
    keep = np.flatnonzero(tile.weight)
    design = np.empty((12, size, size), np.float32)
    level = [root, root * ramp, root * ramp[:, None]]
    covariance = np.eye(5)
    most = tile.pad - 3.0
    sunk = 0

    def some(image: F32) -> F32:
        """A third of the pixels that count: enough for a median."""
        return (image.ravel() if whole else image.ravel()[keep])[::3]

    for turn in range(_ROUNDS):
        first, first_x, first_y = _moved(tile.density, place, tile.pad)
        second, second_x, second_y = _moved(tile.density, place - shift, tile.pad)
        strong, weak = np.float32(strength), np.float32(1 - strength)
        apart = second - first
        np.multiply(apart, root, out=design[0])
        np.multiply(second_x, -strong * root, out=design[1])
        np.multiply(second_y, -strong * root, out=design[2])
        np.subtract(weak * first_x * root, design[1], out=design[3])
        np.subtract(weak * first_y * root, design[2], out=design[4])
        design[5:8] = level
        np.multiply(first - first.mean(), root, out=design[8])
        for k, bend in enumerate((_filtered(first, _XX), _filtered(first, _XX.T))):
            np.multiply(bend, root, out=design[9 + k])
        np.multiply(_filtered(first_x, _DOWN), root, out=design[11])
        left_over = tile.seen - first - strong * apart
        # what light, gain and blur explain is solved for anew each round, from zero
        if turn == 0:
            left_over -= np.float32(median(some(left_over)))
        left_over *= root
        spread = some(left_over)
        scale = max(1.4826 * median(np.abs(spread - median(spread))), 0.3)
        rows, target = design.reshape(12, -1), left_over.ravel()
        nuisance = rows[5:]
        own = np.linalg.solve(
            (nuisance @ nuisance.T).astype(np.float64) + 1e-6 * np.eye(_NUISANCES),
            (nuisance @ target).astype(np.float64),
        )
        rough = np.abs(target - own.astype(np.float32) @ nuisance)
        huber = np.minimum(1, np.float32(2.5 * scale) / np.maximum(rough, np.float32(1e-9)))
        weighted = rows * huber
        prior = np.diag(1 / np.array(_PRIOR) ** 2) * scale**2
        # the prior pulls the shift to where the scores put it, everything else to zero
        normal = (weighted @ rows.T).astype(np.float64) + prior
        pull = np.zeros(12)
        pull[0] = -strength / _PRIOR[0] ** 2
        pull[1:3] = (start - shift) / _PRIOR[1] ** 2
        pull[3:5] = -place / _PRIOR[3] ** 2
        right = (weighted @ target).astype(np.float64) + pull * scale**2
        step = np.linalg.solve(normal, right)
        before = strength
        strength = strength + float(np.clip(step[0], -0.15, 0.15))
        strength = min(max(strength, _FAINTEST), STRONGEST)
        sunk = sunk + 1 if strength == _FAINTEST else 0
        if sunk == _SUNK:
            return None
        shift = shift + np.clip(step[1:3], -1, 1)
        place = place + np.clip(step[3:5], -1, 1)
        if np.linalg.norm(shift - place) > most or np.linalg.norm(place) > 3:
            return None
        covariance = np.linalg.inv(normal)[:5, :5] * scale**2
        if abs(strength - before) < _STILL and np.abs(step[1:5]).max() < _STILL_PX:
            break
    if strength < 1.1 * _FAINTEST or np.linalg.norm(shift - start) > 4.5:
        return None
    per_mm = tile.px_per_mm
    return TileFit(
        center_mm,
        np.asarray(np.linalg.solve(per_mm, shift), np.float64),
        np.asarray(per_mm.T @ np.linalg.inv(covariance[1:3, 1:3]) @ per_mm, np.float64),
        strength,
        float(np.sqrt(covariance[0, 0])),
        float(place @ shift) / max(float(shift @ shift), 1e-9),
    )
