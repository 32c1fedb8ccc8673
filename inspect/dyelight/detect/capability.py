"""How small a speck and how faint a spot this photo could have shown."""

from __future__ import annotations

import numpy as np

from ..colour import ciede2000, lab_from_linear
from ..imaging import some_of
from ..look import Difference
from ..look.rootlight import linear_from_root
from ..ranks import median, quantile
from ..records import F32
from .marks import HIGH_BAR as MARK_BAR
from .patch_levels import spot_scatter
from .patches import HIGH_BAR as PATCH_BAR

_SURE = 1.28  # a normal score this far over the bar is over it nine times in ten
_SPECK_DE00 = 6.0


def smallest_speck_mm(difference: Difference, per_root: float) -> float | None:
    """Diameter of a round speck of ΔE00 6 found nine times in ten, in mm; None where none is.

    A disc of area A through a blur of sigma b has matched-filter energy c^2 A^2 / (A + 4 pi b^2),
    exact for small and for large discs (the filter being as wide as the blurred disc).
    `per_root` is the panel's ΔE00 per root light (`de00_per_root`).
    """
    frame = difference.photo
    if not frame.usable.any():
        return None
    contrast = _SPECK_DE00 / per_root
    # nine places in ten are at least this calm
    sigma = quantile(some_of(frame.sigma, frame.usable), 0.8)
    need = ((MARK_BAR + _SURE) * sigma / contrast) ** 2
    blur_area = 4 * np.pi * max(frame.blur_px, 0.8) ** 2
    area_px = (need + np.sqrt(need**2 + 4 * need * blur_area)) / 2
    return float(max(2 * np.sqrt(area_px / np.pi) / frame.px_per_mm, 0.1))


def faintest_spot_de00(difference: Difference, per_root: float) -> float | None:
    """ΔE00 of a soft spot 5 mm across found nine times in ten; None where nothing is usable."""
    scatter = spot_scatter(difference, 5.0)
    if scatter is None:
        return None
    return float((PATCH_BAR + _SURE) * scatter * per_root)


def de00_per_root(difference: Difference) -> float:
    """ΔE00 per unit of root light added to all channels, median over the panel."""
    frame = difference.panel
    usable = frame.inside & frame.printed
    if not usable.any():
        return 100.0
    some = np.flatnonzero(usable)[::50]
    due: F32 = np.maximum(frame.expected.reshape(-1, 3)[some], 0).reshape(1, -1, 3)
    step = np.float32(0.02)
    before = lab_from_linear(np.clip(linear_from_root(due), 0, 1))
    after = lab_from_linear(np.clip(linear_from_root(due + step), 0, 1))
    return max(median(ciede2000(before, after)) / float(step), 1.0)
