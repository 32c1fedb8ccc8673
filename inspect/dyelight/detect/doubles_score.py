"""How well the picture's own density, shifted, explains what is left of the photo, tile by tile.

A double image adds s * (D(x - d) - D(x)) to the picture's density D (natural log of light). For
known D the best linear test for one shift d is the matched filter (North 1943), here for all shifts
at once by FFT, with three corrections: the noise is whitened by its own spectrum; what a shift,
blur or sharpening of the picture itself explains is projected out, and with it every shift at which
a repetitive picture looks like itself; and only what is not there at -d as well counts, since blur,
halo and ringing are the same both ways and a second image is not.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from ..imaging import steepness
from ..look import Difference
from ..look.render import photo_light
from ..ranks import median, quantile
from ..records import F32, F64, Mask
from .places import Window

C64 = NDArray[np.complex64]

MOST_MM = 6.5
DARK = 0.03  # root light under which density is mostly camera noise
_SLOW_MM = 3.5  # smooth light is taken off at this Gaussian width
_RIM_MM = 1.2
_BINS = 24
_FINE_HALF_PX = 80
_OWN_PX = 2.5  # shifts up to this are the picture's own place, blur and sharpening
_LEAST_SHARE, _MOST_SHARE = 0.02, 0.6  # strengths that a second image may have
_KEPT = 0.08  # share of a template's energy that must be left after projection


@dataclass(frozen=True, slots=True)
class Layer:
    """Density and residual on one grid, (H, W) float32: `density` the natural log of expected root
    light, `residual` ln photo - ln expected in the same unit, `weight` its inverse variance."""

    density: F32
    residual: F32
    weight: F32


@dataclass(frozen=True, slots=True)
class ShiftScores:
    """Scores (T, S, S) float32 of T tiles at shifts `axis_mm` (S,) down and across; unit scatter.

    `power` (T, S, S) is the score that a second image of strength 1 would give. `pooled` (S, S) is
    the score of all tiles as one, of unknown scatter, 0 where the best strength is none that a
    second image has. `centers_mm` (T, 2) artwork mm. `near_mm` is the shift under which nothing is
    said.
    """

    score: F32
    power: F32
    pooled: F32
    axis_mm: F64
    centers_mm: F64
    near_mm: float


def sampled(image: F32, at: F32) -> F32:
    """An image, (H, W) or (H, W, 3), at px `at` (h, w, 2), linear, held at its border."""
    x, y = np.ascontiguousarray(at[..., 0]), np.ascontiguousarray(at[..., 1])
    out = cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32)


def log_layer(observed: F32, expected: F32, usable: Mask, sigma: F32 | None) -> Layer:
    """The layer of two root-light pictures (H, W).

    `sigma` (H, W) is the scatter of their difference, None to learn it from the difference itself.
    """
    base = np.maximum(expected, DARK)
    difference = observed - expected
    variance = _learned_variance(difference, expected, usable) if sigma is None else sigma**2
    # a blemish must not outweigh the picture; a strong second image may stand out of the noise
    bound = 4 * cv2.sqrt(variance) + np.float32(0.06) * base
    difference = np.clip(difference, -bound, bound)
    weight = base * base / variance
    weight[~usable] = 0
    return Layer(
        np.log(base), np.asarray(difference / base, np.float32), np.asarray(weight, np.float32)
    )


def _learned_variance(difference: F32, expected: F32, usable: Mask) -> F32:
    """Flat noise plus what edges add, both from the difference (H, W) itself."""
    dx = cv2.Scharr(expected, cv2.CV_32F, 1, 0, scale=1 / 32)
    dy = cv2.Scharr(expected, cv2.CV_32F, 0, 1, scale=1 / 32)
    slope2 = dx * dx + dy * dy
    some = (slice(None, None, 3), slice(None, None, 3))
    sample, steep = np.abs(difference[some][usable[some]]), slope2[some][usable[some]]
    noise2 = max(1.4826 * median(sample), 0.0015) ** 2
    busy = steep >= quantile(steep, 0.8)
    excess = np.minimum(sample[busy] ** 2, 25 * noise2) - noise2
    share = max(float(excess.mean()), 0.0) / max(float(steep[busy].mean()), 1e-9)
    return np.asarray(noise2 + np.float32(share) * slope2, np.float32)


def without_slow(layer: Layer, px_per_mm: float) -> Layer:
    """The layer with smooth light taken off its residual."""
    step = 8
    height, width = layer.weight.shape
    small = (max(width // step, 1), max(height // step, 1))
    sigma = max(_SLOW_MM * px_per_mm / step, 0.5)
    top = cv2.resize(layer.residual * layer.weight, small, interpolation=cv2.INTER_AREA)
    bottom = cv2.resize(layer.weight, small, interpolation=cv2.INTER_AREA)
    top, bottom = cv2.GaussianBlur(top, (0, 0), sigma), cv2.GaussianBlur(bottom, (0, 0), sigma)
    slow = cv2.resize(top / np.maximum(bottom, 1e-3 * float(bottom.max()) + 1e-9), (width, height))
    return Layer(layer.density, np.asarray(layer.residual - slow, np.float32), layer.weight)


def cut_tiles(layer: Layer, centers_px: F64, half: int, pad: int) -> tuple[F32, F32, F32, F64]:
    """Tiles about centres (T, 2): residual * weight and weight (T, 2 half, 2 half), density
    (T, 2 (half + pad), same), and the centres as cut."""
    height, width = layer.weight.shape
    centers = np.rint(centers_px).astype(int)
    reach = half + pad
    weighted, weights = np.zeros((2, len(centers), 2 * half, 2 * half), np.float32)
    densities = np.empty((len(centers), 2 * reach, 2 * reach), np.float32)
    for t, (x, y) in enumerate(np.clip(centers, 0, [width - 1, height - 1]).tolist()):
        part, to = _within(height, width, x, y, half)
        np.multiply(layer.residual[part], layer.weight[part], out=weighted[t][to])
        weights[t][to] = layer.weight[part]
        part, to = _within(height, width, x, y, reach)
        edges = (to[0].start, 2 * reach - to[0].stop, to[1].start, 2 * reach - to[1].stop)
        densities[t] = cv2.copyMakeBorder(layer.density[part], *edges, cv2.BORDER_REPLICATE)
    return weighted, weights, densities, centers.astype(np.float64)


def _within(height: int, width: int, x: int, y: int, reach: int) -> tuple[Window, Window]:
    """What of a square of `reach` px to each side of (x, y) lies within an image: rows and columns
    of the image, and of the square."""
    x0, x1 = max(x - reach, 0), min(x + reach, width)
    y0, y1 = max(y - reach, 0), min(y + reach, height)
    to = (slice(y0 - y + reach, y1 - y + reach), slice(x0 - x + reach, x1 - x + reach))
    return (slice(y0, y1), slice(x0, x1)), to


def correlate(
    weighted: F32, weight: F32, density: F32, pad: int, px_per_mm: float
) -> tuple[F32, F32]:
    """Numerator and denominator (T, 2 pad + 1, 2 pad + 1) of strength against shift in px.

    numerator / denominator is the strength of the shifted picture by least squares with the own
    picture projected out, numerator / sqrt(denominator) its score for noise of unit scatter.
    """
    inner, outer = weighted.shape[1], density.shape[1]
    n = fft.next_fast_len(outer, real=True)
    seen = np.stack([_spectrum(tile, n) for tile in weighted])
    gain = _whitening(seen, weight, n, px_per_mm)
    size = 2 * pad + 1
    cross, self_like, energy = np.empty((3, len(weighted), size, size), np.float32)
    middle = slice(pad, pad + inner)

    # A(x + l) with l counted from the tile's place less the pad; flipped, that is d = pad - l
    def lagged(spectrum: C64) -> F32:
        down = fft.ifft(spectrum, axis=0)[2 * pad :: -1]
        return np.asarray(fft.irfft(down, n, axis=1)[:, 2 * pad :: -1], np.float32)

    # tile by tile, so that the spectra stay in the processor's cache
    for t, tile in enumerate(density):
        art = _spectrum(tile - tile.mean(), n) * gain
        white = fft.irfft2(art, (n, n))[:outer, :outer]
        own = _spectrum(weight[t] * white[middle, middle], n)
        power = _spectrum(white * white, n)
        cross[t] = lagged(np.conj(seen[t] * gain) * art)
        self_like[t] = lagged(np.conj(own) * art)
        energy[t] = lagged(np.conj(_spectrum(weight[t], n)) * power)
    return _project_out(cross, self_like, energy, pad)


def _spectrum(tile: F32, n: int) -> C64:
    """Real transform (n, n // 2 + 1) of a tile in the corner of (n, n) zeros."""
    # along the rows before these are filled up, as rows of zeros stay zero
    return np.asarray(fft.fft(fft.rfft(tile, n, axis=1), n, axis=0), np.complex64)


def _whitening(seen: C64, weight: F32, n: int, px_per_mm: float) -> F32:
    """Gain (n, n // 2 + 1) that flattens the residual's spectrum and drops what light may do."""
    frequency = np.hypot(np.fft.fftfreq(n)[:, None], np.fft.rfftfreq(n)[None])
    index = np.minimum((frequency * 2 * _BINS).astype(np.intp), _BINS - 1).ravel()
    share = 1 / np.maximum(weight.sum((1, 2)), 1e-6)
    power = np.tensordot(share, seen.real**2 + seen.imag**2, 1)
    mean = np.bincount(index, power.ravel(), _BINS) / np.maximum(
        np.bincount(index, minlength=_BINS), 1
    )
    at = (np.arange(_BINS) + 0.5) / (2 * _BINS)
    level = np.interp(frequency, at, mean / max(float(mean[2 : _BINS // 2].mean()), 1e-12))
    fast = 1 - np.exp(-0.5 * (frequency * px_per_mm / 0.06) ** 2)
    return np.asarray(fast / np.sqrt(np.maximum(level, 1e-2)), np.float32)


def _project_out(cross: F32, self_like: F32, energy: F32, pad: int) -> tuple[F32, F32]:
    """The picture's own small shifts taken out of correlation and energy (Schur complement)."""
    reach = int(np.ceil(_OWN_PX))
    around = np.arange(-reach, reach + 1)
    taps = np.stack(np.meshgrid(around, around, indexing="ij"), -1).reshape(-1, 2)
    taps = taps[(taps**2).sum(1) <= _OWN_PX**2]
    size, count = 2 * pad + 1, len(taps)
    both = 0.5 * (self_like + self_like[:, ::-1, ::-1])
    apart = pad + taps[:, None] - taps[None]
    gram = both[:, apart[..., 0], apart[..., 1]].astype(np.float64)
    gram += (2e-3 * both[:, pad, pad, None, None] + 1e-9) * np.eye(count)
    inverse = np.linalg.inv(gram).astype(np.float32)
    first = cross[:, pad + taps[:, 0], pad + taps[:, 1]]
    wide = np.pad(self_like, ((0, 0), (reach, reach), (reach, reach)), mode="edge")
    numerator, denominator = np.empty_like(cross), np.empty_like(energy)
    shifted = np.empty((count, size, size), np.float32)
    for t in range(len(cross)):
        for k, (down, across) in enumerate(reach - taps):
            shifted[k] = wide[t, down : down + size, across : across + size]
        rows = shifted.reshape(count, -1)
        solved = inverse[t] @ rows
        numerator[t] = cross[t] - (first[t] @ solved).reshape(size, size)
        solved *= rows
        explained = solved.sum(axis=0).reshape(size, size)
        denominator[t] = np.maximum(energy[t] - explained, _KEPT * energy[t])
    return numerator, np.maximum(denominator, np.float32(1e-9))


def unit_scores(
    numerator: F32, denominator: F32, jacobians: F64, pad: int, px_per_mm: float, most_mm: float
) -> tuple[F32, F32, F32, F64]:
    """Scores and powers (T, S, S) on one grid of shifts in mm, their pool (S, S), its axis (S,).

    `jacobians` (T, 2, 2) are px per mm of each tile. A score is the excess at d over that at -d, in
    units of the scatter of its ring of equal shift, over all tiles, and of its own tile.
    """
    count = int(most_mm * px_per_mm)
    axis = np.arange(-count, count + 1) / px_per_mm
    grid = np.stack(np.meshgrid(axis, axis), axis=-1)
    radius = np.hypot(grid[..., 0], grid[..., 1])
    out = np.zeros((len(numerator), axis.size, axis.size), np.float32)
    power = np.zeros_like(out)
    tops, bottoms = np.zeros((2, axis.size, axis.size), np.float32)
    for t, jacobian in enumerate(jacobians):
        at = (grid @ jacobian.T + pad).astype(np.float32)
        top = sampled(numerator[t], at)
        bottom = sampled(denominator[t], at)
        tops += top
        bottoms += bottom
        root = np.sqrt(np.maximum(bottom, np.float32(1e-9)))
        one = top / root
        one[radius > most_mm] = 0
        one -= one[::-1, ::-1].copy()
        scatter = 1.4826 * median(np.abs(one[radius <= most_mm]))
        out[t] = one / max(scatter, 1e-9)
        power[t] = root / max(scatter, 1e-9)
    ring = np.rint(radius * px_per_mm / 1.5).astype(np.intp)
    factor = np.ones(int(ring.max()) + 1)
    for k in range(factor.size):
        values = np.abs(out[:, np.abs(ring - k) <= 1])
        if values.size:
            factor[k] = max(1.4826 * median(values), 1.0)
    out /= factor[ring].astype(np.float32)
    power /= factor[ring].astype(np.float32)
    out[:, radius > most_mm] = 0
    bottoms = np.maximum(bottoms, np.float32(1e-9))
    likely = (tops > _LEAST_SHARE * bottoms) & (tops < _MOST_SHARE * bottoms) & (radius <= most_mm)
    pooled = np.where(likely, tops / np.sqrt(bottoms), 0).astype(np.float32)
    return out, power, pooled, axis


def panel_scores(difference: Difference) -> ShiftScores | None:
    """Scores from the squared-up panel, for shifts up to 6.5 mm; None where little can be used."""
    frame = difference.panel
    usable = frame.inside & frame.printed & ~frame.blown & (frame.edge_mm > _RIM_MM)
    if usable.sum() < 4000:
        return None
    # a second image is told by its own detail: the contrast that it takes from the first is what a
    # local veil takes too
    expected = photo_light(frame.expected) + difference.contrast
    layer = log_layer(photo_light(frame.observed), expected, usable, None)
    layer = without_slow(layer, frame.px_per_mm)
    art = difference.artwork
    columns, rows = tile_counts(art.width_mm, art.height_mm)
    centers = _even(art.width_mm, art.height_mm, columns, rows)
    half = int(np.clip(0.5 * 26.0 * frame.px_per_mm, 24, 80))
    pad = int(np.ceil(MOST_MM * frame.px_per_mm)) + 1
    weighted, weight, density, cut = cut_tiles(layer, frame.to_px(centers), half, pad)
    good = (weight > 0).mean((1, 2)) > 0.4
    if good.sum() < 4:
        return None
    top, bottom = correlate(weighted[good], weight[good], density[good], pad, frame.px_per_mm)
    jacobians = np.broadcast_to(np.eye(2) * frame.px_per_mm, (int(good.sum()), 2, 2))
    score, power, pooled, axis = unit_scores(top, bottom, jacobians, pad, frame.px_per_mm, MOST_MM)
    near = max(0.25, (_OWN_PX + 0.7) / frame.px_per_mm)
    return ShiftScores(score, power, pooled, axis, frame.to_mm(cut[good]), near)


def tile_counts(width_mm: float, height_mm: float) -> tuple[int, int]:
    """Columns and rows of about thirty tiles, as square as the panel allows."""
    columns = int(np.clip(round(np.sqrt(30 * width_mm / height_mm)), 3, 10))
    return columns, int(np.clip(round(30 / columns), 3, 10))


def _even(width_mm: float, height_mm: float, columns: int, rows: int) -> F64:
    xs = (np.arange(columns) + 0.5) / columns * width_mm
    ys = (np.arange(rows) + 0.5) / rows * height_mm
    return np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)


def _richest(
    difference: Difference, centers_mm: F64, tile_mm: float, columns: int, rows: int
) -> F64:
    """Centres (T, 2) moved within their cells to where a tile holds the most of the picture."""
    frame, art = difference.panel, difference.artwork
    step = 4
    density = np.log(np.maximum(photo_light(frame.expected[::step, ::step]), DARK))
    usable = frame.inside & frame.printed & ~frame.blown & (frame.edge_mm > _RIM_MM)
    energy = np.minimum(steepness(density), 0.5) * usable[::step, ::step]
    size = max(int(tile_mm * frame.px_per_mm / step), 1)
    energy = np.asarray(cv2.blur(energy, (size, size)), np.float32)
    room_x = max(art.width_mm / columns - tile_mm, 0) / 2
    room_y = max(art.height_mm / rows - tile_mm, 0) / 2
    off = np.stack(np.meshgrid([-1, -0.5, 0, 0.5, 1], [-1, -0.5, 0, 0.5, 1]), -1).reshape(-1, 2)
    places = centers_mm[:, None] + off * [room_x, room_y]
    at = frame.to_px(places.reshape(-1, 2)).reshape(*places.shape) / step
    rich = sampled(energy, np.asarray(at, np.float32))
    return np.asarray(places[np.arange(len(places)), np.argmax(rich, axis=1)])


def fine_scores(difference: Difference) -> ShiftScores | None:
    """Scores from the photo's own pixels, for shifts that the squared-up panel is too coarse for.

    None where the photo is not finer than the squared-up panel.
    """
    frame = difference.photo
    if frame.px_per_mm < 1.25 * difference.panel.px_per_mm:
        return None
    art = difference.artwork
    columns, rows = tile_counts(art.width_mm, art.height_mm)
    centers = _even(art.width_mm, art.height_mm, columns, rows)
    half = _FINE_HALF_PX
    centers = _richest(difference, centers, 2 * half / frame.px_per_mm, columns, rows)
    step = 0.5
    around = np.array([[0, 0], [step, 0], [-step, 0], [0, step], [0, -step]])
    places = (centers[:, None] + around).reshape(-1, 2)
    px = (difference.picture.to_photo(places) - [frame.x0, frame.y0]).reshape(-1, 5, 2)
    jacobians = np.stack([px[:, 1] - px[:, 2], px[:, 3] - px[:, 4]], axis=-1) / (2 * step)
    most_mm = min(1.4, 24 / frame.px_per_mm)
    pad = int(np.ceil(1.2 * most_mm * frame.px_per_mm)) + 1
    parts = []
    height, width = frame.sigma.shape
    for x, y in np.rint(px[:, 0]).astype(int):
        reach = half + pad
        x, y = int(np.clip(x, 0, width - 1)), int(np.clip(y, 0, height - 1))
        cut = (
            slice(max(y - reach, 0), min(y + reach, height)),
            slice(max(x - reach, 0), min(x + reach, width)),
        )
        expected = photo_light(frame.expected[cut])
        layer = log_layer(
            expected + frame.residual[cut], expected, frame.usable[cut], frame.sigma[cut]
        )
        parts.append(cut_tiles(layer, np.array([[x - cut[1].start, y - cut[0].start]]), half, pad))
    weighted, weight, density = (np.concatenate([part[i] for part in parts]) for i in range(3))
    good = (weight > 0).mean((1, 2)) > 0.4
    if good.sum() < 4:
        return None
    top, bottom = correlate(weighted[good], weight[good], density[good], pad, frame.px_per_mm)
    score, power, pooled, axis = unit_scores(
        top, bottom, jacobians[good], pad, frame.px_per_mm, most_mm
    )
    near = max(0.2, (_OWN_PX + 0.7) / frame.px_per_mm)
    return ShiftScores(score, power, pooled, axis, centers[good], near)
