"""How much good panels differ among each other, measured on panels that the look did not see.

The panels are cut into parts, and each part is held against a look learnt from the others
(cross-validation), as every later panel will be new to the teaching too.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.stats import chi2

from ..records import F64
from .changes import Changes, Doubtful, changes_of, colour_code, light_class
from .limits import TeachLimits
from .look import TaughtLook, fit_look, ln_light, trusted
from .samples import PanelSamples
from .use import LEVEL, TILT
from .verdicts import CONTRASTS, Seen, Spread, whole_change, zone_change

_PARTS = 5
# before anything was measured: errors of colours, dark to light (ln)
START_COLOUR = np.array([0.06, 0.03, 0.025, 0.02])
# scatter that is taken where one panel tells none, and the least that is believed
START_WHOLE, START_ZONE = np.array([0.02, 0.02, 0.01]), np.array([0.01, 0.01, 0.006])
_LEAST_WHOLE, _LEAST_ZONE = np.array([0.004, 0.004, 0.003]), np.array([0.003, 0.003, 0.002])
# stray light in the lens goes by the picture, and shows most where it is dark
_LEAST_COLOUR = np.array([0.05, 0.02, 0.01, 0.008])
_LEAST_CELL = 8  # samples that tell a colour's error
_SURE = 0.9  # how surely the scatter is not larger than it is taken for


def crossed(even: Sequence[PanelSamples]) -> tuple[F64, list[Changes]]:
    """Errors of colours (4,), and each panel's changes against a look that did not see it."""
    parts = min(_PARTS, len(even))
    looks: list[TaughtLook] = [
        fit_look([one for number, one in enumerate(even) if number % parts != part])[0]
        for part in range(parts)
    ]
    colour = START_COLOUR
    changes: list[Changes] = []
    for turn in range(2):
        doubtful = Doubtful(LEVEL, TILT, colour)
        changes = [changes_of(one, looks[k % parts], doubtful) for k, one in enumerate(even)]
        if turn == 0:
            colour = _colour_error(even, looks, changes)
    return colour, changes


def _colour_error(
    even: Sequence[PanelSamples], looks: Sequence[TaughtLook], changes: Sequence[Changes]
) -> F64:
    """What looks err by in one colour of a panel that they did not see, by class of light."""
    errors: list[list[float]] = [[] for _ in START_COLOUR]
    for number, (samples, change) in enumerate(zip(even, changes, strict=True)):
        look = looks[number % len(looks)]
        due = look.light(samples.artwork, samples.photo_at)
        off = ln_light(samples.light) - due - change.of_whole - change.of_place
        trust = np.square(trusted(due))
        code = colour_code(samples.artwork)
        _, index, count = np.unique(code, return_inverse=True, return_counts=True)
        light = np.bincount(index, due.mean(axis=1)) / count
        means = np.stack(
            [
                np.bincount(index, off[:, c] * trust[:, c])
                / np.maximum(np.bincount(index, trust[:, c]), 1e-6)
                for c in range(3)
            ],
            axis=1,
        )
        for cell in np.flatnonzero(count >= _LEAST_CELL):
            errors[int(light_class(light[cell : cell + 1])[0])] += means[cell].tolist()
    out = START_COLOUR.copy()
    for k, values in enumerate(errors):
        if len(values) > 3 * _PARTS:
            size = np.abs(values)
            # a few colours far off must not stand for all
            kept = np.minimum(size, 4 * np.median(size))
            out[k] = max(float(np.sqrt(np.square(kept).mean())), _LEAST_COLOUR[k])
    return out


def spread_of(changes: Sequence[Changes]) -> Spread:
    """What good panels scatter by beside the fits' own errors, taken for as large as it may be."""
    count = len(changes)
    surely = float(np.sqrt((count - 1) / chi2.ppf(1 - _SURE, count - 1)))
    whole = np.array([CONTRASTS @ one.whole for one in changes])
    error = np.array([np.diag(CONTRASTS @ one.whole_error @ CONTRASTS.T) for one in changes])
    places, place_error = [], []
    for one in changes:
        places.append(np.square(one.apart[one.seen] @ CONTRASTS.T).mean(axis=0))
        own = np.einsum("ki,nij,kj->nk", CONTRASTS, one.apart_error[one.seen], CONTRASTS)
        place_error.append(own.mean(axis=0))
    zone = np.mean(places, axis=0) - np.mean(place_error, axis=0)
    beside = np.square(whole).mean(axis=0) - error.mean(axis=0)
    return Spread(
        surely * np.sqrt(np.maximum(beside, _LEAST_WHOLE**2)),
        surely * np.sqrt(np.maximum(zone, _LEAST_ZONE**2)),
    )


def worst(
    changes: Sequence[Changes], even: Sequence[PanelSamples], limits: TeachLimits
) -> tuple[int, Seen] | None:
    """The panel that stands out of the others most, held against their scatter without it."""
    found: tuple[int, Seen] | None = None
    for number, one in enumerate(changes):
        others = spread_of([other for k, other in enumerate(changes) if k != number])
        both = (
            whole_change(one, others),
            zone_change(one, others, even[number].panel_at),
        )
        for seen in both:
            if (
                seen is not None
                and seen.delta_e00 > limits.outlier_de00.value
                and seen.scatters > limits.outlier_scatters.value
                and (found is None or seen.delta_e00 > found[1].delta_e00)
            ):
                found = number, seen
    return found
