"""Colour response and light field: how this shop's dye and this camera turned artwork into photo.

Model, on root light, per channel c at panel place x:

    photo_c(x) = gain_c(x) * response_c(artwork(x)), its linear light increased by veil(x)

`response` is a cubic polynomial in the three artwork channels (polynomial colour correction, see
Finlayson, Mackiewicz, Hurlbert, IEEE TIP 24(5), 2015), with a ridge so that rare colours are not
bent to a stain. `gain` is smooth: a uniform bicubic B-spline shared by the channels plus a coarser
one per channel. `veil` is light that a glossy face adds without passing the dye. Fitted by
alternating robust least squares; places that stick out are left out of the next round, so that a
defect is not explained away. A wide glow over a dark picture can pass for the print's own colour
and drown what little is pale, such as stars: a response that keeps hardly any contrast is fitted
again to the less lit places.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..ranks import median, quantile, quantiles
from ..records import F32, F64, Mask
from .colour_response import ColourResponse, terms
from .colour_table import ColourTable
from .light_field import SmoothField, raise_spans, roughness, spline_basis
from .rootlight import ROOT_OFFSET
from .veil import veiled

_REACH = (20.0, 10.0, 6.0, 5.0, 4.5, 4.5, 4.5)
_STIFF = (100.0, 30.0, 10.0, 3.0, 1.0, 1.0, 1.0, 1.0)  # light is free to bend only when colour fits
_ROUNDS = len(_REACH) + 1
BRIGHT = 1.5  # reflections only ever add light: what is too bright is distrusted sooner
_BINS = 32
_LEVELS = (0.01, 0.04, 0.25, 0.5, 0.75, 0.96, 0.99)
_PURE = 0.97
_LEAST_CONTRAST = 0.35  # haze over the whole panel leaves 0.4
_ENDS, _DARKEST, _FEW_TONES = (0.05, 0.995), 0.05, 3.0
_PARTS, _GLOW = 8, 3.0
_UNVEILED = 0.02  # of the panel that no veil lies on
_LEAST_GAIN = 0.1
_FLOOR = 0.004  # root light: about one eight-bit step, below which no residual is an outlier


# a cubic term must earn its place against the ridge, a straight one need not
_RIDGE = np.array([0.0] + [1e-6] * 3 + [3e-4] * 6 + [2e-3] * 10)


@dataclass(frozen=True, slots=True)
class ColourLight:
    """The fitted look: response, gain, veil, and the scatter left (root light, per channel)."""

    response: ColourResponse
    gain: SmoothField
    veil: SmoothField
    scatter: tuple[float, float, float]

    def with_table(self, table: ColourTable | None) -> ColourLight:
        """The same with this table of what its cubic leaves over."""
        return replace(self, response=replace(self.response, table=table))


def _weights(
    residual: F32, base: F32, reach: float, levels: list[NDArray[np.intp]]
) -> tuple[F32, F64]:
    """Tukey biweights (N,) over the channels' joint residual, and the middle scatter per channel.

    What lies `reach` scatters off has no weight. Samples are judged among those of their own of the
    `levels` of brightness: a haze over dark print is no reason to leave all dark print out.
    """
    weight = np.zeros(len(base), np.float32)
    scatters = []
    for here in levels:
        own = residual[here]
        # glare may cover two fifths of the panel, and only ever adds light: centre and scatter are
        # read from the darker side. In normal noise the 30th and 5th percentiles lie 1.12 apart.
        low, centre = quantiles(own, (0.05, 0.3))
        scatter = np.maximum((centre - low) / 1.12, _FLOOR / 2)
        apart = own - (centre + 0.4 * scatter).astype(np.float32)
        scaled = apart / scatter.astype(np.float32)
        # reflections only ever add light: what is too bright is distrusted sooner
        bright = np.where(scaled.mean(axis=1) > 0, np.float32(BRIGHT), np.float32(1))
        distance2 = np.mean((scaled * bright[:, None]) ** 2, axis=1)
        weight[here] = np.clip(1 - distance2 / reach**2, 0, None) ** 2
        scatters.append(scatter)
    return weight * base, np.median(scatters, axis=0)


def _levels(artwork: F32, base: F32) -> list[NDArray[np.intp]]:
    """Indices by level of brightness of the artwork's samples (N, 3) with any `base` weight (N,):
    quarters of them, and by themselves the darkest, palest and most saturated few, which a fit to
    the others draws farthest off."""
    light = artwork.mean(axis=1)
    level = np.searchsorted(np.quantile(light, _LEVELS), light)
    pure = np.ptp(artwork, axis=1)
    level[pure > np.quantile(pure, _PURE)] = len(_LEVELS) + 1
    level[base <= 0] = -1
    return [at for one in range(len(_LEVELS) + 2) if (at := np.flatnonzero(level == one)).size]


def _over_bins(centres: F64, spans: int) -> F64:
    """Basis of the surface (bins, (spans + 3)^2) at bins with these centres, row by row."""
    basis = spline_basis(centres, spans)
    return np.asarray(np.kron(basis, basis), np.float64)


def fit_colour_light(
    observed: F32, artwork: F32, place: F64, base_weight: F32, *, spans: int = 4
) -> ColourLight:
    """Fit the look on samples of the panel.

    `observed`, `artwork` (N, 3) float32 root light; `place` (N, 2) in 0..1 over the panel;
    `base_weight` (N,) float32, zero where a sample must not count.
    """
    look = _fitted(observed, artwork, place, base_weight, spans)
    counted = base_weight > 0
    kept = _contrast_kept(look.response, artwork[counted])
    if kept >= _LEAST_CONTRAST:
        return look
    weight = base_weight.copy()
    weight[counted] *= _less_lit(observed[counted], artwork[counted], place[counted])
    again = _fitted(observed, artwork, place, weight, spans)
    # what is least lit may be something that lies over the print, and then says even less of it
    return again if _contrast_kept(again.response, artwork[counted]) > kept else look


def _contrast_kept(response: ColourResponse, artwork: F32) -> float:
    """Share of the contrast between a picture's darkest and palest samples, as the logarithm of
    root light (N, 3), that the response keeps; 1 for a picture with next to none."""
    light = artwork.mean(axis=1)
    dark, pale = (np.quantile(light, share) for share in _ENDS) if light.size else (0.0, 0.0)
    drawn = max(float(dark), _DARKEST), float(pale)
    if drawn[1] < _FEW_TONES * drawn[0]:
        return 1.0
    ends = [artwork[light <= dark], artwork[light >= pale]]
    seen = [float(response.apply(np.ascontiguousarray(end[:, None])).mean()) for end in ends]
    seen = [max(one, _FLOOR) for one in seen]
    return float(np.log(seen[1] / seen[0]) / np.log(drawn[1] / drawn[0]))


def _less_lit(observed: F32, artwork: F32, place: F64) -> Mask:
    """Samples (N,) in the parts of the panel, eight by eight, that a glow leaves out: where like
    colours are hardly lighter than where they are darkest."""
    light, seen = artwork.mean(axis=1), observed.mean(axis=1)
    tone = np.searchsorted(np.quantile(light, np.arange(0.1, 0.95, 0.1)), light)
    part = np.clip(place * _PARTS, 0, _PARTS - 1).astype(np.intp) @ np.array([1, _PARTS])
    above = np.empty_like(seen)
    for one in np.unique(tone):
        here = tone == one
        above[here] = seen[here] - quantile(seen[here], 0.1)
    over = np.full(_PARTS**2, np.inf)
    for one in np.unique(part):
        over[one] = median(above[part == one])
    low, middle = quantiles(over[np.isfinite(over)], (0.03, 0.15))
    return np.asarray(over[part] <= middle + _GLOW * max(float(middle - low), _FLOOR))


def _fitted(observed: F32, artwork: F32, place: F64, base_weight: F32, spans: int) -> ColourLight:
    """The look by alternating robust least squares; arguments as for `fit_colour_light`."""
    x = terms(np.ascontiguousarray(artwork.T)).astype(np.float64)
    # the light is smooth, so that a sample's place need be known no better than to a small bin
    bins = np.clip(place * _BINS, 0, _BINS - 1).astype(np.intp) @ np.array([1, _BINS])
    centres = (np.arange(_BINS) + 0.5) / _BINS
    fine, coarse = _over_bins(centres, spans), _over_bins(centres, 1)
    nf, nc = fine.shape[1], coarse.shape[1]
    levels = _levels(artwork, base_weight)
    gain = np.ones((len(place), 3))
    veil = np.zeros(len(place))
    weight = base_weight.copy()
    size = nf + 3 * nc + nc
    coefficients = np.zeros(size)
    seen = observed.astype(np.float64)
    expected = seen
    matrix = np.zeros((3, 20))
    for turn in range(_ROUNDS):
        # light adds up in linear light: one Gauss-Newton step for colours, one for the light
        model, per_light, through = _secants(seen, expected * gain, veil)
        for c in range(3):
            # gain and veil lie on the response: fit it on what they leave of the photo
            on = gain[:, c] * through[:, c]
            target = seen[:, c] - model[:, c] + on * expected[:, c]
            w = weight * on
            rows = x * (w * on)
            total = float(weight.sum())
            left = rows @ x.T + np.diag(_RIDGE * total)
            matrix[c] = np.linalg.solve(left, x @ (w * target))
        expected = (matrix @ x).T
        model, per_light, through = _secants(seen, expected * gain, veil)
        own = expected * through
        target = seen - model + own * (gain - 1) + veil[:, None] * per_light
        left, right = _light_equations(
            fine, coarse, bins, own, per_light, target, weight.astype(np.float64)
        )
        total = float(weight.sum())
        # of utter black nothing would hold the light
        power = float(np.average((expected**2).sum(1), weights=weight + 1e-9))
        scale = max(power, _FLOOR**2) * total
        penalty = np.zeros((size, size))
        penalty[:nf, :nf] = scale * _STIFF[turn] * (1e-3 * roughness(spans + 3) + 1e-5 * np.eye(nf))
        for c in range(3):
            part = slice(nf + c * nc, nf + (c + 1) * nc)
            penalty[part, part] = scale * (1e-4 * roughness(4) + 1e-4 * np.eye(nc))
        part = slice(nf + 3 * nc, size)
        penalty[part, part] = total * (1e-3 * roughness(4) + 7e-4 * np.eye(nc))
        coefficients = np.asarray(np.linalg.solve(left + penalty, right), np.float64)
        shared = fine @ coefficients[:nf]
        for c in range(3):
            own = coarse @ coefficients[nf + c * nc : nf + (c + 1) * nc]
            gain[:, c] = (1 + shared + own)[bins]
        # mean light is one by definition: what is common goes into the response
        mean = np.average(gain, axis=0, weights=weight + 1e-9)
        gain /= mean
        expected *= mean
        matrix *= mean[:, None]
        veil = (coarse @ coefficients[nf + 3 * nc :])[bins]
        if turn < _ROUNDS - 1:
            # light that lies over all of the panel goes into the response: what is left is added
            even = quantile(veil, _UNVEILED)
            veil -= even
            lit = veiled(expected * gain, np.array(even))[0]
            expected = lit / np.maximum(gain, _LEAST_GAIN)
        residual = (seen - veiled(expected * gain, veil[:, None])[0]).astype(np.float32)
        if turn < _ROUNDS - 1:
            # the first fits are still far off in rare colours: nothing is thrown out early
            weight, scatter = _weights(residual, base_weight, _REACH[turn], levels)
    control = np.ones((spans + 3, spans + 3, 3)) + coefficients[:nf].reshape(
        spans + 3, spans + 3, 1
    )
    for c in range(3):
        extra = coefficients[nf + c * nc : nf + (c + 1) * nc].reshape(4, 4)
        control[:, :, c] += raise_spans(extra, spans)
    control /= mean
    veil_control = coefficients[nf + 3 * nc :].reshape(4, 4, 1)
    look = ColourLight(
        ColourResponse(matrix.astype(np.float32)),
        SmoothField(control),
        SmoothField(veil_control),
        (float(scatter[0]), float(scatter[1]), float(scatter[2])),
    )
    return look


def _secants(seen: F64, lit: F64, veil: F64) -> tuple[F64, F64, F64]:
    """Root light (N, 3) of the model, and its change per linear light and per root light of the
    print's own `lit`, each from model to `seen`.

    Roots differ by their squares' difference over their sum. So a veil of any strength over black
    comes out in one step, where the slope at black alone would take it for a fraction of itself.
    """
    model = veiled(lit, veil[:, None])[0]
    per_light = 1 / np.maximum(np.maximum(seen, 0) + model + 2 * ROOT_OFFSET, ROOT_OFFSET)
    return model, per_light, 2 * (np.maximum(lit, 0) + ROOT_OFFSET) * per_light


def _light_equations(
    fine: F64,
    coarse: F64,
    bins: NDArray[np.intp],
    own: F64,
    slope: F64,
    target: F64,
    weight: F64,
) -> tuple[F64, F64]:
    """Normal equations of gain (shared fine, coarse per channel) and veil, block by block, of
    which root light takes the shares `own` and `slope` (N, 3)."""
    nf, nc = fine.shape[1], coarse.shape[1]
    size = nf + 4 * nc
    left, right = np.zeros((size, size)), np.zeros(size)

    def sums(a: F64, b: F64) -> F64:
        """Weighted sums (bins, 3) of a product (N, 3) over the samples of each bin."""
        product = a * b * weight[:, None]
        return np.stack([np.bincount(bins, column, len(fine)) for column in product.T], axis=1)

    squared, crossed = sums(own, own), sums(own, slope)
    pull = sums(own, target)
    shared, veil = slice(0, nf), slice(nf + 3 * nc, size)
    left[shared, shared] = fine.T @ (fine * squared.sum(1)[:, None])
    right[shared] = fine.T @ pull.sum(1)
    left[veil, veil] = coarse.T @ (coarse * sums(slope, slope).sum(1)[:, None])
    right[veil] = coarse.T @ sums(slope, target).sum(1)
    left[shared, veil] = fine.T @ (coarse * crossed.sum(1)[:, None])
    for c in range(3):
        part = slice(nf + c * nc, nf + (c + 1) * nc)
        weighted = coarse * squared[:, c, None]
        left[part, part] = coarse.T @ weighted
        left[shared, part] = fine.T @ weighted
        left[part, veil] = coarse.T @ (coarse * crossed[:, c, None])
        right[part] = coarse.T @ pull[:, c]
    lower = np.tril_indices(size, -1)
    left[lower] = left.T[lower]
    return left, right


def sample_weights(gradient: F32, usable: Mask) -> F32:
    """Base weights: flat places count fully, edges little, unusable places not at all."""
    weight = 1 / (1 + (gradient / 0.03) ** 2)
    weight[~usable] = 0
    return np.asarray(weight, np.float32)
