"""One zone of the panel where more or less dye came over than on the rest.

In natural-log light the photo is the expected look, plus a smooth light field, plus density times
the share of it that is missing. All of it is linear, so one robust least-squares fit over the whole
panel finds the light, the missing share as a smooth surface, light added by the coating, and what
the colour response errs by, side by side, each held by a prior for what it can be (Tikhonov). A
picture of one tone tells light from dye nowhere, and the surface's own error says so.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..look.colour_response import terms
from ..look.light_field import roughness, spline_basis
from ..look.rootlight import root_from_linear
from ..ranks import median, quantile
from ..records import F32, F64, Mask

_SAMPLES = 3000
_ROUNDS = 4
_FLOOR = 0.004  # linear light: flare in the lens
_DARK = 0.03  # linear light under which flare and noise rule
_LIGHT_SPANS, _COARSE_SPANS, _LOSS_SPANS = 3, 1, 3
# prior scatter: bend and level of the light (ln), of each channel's own, of the share lost, of
# light added (linear), of the colour response (ln)
_LIGHT, _OWN, _LOSS = (0.25, 1.0), (0.1, 0.15), (0.15, 0.3)
_ADDED = (0.001, 0.05)
_RESPONSE = 0.3
_SHARED = 0.1  # of the samples speak for themselves: neighbours and like colours err alike
_LEAST_SCATTER = 0.01
_NODES = 4
_ROWS, _COLUMNS = 24, 32
_LEAST_SHARE, _LEAST_Z, _LEAST_ERROR = 0.08, 2.6, 0.03
_TRUSTED_SCATTER = 0.04  # ln light; beyond it the model misses something
_TRUSTED_ADDED = 0.01  # linear light, its scatter over the panel
_EDGE = 0.5  # of its depth, where a zone ends


@dataclass(frozen=True, slots=True)
class LossMap:
    """Share of the density that is missing over an even grid (rows, columns) of the panel, above
    0 where dye is missing, with its standard `error`; `added` is linear light that the coating adds
    there, `scatter` in ln light what no part of the model explains."""

    share: F64
    error: F64
    added: F64
    scatter: float


@dataclass(frozen=True, slots=True)
class Zone:
    """A `mask` (rows, columns) of the map's grid, the `share` of density missing at its deepest
    against the rest of the panel, below 0 where there is more, and that over its error, `z`."""

    mask: Mask
    share: float
    z: float


def far_zone(lost: LossMap) -> Zone | None:
    """The zone that stands out most, None where none does."""
    apart = lost.share - median(lost.share)
    z = np.abs(apart) / np.hypot(lost.error, _LEAST_ERROR)
    # where the coating throws light back, what is left of that passes for lost dye
    z /= max(1.0, lost.scatter / _TRUSTED_SCATTER, float(lost.added.std()) / _TRUSTED_ADDED)
    deepest = int(np.argmax(z))
    share, most = float(apart.ravel()[deepest]), float(z.ravel()[deepest])
    if abs(share) < _LEAST_SHARE or most < _LEAST_Z:
        return None
    over = (apart * np.sign(share) > _EDGE * abs(share)).astype(np.uint8)
    _, labels = cv2.connectedComponents(over, connectivity=4)
    return Zone(np.asarray(labels == labels.ravel()[deepest]), share, most)


def density_lost(seen: F32, due: F32, artwork: F32, usable: Mask) -> LossMap | None:
    """Where density is missing, from linear light (H, W, 3) of the photo, of the look that is due
    under even light, and of the artwork; `usable` (H, W) bool. None where too little is usable."""
    flat = np.flatnonzero(usable)
    if flat.size < 1000:
        return None
    rng = np.random.default_rng(0)
    flat = rng.choice(flat, min(_SAMPLES, flat.size), replace=False)
    height, width = usable.shape
    down, across = (flat // width + 0.5) / height, (flat % width + 0.5) / width
    photo, look = (image.reshape(-1, 3)[flat].astype(np.float64) for image in (seen, due))
    white = max(quantile(look, 0.999), 0.3)
    density = -np.log(np.clip((look + _FLOOR) / (white + _FLOOR), 1e-3, 1.0))
    light, coarse = _surface(down, across, _LIGHT_SPANS), _surface(down, across, _COARSE_SPANS)
    loss = _surface(down, across, _LOSS_SPANS)
    root = root_from_linear(np.ascontiguousarray(artwork.reshape(-1, 3)[flat]))
    colour = terms(np.ascontiguousarray(root.T)).T.astype(np.float64)
    target = np.log(np.maximum(photo, 0.001) + _FLOOR) - np.log(look + _FLOOR)
    trust = np.clip(look / _DARK, 0.1, 1.0)
    own = np.hstack([coarse, colour, _colours(root)])
    designs = [
        np.hstack(
            [light, loss * density[:, c, None], light / (look[:, c, None] + _DARK), own],
            dtype=np.float32,
            casting="same_kind",
        )
        for c in range(3)
    ]
    system = _System(designs, *_priors(light.shape[1], loss.shape[1], own.shape[1]))
    end = light.shape[1] + loss.shape[1]
    weight, scatter = trust**2, 0.05
    for _ in range(_ROUNDS):
        scale = weight * (_SHARED / scatter**2)
        off = np.abs(target - system.solve(target, scale)) * trust
        scatter = max(1.4826 * median(off), _LEAST_SCATTER)
        weight = trust**2 * np.minimum(1.0, 2 * scatter / np.maximum(off, 1e-9))
        # how much light the coating adds is learnt from the photo itself (empirical Bayes)
        added2 = float(np.mean(system.common[end:] ** 2 + np.diag(system.covariance)[end:]))
        added = float(np.clip(np.sqrt(max(added2, 0.0)), *_ADDED))
        system.prior[end:, end:] = np.eye(light.shape[1]) / added**2
    part = slice(light.shape[1], light.shape[1] + loss.shape[1])
    v, u = (np.arange(_ROWS) + 0.5) / _ROWS, (np.arange(_COLUMNS) + 0.5) / _COLUMNS
    grid = _surface(np.repeat(v, _COLUMNS), np.tile(u, _ROWS), _LOSS_SPANS)
    share = (grid @ system.common[part]).reshape(_ROWS, _COLUMNS)
    spread = system.covariance[part, part]
    # a variance that is nearly nothing may come out under it
    variance = np.maximum(np.einsum("ai,ij,aj->a", grid, spread, grid), 0)
    error = np.sqrt(variance).reshape(_ROWS, _COLUMNS)
    light_grid = _surface(np.repeat(v, _COLUMNS), np.tile(u, _ROWS), _LIGHT_SPANS)
    thrown = (light_grid @ system.common[end:]).reshape(_ROWS, _COLUMNS)
    return LossMap(share, error, thrown, scatter)


def _surface(down: F64, across: F64, spans: int) -> F64:
    """Basis (N, (spans + 3)^2) of a bicubic surface at places in 0..1."""
    both = np.einsum("ni,nj->nij", spline_basis(down, spans), spline_basis(across, spans))
    return np.asarray(both.reshape(len(down), -1))


def _colours(root: F32) -> F64:
    """Shares (N, used) that root light (N, 3) has in the nodes of a coarse cube of colours.

    A camera or a press that draws one colour wrongly does so wherever it is. A zone whose colours
    are nowhere else on the panel then says nothing.
    """
    at = np.clip(root.astype(np.float64), 0, 1)[:, :, None] * (_NODES - 1)
    tents = np.maximum(1 - np.abs(at - np.arange(_NODES)), 0)
    cube = np.einsum("ni,nj,nk->nijk", *tents.transpose(1, 0, 2)).reshape(len(root), -1)
    return np.asarray(cube[:, cube.sum(axis=0) > 1.0])


def _priors(light: int, loss: int, own_count: int) -> tuple[F64, F64]:
    """Inverse prior covariance of the common part and of a channel's own."""
    common = np.zeros((light + loss + light,) * 2)
    end = light + loss
    common[:light, :light] = _smooth(light, *_LIGHT)
    common[light:end, light:end] = _smooth(loss, *_LOSS)
    common[end:, end:] = np.eye(light) / _ADDED[1] ** 2
    coarse = (_COARSE_SPANS + 3) ** 2
    own = np.eye(own_count) / _RESPONSE**2
    own[:coarse, :coarse] = _smooth(coarse, *_OWN)
    return common, own


def _smooth(count: int, bend: float, level: float) -> F64:
    side = round(float(np.sqrt(count)))
    return roughness(side) / bend**2 + np.eye(count) / level**2


class _System:
    """Least squares of three channels that share some unknowns and have some of their own.

    Products of the samples are summed in float32, which errs by far less than the priors hold.
    """

    def __init__(self, designs: list[F32], prior: F64, prior_own: F64) -> None:
        self.count = prior.shape[0]
        self.designs = designs
        self.prior, self.prior_own = prior, prior_own
        self.common: F64 = np.zeros(prior.shape[0])
        self.covariance: F64 = np.eye(prior.shape[0])

    def solve(self, target: F64, weight: F64) -> F64:
        """Fit a target (N, 3) under weights (N, 3); returns what is drawn (N, 3).

        Each channel's own unknowns are eliminated first (Schur complement).
        """
        left, right = self.prior.copy(), np.zeros(self.count)
        parts = []
        common, own = slice(0, self.count), slice(self.count, None)
        for c, design in enumerate(self.designs):
            root = np.sqrt(weight[:, c, None]).astype(np.float32)
            weighted = design * root
            # a matrix by its own transpose, which takes half the work
            gram = (weighted.T @ weighted).astype(np.float64)
            pull = (weighted.T @ (target[:, c, None] * root).astype(np.float32)[:, 0]).astype(
                np.float64
            )
            inner = np.linalg.inv(gram[own, own] + self.prior_own)
            crossed = gram[common, own]
            left += gram[common, common] - crossed @ inner @ crossed.T
            right += pull[common] - crossed @ (inner @ pull[own])
            parts.append((inner, crossed, pull[own]))
        self.covariance = np.asarray(np.linalg.inv(left), np.float64)
        self.common = self.covariance @ right
        drawn = [
            design
            @ np.concatenate([self.common, inner @ (pull - crossed.T @ self.common)]).astype(
                np.float32
            )
            for design, (inner, crossed, pull) in zip(self.designs, parts, strict=True)
        ]
        return np.asarray(np.stack(drawn, axis=1), np.float64)
