"""Light thrown back by the coating, or dye that is missing?

In linear light, as a share of what the bare white base would send back, an even reflection adds the
same to every colour; lost dye scales the density, so that it adds most to middle tones and nothing
to white. Which of the two draws the difference better, neighbourhood by neighbourhood, needs a
picture with more than one tone there. Where both do as well as each other nothing can be said
(local regression of the photo on the expected look; density after Beer and Lambert).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..imaging import distance_inside, gaussian, reduced, summed
from ..look.rootlight import linear_from_root
from ..ranks import median
from ..records import F32, Mask

_SOFTEN_MM = 0.4  # vapour blurs detail, which neither of them draws
_WINDOW = 0.08  # of the patch's diameter, so that the patch itself is even within it
_WINDOW_PX = (2.5, 16.0)
_SOFT_PX, _WIDE_PX = 2.0, 40.0
_ENOUGH = 20  # px
_DARKEST = 0.004  # share of white
_TELLING = 4.0  # times the noise by which the worse of the two must fail


def light_share(
    observed: F32, expected: F32, white: F32, mask: Mask, ring: Mask, px_per_mm: float
) -> float | None:
    """How much better added light draws a patch (H, W) than lost dye: 0.5 alike, 1 light alone, 0
    dye alone; None where the picture cannot tell.

    Root light (H, W, 3) of photo, expectation and lit white. The ring (H, W) around the patch tells
    what the expectation errs by itself.
    """
    if ring.sum() < 30:
        return None
    soft = max(_SOFTEN_MM * px_per_mm, 0.7)
    across = 2 * np.sqrt(float(mask.sum()) / np.pi)
    # of a wide patch, made so soft, every second pixel says it all
    step = 2 if soft > _SOFT_PX and across > _WIDE_PX else 1
    height, width = mask.shape[0] // step, mask.shape[1] // step
    mask, ring = (part[::step, ::step][:height, :width] for part in (mask, ring))
    sigma = float(np.clip(_WINDOW * across, *_WINDOW_PX)) / step
    core = distance_inside(mask) > min(sigma, 0.2 * across / step)
    if core.sum() < _ENOUGH or not ring.any():
        return None
    lit = np.maximum(white, np.float32(0.02))
    lit = np.maximum(linear_from_root(lit, lit), np.float32(1e-3), out=lit)
    seen, due = (
        gaussian(reduced(linear_from_root(np.maximum(image, 0)) / lit, step), soft / step)
        for image in (observed, expected)
    )
    apart = np.asarray(seen - due, np.float32)
    dye = -due * np.log(np.clip(due, _DARKEST, 1.0))

    def window(image: F32) -> F32:
        return gaussian(summed(image), sigma)

    energy = window(apart * apart)

    def left(taken: NDArray[np.floating]) -> tuple[float, float]:
        rest = np.maximum(energy - taken, 0)
        return float(rest[core].mean()), median(rest[ring])

    # light is alike in all three channels
    light, noise = left(window(apart) ** 2 / 3)
    lost, noise_lost = left(window(dye * apart) ** 2 / np.maximum(window(dye * dye), 1e-7))
    noise = max(noise, noise_lost, 1e-8)
    if max(light, lost) < _TELLING * noise:
        return None
    light, lost = (max(v - noise, 0.25 * noise) for v in (light, lost))
    return lost / (light + lost)
