"""Changes as a person sees them, and over what good panels scatter: the whole panel, and a zone."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..colour import ciede2000, lab_from_linear
from ..records import F32, F64, Mask
from .changes import COLUMNS, ROWS, Changes, cell_of

# lightness, red against blue, green against both: of a change in ln light of the channels
CONTRASTS = np.array([[1, 1, 1], [1.5, 0, -1.5], [-0.75, 1.5, -0.75]]) / 3
_FLICKERS = 1.0  # an exposure that is off by as many scatters is taken for flicker
_EDGE = 0.5  # of its height, where a zone ends
_WHITE = np.log(0.9)  # a white coating, so that what is lighter than it has room
_LEAST_CELLS = 0.015  # of the panel
_SURE = 5.0  # scatters beyond which a place is no surer
_ALIKE = 0.5  # of the mean change, from which a place counts as changed alike


@dataclass(frozen=True, slots=True)
class Spread:
    """How much good panels differ among each other beside what a fit's own errors explain, one
    standard deviation of each contrast: `whole` (3,), and of places `zone` (3,)."""

    whole: F64
    zone: F64


@dataclass(frozen=True, slots=True)
class Seen:
    """A change as seen: mean and greatest CIEDE2000, mean lightness and chroma change, how many of
    the scatters among good panels it stands off, and the share of the panel that has it. `mask`
    (ROWS, COLUMNS) bool is where; None for the whole panel."""

    delta_e00: float
    peak_de00: float
    delta_l: float
    delta_c: float
    scatters: float
    uniformity: float
    mask: Mask | None = None
    light_share: float | None = None


def whole_change(changes: Changes, spread: Spread) -> Seen:
    """What the whole panel has alike."""
    contrast = CONTRASTS @ changes.whole
    error = CONTRASTS @ changes.whole_error @ CONTRASTS.T
    off = np.abs(contrast) / np.sqrt(np.diag(error) + spread.whole**2)
    flicker = float(np.clip(contrast[0], *(np.array([-1, 1]) * _FLICKERS * spread.whole[0])))
    seen = changes.of_whole - flicker
    lab, changed = _lab(changes.due), _lab(changes.due + seen)
    delta = ciede2000(changed, lab)
    with_place = ciede2000(_lab(changes.due + seen + changes.of_place), lab)
    return Seen(
        float(delta.mean()),
        float(np.quantile(delta, 0.98)),
        float((changed - lab)[:, 0].mean()),
        float((np.hypot(*changed[:, 1:].T) - np.hypot(*lab[:, 1:].T)).mean()),
        float(off.max()),
        float((with_place > _ALIKE * delta).mean()),
    )


def scatters_of_places(changes: Changes, spread: Spread) -> F64:
    """How many scatters each place (ROWS, COLUMNS) stands off the rest of its panel."""
    contrast = changes.apart @ CONTRASTS.T
    error = np.einsum("ki,rcij,kj->rck", CONTRASTS, changes.apart_error, CONTRASTS)
    off = np.abs(contrast) / np.sqrt(error + spread.zone**2)
    return np.asarray(np.where(changes.seen, off.max(axis=2), 0.0), np.float64)


def zone_change(changes: Changes, spread: Spread, panel_at: F64) -> Seen | None:
    """The zone that a person sees most; None where there is none. `panel_at` (N, 2) are the
    samples' places on the panel."""
    lab = _lab(changes.due + changes.of_whole)
    changed = _lab(changes.due + changes.of_whole + changes.of_place)
    delta = ciede2000(changed, lab)
    cell = cell_of(panel_at)
    count = np.maximum(np.bincount(cell, minlength=ROWS * COLUMNS), 1)

    def mean(values: F64 | F32) -> F64:
        total = np.bincount(cell, values, ROWS * COLUMNS) / count
        return np.asarray(total.reshape(ROWS, COLUMNS), np.float64)

    off = scatters_of_places(changes, spread)
    seen = mean(delta)
    # what is seen and sure: a place of few colours may seem far off and be unsure
    peak = int(np.argmax(seen * np.minimum(off, _SURE)))
    row, column = divmod(peak, COLUMNS)
    field = changes.field * np.sign(changes.field[row, column])
    over = field > _EDGE * field[row, column]
    _, labels = cv2.connectedComponents(over.astype(np.uint8), connectivity=4)
    mask: Mask = np.asarray(labels == labels[row, column]) & over
    inside = mask.ravel()[cell]
    if not inside.any() or mask.mean() < _LEAST_CELLS:
        return None
    chroma = np.hypot(*changed[:, 1:].T) - np.hypot(*lab[:, 1:].T)
    return Seen(
        float(delta[inside].mean()),
        float(np.quantile(delta[inside], 0.98)),
        float((changed - lab)[inside, 0].mean()),
        float(chroma[inside].mean()),
        float(np.quantile(off[mask & changes.seen], 0.9)),
        float(mask.mean()),
        mask,
        _light_share(changes, inside) if changes.field[row, column] > 0 else None,
    )


def _light_share(changes: Changes, inside: Mask) -> float:
    """How much better light that the coating adds draws a zone than lost dye does."""
    left = []
    for drawn in (-changes.due[inside], np.exp(-changes.due[inside])):
        target = changes.beside[inside]
        weight = changes.trust[inside] ** 2
        share = (weight * drawn * target).sum() / max(float((weight * drawn**2).sum()), 1e-9)
        left.append(float((weight * np.square(target - share * drawn)).sum()))
    return left[0] / max(sum(left), 1e-12)


def _lab(ln_light: F64) -> F32:
    return lab_from_linear(np.clip(np.exp(ln_light + _WHITE), 0, 1).astype(np.float32))
