"""Light thrown back by the coating, dye that is missing, or a face turned from the light?

In linear light, as a share of what the bare white base would send back, an even reflection adds the
same to every colour; lost dye scales the density, so that it adds most to middle tones and nothing
to white; a turned face multiplies every colour alike. Which of the three draws the difference best,
neighbourhood by neighbourhood, needs a picture with more than one tone there. Where all do as well
as each other nothing can be said (local regression of the photo on the expected look; density after
Beer and Lambert).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..imaging import distance_inside, gaussian
from ..look.rootlight import linear_from_root
from ..records import F32, Mask

_SOFTEN_MM = 0.4  # vapour blurs detail, which neither light nor dye loss draws
_WINDOW = 0.08  # of the patch's diameter, so that the patch itself is even within it
_WINDOW_PX = (2.5, 16.0)
_ENOUGH = 20  # px
_DARKEST = 0.004  # share of white
_TELLING = 4.0  # times the noise by which the worst of the three must fail


@dataclass(frozen=True, slots=True)
class Shares:
    """0..1 each, 1 where that alone draws the difference: light added, or a turned face, against
    dye lost."""

    light: float
    shade: float


def light_or_dye(
    observed: F32, expected: F32, white: F32, mask: Mask, ring: Mask, px_per_mm: float
) -> Shares | None:
    """Which of the three draws a patch (H, W) best; None where the picture cannot tell.

    Root light (H, W, 3) of photo, expectation and lit white. The ring (H, W) around the patch tells
    what the expectation errs by itself.
    """
    if ring.sum() < 30:
        return None
    soft = max(_SOFTEN_MM * px_per_mm, 0.7)
    lit = np.maximum(linear_from_root(np.maximum(white, 0.02)), 1e-3)
    seen = gaussian(np.asarray(linear_from_root(np.maximum(observed, 0)) / lit, np.float32), soft)
    due = gaussian(np.asarray(linear_from_root(np.maximum(expected, 0)) / lit, np.float32), soft)
    apart = np.asarray(seen - due, np.float32)
    dye = -due * np.log(np.clip(due, _DARKEST, 1.0))
    across = 2 * np.sqrt(float(mask.sum()) / np.pi)
    sigma = float(np.clip(_WINDOW * across, *_WINDOW_PX))

    def window(image: F32) -> F32:
        return gaussian(np.ascontiguousarray(image.sum(axis=2), np.float32), sigma)

    core = distance_inside(mask) > min(sigma, 0.2 * across)
    if core.sum() < _ENOUGH:
        return None
    energy = window(apart * apart)

    def left(shape: F32) -> tuple[float, float]:
        taken = window(shape * apart) ** 2 / np.maximum(window(shape * shape), 1e-7)
        rest = np.maximum(energy - taken, 0)
        return float(rest[core].mean()), float(np.median(rest[ring]))

    light, noise = left(np.ones_like(apart))
    lost, noise_lost = left(np.asarray(dye, np.float32))
    shade, noise_shade = left(due)
    noise = max(noise, noise_lost, noise_shade, 1e-8)
    if max(light, lost, shade) < _TELLING * noise:
        return None
    light, lost, shade = (max(v - noise, 0.25 * noise) for v in (light, lost, shade))
    return Shares(lost / (light + lost), lost / (shade + lost))
