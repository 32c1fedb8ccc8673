"""The look that a fixed camera has learnt: this shop's colours under this light, absolutely.

Model, in natural-log light, per channel c, of artwork root light a at photo place u:

    ln photo_c = sum over k of curve_ck(a_k) + rest_c(a) + gain_c(u) + tone_c(u) * rho_c

Dye amounts add in density, and each dye goes by a channel of the file (Beer-Lambert), so that the
response is a sum of curves, which few panels teach also for colours that none of them has; `rest`
is a small held-back table of what such a sum cannot draw. `gain` is the light over the photo
(flat-field calibration, common practice). A camera's tone curve and stray light make it depend on
brightness a little: `tone`, by the expected root light rho. All of it is linear but for the table
and fitted over all taught panels together, so that no picture's colours pass for light.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..look.colour_table import ColourTable
from ..look.light_field import roughness, spline_basis
from ..look.rootlight import TOP
from ..records import F32, F64
from .samples import PanelSamples

FLOOR = 0.004  # linear light: flare in the lens
DARK = 0.01  # linear light under which noise rules
CURVE_SPANS, GAIN_SPANS, TONE_SPANS = 7, 4, 1
_CURVES, _GAIN, _TONE = 3 * (CURVE_SPANS + 3), (GAIN_SPANS + 3) ** 2, (TONE_SPANS + 3) ** 2
_MOST = 30_000  # samples fitted at once
_TURNS = 4
# prior scatter, ln light: bend of a curve, bend and level of the gain, of the tone's gain, a
# panel's own level
_CURVE_BEND = 0.35
_GAIN_BEND, _GAIN_LEVEL = 0.05, 0.5
_TONE_BEND, _TONE_LEVEL = 0.05, 0.15
_OWN_LEVEL = 0.015
_HELD = 1e-4  # of a light that is known
_NOISE = 0.04  # what colours that the model draws wrongly leave over, ln light
_ALIKE = 0.15  # of the samples speak for themselves: like colours err alike
_REACH = 4.0
_COLOURS, _TOGETHER = 14, 12.0  # cells each way; samples of a panel that count in one


@dataclass(frozen=True, slots=True)
class TaughtLook:
    """What artwork turns into under the taught light, all in natural-log light.

    `curves` (3, 3, 10) float64: control points by photo channel, then artwork channel. `table` is
    the rest. `gain` (3, 7, 7) and `tone` (3, 4, 4) float64 are control points down then across the
    photo.
    """

    curves: F64
    table: ColourTable | None
    gain: F64
    tone: F64

    def even(self, artwork: F32) -> F64:
        """ln light (N, 3) of artwork root light (N, 3) under even light."""
        out = _curve_basis(artwork) @ self.curves.reshape(3, -1).T
        if self.table is not None:
            rest = np.zeros((3, len(artwork)), np.float32)
            self.table.add_to(rest, np.ascontiguousarray(artwork.T))
            out += rest.T
        return np.asarray(np.clip(out, -7.0, 1.0), np.float64)

    def light(self, artwork: F32, photo_at: F64) -> F64:
        """ln light (N, 3) of artwork root light (N, 3) at photo places (N, 2) in 0..1."""
        even = self.even(artwork)
        gain = surface(photo_at, GAIN_SPANS) @ self.gain.reshape(3, -1).T
        tone = surface(photo_at, TONE_SPANS) @ self.tone.reshape(3, -1).T
        return np.asarray(even + gain + tone * _rho(even), np.float64)


def surface(at: F64, spans: int) -> F64:
    """Basis (N, (spans + 3)^2) of a bicubic surface at places (N, 2) in 0..1, across then down."""
    across, down = spline_basis(at[:, 0], spans), spline_basis(at[:, 1], spans)
    return np.asarray(np.einsum("ni,nj->nij", down, across).reshape(len(at), -1), np.float64)


def ln_light(light: F64) -> F64:
    """Natural log of linear light, calm in the dark."""
    return np.asarray(np.log(np.maximum(light, 0) + FLOOR), np.float64)


def trusted(due: F64) -> F64:
    """Share of a change of the print that shows over flare and noise at expected ln light."""
    light = np.exp(due)
    return np.asarray(np.maximum(light - FLOOR, 0) / (light + DARK), np.float64)


def _rho(even: F64) -> F64:
    return np.asarray(np.exp(0.5 * even) - 0.5, np.float64)


def _curve_basis(artwork: F32) -> F64:
    """Basis (N, 30) of the three curves at artwork root light (N, 3)."""
    at = np.clip(artwork.astype(np.float64) / TOP, 0, 1)
    return np.hstack([spline_basis(at[:, k], CURVE_SPANS) for k in range(3)])


def fit_look(
    panels: Sequence[PanelSamples], held: TaughtLook | None = None
) -> tuple[TaughtLook, F64]:
    """The look that draws all panels, and each panel's own level (P, 3), ln light, against it.

    Under a `held` look's light only colours are fitted. Raises ValueError where there is no panel.
    """
    if not panels:
        raise ValueError("there is no panel to learn from.")
    part = min(1.0, _MOST / sum(len(p.light) for p in panels))
    rng = np.random.default_rng(0)
    some = [p.some(rng.random(len(p.light)) < part) for p in panels]
    owner = np.repeat(np.arange(len(some)), [len(p.light) for p in some])
    target = ln_light(np.concatenate([p.light for p in some]))
    artwork = np.concatenate([p.artwork for p in some])
    at = np.concatenate([p.photo_at for p in some])
    share = _shares(artwork, owner)
    curves, gain = _curve_basis(artwork), surface(at, GAIN_SPANS)
    tone, own = surface(at, TONE_SPANS), np.eye(len(some))[owner]
    prior = _prior(len(some), held is not None)
    if held is not None:
        target = target - gain @ held.gain.reshape(3, -1).T
    look = TaughtLook(
        np.zeros((3, 3, CURVE_SPANS + 3)),
        None,
        np.zeros((3, GAIN_SPANS + 3, GAIN_SPANS + 3)),
        np.zeros((3, TONE_SPANS + 3, TONE_SPANS + 3)),
    )
    level = np.zeros((len(some), 3))
    even, weight = target.copy(), np.ones(target.shape)
    for turn in range(_TURNS):
        rho, trust = _rho(even), trusted(even)
        rest = look.even(artwork) - curves @ look.curves.reshape(3, -1).T if turn else 0 * target
        off = np.empty_like(target)
        for c in range(3):
            design = np.hstack([curves, gain, tone * rho[:, c, None], own])
            w = share * weight[:, c] * trust[:, c] ** 2 * _ALIKE / _NOISE**2
            weighted = design * w[:, None]
            solved = np.linalg.solve(
                weighted.T @ design + prior, weighted.T @ (target[:, c] - rest[:, c])
            )
            parts = np.split(solved, np.cumsum([_CURVES, _GAIN, _TONE]))
            look.curves[c] = parts[0].reshape(look.curves[c].shape)
            look.gain[c] = parts[1].reshape(look.gain[c].shape)
            look.tone[c] = parts[2].reshape(look.tone[c].shape)
            level[:, c] = parts[3]
            off[:, c] = target[:, c] - design @ solved
        table = ColourTable.fit(artwork, off.astype(np.float32), _table_weight(off, share, trust))
        look = TaughtLook(look.curves, table, look.gain, look.tone)
        even = look.even(artwork)
        off = (target - look.light(artwork, at) - level[owner]) * trust
        scatter = np.maximum(1.4826 * np.median(np.abs(off), axis=0), 0.01)
        weight = np.square(np.clip(1 - np.square(off / (_REACH * scatter)), 0.0, None))
        weight = np.repeat(weight.min(axis=1, keepdims=True), 3, axis=1)
    if held is not None:
        look = TaughtLook(look.curves, look.table, held.gain, held.tone)
    return look, level


def fit_gain(target: F64, photo_at: F64) -> F64:
    """Control points (3, 7, 7) of the gain that one white panel's ln light (N, 3) at photo places
    (N, 2) shows, its mean 0; dust and dents have no say."""
    basis = surface(photo_at, GAIN_SPANS)
    prior = roughness(GAIN_SPANS + 3) / _GAIN_BEND**2 + np.eye(_GAIN) / _GAIN_LEVEL**2
    centred = target - np.median(target, axis=0)
    weight = np.ones(len(centred))
    solved: F64 = np.zeros((_GAIN, 3))
    for _ in range(_TURNS):
        weighted = basis * (weight / _NOISE**2)[:, None]
        solved = np.asarray(np.linalg.solve(weighted.T @ basis + prior, weighted.T @ centred))
        off = centred - basis @ solved
        scatter = max(1.4826 * float(np.median(np.abs(off))), 0.003)
        weight = np.square(np.clip(1 - np.square(off / (_REACH * scatter)), 0, None)).min(axis=1)
    return np.asarray(solved.T.reshape(3, GAIN_SPANS + 3, GAIN_SPANS + 3), np.float64)


def _table_weight(off: F64, share: F32, trust: F64) -> F32:
    calm = off * trust
    scatter = np.maximum(1.4826 * np.median(np.abs(calm), axis=0), 0.01)
    kept = np.clip(1 - np.square(calm / (_REACH * scatter)).mean(axis=1), 0, None) ** 2
    return np.asarray(share * kept * trust.min(axis=1) ** 2, np.float32)


def _prior(panels: int, light_held: bool) -> F64:
    """Inverse prior covariance of one channel's unknowns."""
    size = _CURVES + _GAIN + _TONE + panels
    out = np.zeros((size, size))
    second = np.diff(np.eye(CURVE_SPANS + 3), n=2, axis=0)
    for k in range(3):
        part = slice(k * (CURVE_SPANS + 3), (k + 1) * (CURVE_SPANS + 3))
        # three curves share one level: a slight pull to zero settles whose it is
        out[part, part] = second.T @ second / _CURVE_BEND**2 + 1e-3 * np.eye(CURVE_SPANS + 3)
    start = _CURVES
    for count, bend, one in (
        (_GAIN, _GAIN_BEND, _GAIN_LEVEL),
        (_TONE, _TONE_BEND, _TONE_LEVEL),
    ):
        part = slice(start, start + count)
        side = round(float(np.sqrt(count)))
        loose = _HELD if light_held else one
        out[part, part] = roughness(side) / bend**2 + np.eye(count) / loose**2
        start += count
    out[start:, start:] = np.eye(panels) / _OWN_LEVEL**2
    return out


def _shares(artwork: F32, owner: NDArray[np.intp]) -> F32:
    """Weights (N,): one panel's samples of one colour together count for no more than a few."""
    cell = np.clip(artwork / TOP * _COLOURS, 0, _COLOURS - 1).astype(np.intp)
    code = ((owner * _COLOURS + cell[:, 0]) * _COLOURS + cell[:, 1]) * _COLOURS + cell[:, 2]
    _, group, count = np.unique(code, return_inverse=True, return_counts=True)
    return np.asarray(np.minimum(1.0, _TOGETHER / count)[group], np.float32)
