"""Restless places with a light and a dark half: dimples, not mottle.

A dimple turns one flank to the light and the other from it. Mottle is light and dark by turns all
over, so that a plane through what is left of it explains next to nothing.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..imaging import gaussian
from ..look import Difference
from ..ranks import median
from ..records import F32, Candidate, Mask
from .patch_levels import PatchView
from .patch_measures import measure_patch
from .places import Place
from .same import around_both

_SMOOTH = 0.08  # of the place's own size
_TWO_FACED = 0.15  # of the variance; mottle of a vapour spot has a tenth at most
_LEAST_PX = 6
_CUT = 0.35  # of a flank's height
_LEAST_LOBE = 0.15  # of the other's height
_AROUND = 0.5  # of the place's own size
_SAME = 0.3  # of the larger place


def is_two_faced(left_over: F32, place: Place) -> bool:
    """Whether one half of a place is lighter than the other, by what is left over (H, W), signed,
    once its neighbourhood's light was forgiven."""
    smooth = _smoothed(left_over, place)
    y, x = np.nonzero(place.mask)
    level = smooth[place.mask].astype(np.float64)
    level -= level.mean()
    design = np.column_stack([x - x.mean(), y - y.mean()])
    plane = design @ np.linalg.lstsq(design, level, rcond=None)[0]
    return float(plane @ plane) > _TWO_FACED * max(float(level @ level), 1e-12)


def find_dimple(
    difference: Difference, view: PatchView, place: Place, peak: float
) -> tuple[Candidate, tuple[Place, Place]] | None:
    """The candidate of a place that is a dimple, measured on its stronger flank, in the box around
    both, and the flanks' own places; None where its halves are not one lighter and one darker than
    expected."""
    smooth = _smoothed(difference.left_over, place)
    flanks: list[tuple[Candidate, Place]] = []
    for sign in (1, -1):
        height = smooth * np.float32(sign)
        half = np.asarray(place.mask & (height > _CUT * max(float(height[place.mask].max()), 0.0)))
        if half.sum() < _LEAST_PX:
            return None
        where = Place.of(half, place.x0, place.y0)
        flank = measure_patch(difference, view, where, sign, peak)
        if flank is None or flank.features["delta_l"] * sign <= 0:
            return None
        flanks.append((flank, where))
    flanks.sort(key=lambda one: -abs(one[0].features["delta_l"]))
    strong, weak = flanks[0][0], flanks[1][0]
    lobe = abs(weak.features["delta_l"] / strong.features["delta_l"])
    if lobe < _LEAST_LOBE:
        return None
    if _seen_from_outside(view, place, flanks[0][1], flanks[1][1]) < _LEAST_LOBE:
        return None
    whole = around_both(strong, weak)
    measured = {
        "eq_diameter_mm": float(2 * np.sqrt(whole.area_mm2 / np.pi)),
        "opposite_lobe": lobe,
        # each flank is the other's lobe
        "rim_contrast": max(one.features.get("rim_contrast", 0.0) for one in (strong, weak)),
    }
    whole = replace(whole, features=whole.features | measured)
    return whole, (flanks[0][1], flanks[1][1])


def _seen_from_outside(view: PatchView, place: Place, strong: Place, weak: Place) -> float:
    """How far the weaker flank lies on the other side of what is around the whole place, over how
    far the stronger one does: each flank's own surroundings hold the other."""
    wide = place.grown(int(np.ceil(_AROUND * np.sqrt(place.count))) + 2, view.usable.shape)
    here, ring = view.residual[wide.window], view.usable[wide.window] & ~wide.mask
    if ring.sum() < _LEAST_PX:
        return 1.0
    usual = median(here[ring])
    high, low = (
        float(view.residual[one.window][one.mask].mean()) - usual for one in (strong, weak)
    )
    return -low / high if high else 0.0


def is_flank(place: Place, flanks: tuple[Place, Place]) -> bool:
    """Whether a place is much the same as a dimple's flank."""
    return any(place.shared(one) > _SAME * max(place.count, one.count) for one in flanks)


def _smoothed(left_over: F32, place: Place) -> F32:
    here: Mask = place.mask
    sigma = max(_SMOOTH * float(np.sqrt(here.sum())), 1.0)
    return gaussian(left_over[place.window] * here, sigma)
