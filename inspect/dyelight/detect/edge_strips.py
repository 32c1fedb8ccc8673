"""One side of the panel read across its edge: what the photo shows there, what the picture and the
bare base should look like under the same light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..imaging import summed
from ..look import Difference
from ..look.bare_base import bare_base
from ..look.veil import under_veil
from ..records import F32, F64
from .doubles_score import sampled

ALONG_MM = 2.0  # one cell along the edge
_FINE = 4  # samples along in a cell
ACROSS_MM = 0.1
_REACH_MM = 9.0
TELLS = 0.06  # root light between picture and base under which a strip cannot be seen
_COARSE = 64


@dataclass(frozen=True, slots=True)
class EdgeLight:
    """What all sides share: root light (3,) of the bare base, how well it is known, and the light's
    `gain` (N, N, 3) and `veil` (N, N) on a coarse grid over the panel frame."""

    bare: F32
    known: float
    gain: F32
    veil: F32

    @classmethod
    def of(cls, difference: Difference) -> EdgeLight:
        """The light of this difference's panel."""
        ends = ((0.5 / _COARSE, 1 - 0.5 / _COARSE), (0.5 / _COARSE, 1 - 0.5 / _COARSE))
        look = difference.look
        return cls(
            *bare_base(difference.panel, difference.look),
            look.gain.on_grid(_COARSE, _COARSE, *ends),
            look.veil.on_grid(_COARSE, _COARSE, *ends),
        )


@dataclass(frozen=True, slots=True)
class Strip:
    """One side read along (rows, cells of `ALONG_MM`) and across (columns, `depth_mm`).

    `bareness` (U, V) is 0 where the photo shows the picture, 1 where it shows the base, NaN where
    it cannot be told. `seen`, `due`, `base` (U, V, 3) are root light, `along_mm` (U,) counts from
    the side's start.
    """

    side: int
    along_mm: F64
    depth_mm: F64
    bareness: F64
    seen: F32
    due: F32
    base: F32
    whole_mm: float


def panel_points(side: int, along: F64, depth: F64, width: float, height: float) -> F64:
    """Panel mm (..., 2) of places along and into a side: 0 top, 1 right, 2 bottom, 3 left."""
    if side == 0:
        return np.stack([along, depth], axis=-1)
    if side == 1:
        return np.stack([width - depth, along], axis=-1)
    if side == 2:
        return np.stack([along, height - depth], axis=-1)
    return np.stack([depth, along], axis=-1)


def read_side(difference: Difference, look: EdgeLight, side: int, edge_mm: float) -> Strip | None:
    """One side, depth counted from `edge_mm` inside the nominal outline; None where too little of
    it is seen."""
    art, frame = difference.artwork, difference.panel
    whole = art.width_mm if side in (0, 2) else art.height_mm
    other = art.height_mm if side in (0, 2) else art.width_mm
    cells = int(whole / ALONG_MM)
    depth = np.arange(0.05, min(_REACH_MM, 0.3 * other), ACROSS_MM)
    fine = (np.arange(cells * _FINE) + 0.5) * ALONG_MM / _FINE + 0.5 * (whole - cells * ALONG_MM)
    along, into = np.meshgrid(fine, depth, indexing="ij")
    panel_mm = panel_points(side, along, into + edge_mm, art.width_mm, art.height_mm)
    flat = difference.to_artwork_mm(panel_mm.reshape(-1, 2))
    px = frame.to_px(flat).reshape(*along.shape, 2)
    at = np.asarray(px, np.float32)
    seen = sampled(frame.observed, at)
    due, base = expected_on(difference, look, at)
    # a clipped strip is still seen to be light
    good = sampled((frame.in_photo & frame.opaque).astype(np.float32), at) > 0.98
    # where the outline bends away, at rounded corners and shaped panels, depth means nothing
    good &= sampled(frame.edge_mm, at) > into + edge_mm - 0.4
    room = base - due
    part = (cells, _FINE, depth.size)

    def cell(values: F32) -> F64:
        return np.asarray((values * good).reshape(part).mean(1), np.float64)

    top, bottom = cell(summed((seen - due) * room)), cell(summed(room * room))
    share = good.reshape(part).mean(1)
    if (share > 0.5).sum() < 20:
        return None
    tells = (bottom > 3 * TELLS**2 * np.maximum(share, 1e-3)) & (share > 0.5)
    bareness = np.where(tells, top / np.maximum(bottom, 1e-9), np.nan)

    def mean(image: F32) -> F32:
        return np.asarray(image.reshape(*part, 3).mean(1), np.float32)

    middle = fine.reshape(cells, _FINE).mean(1)
    return Strip(side, middle, depth, bareness, mean(seen), mean(due), mean(base), whole)


def expected_on(difference: Difference, look: EdgeLight, at: F32) -> tuple[F32, F32]:
    """Root light (U, V, 3) of the picture and of the bare base under the fitted light."""
    frame = difference.panel
    height, width = frame.inside.shape
    picture = difference.look.response.apply(sampled(frame.artwork, at))
    place = np.asarray((at + 0.5) / np.array([width, height]) * _COARSE - 0.5, np.float32)
    gain, veil = sampled(look.gain, place), sampled(look.veil, place)[..., None]
    due, base = picture * gain, look.bare * gain
    return np.maximum(under_veil(due, veil), 0), np.maximum(under_veil(base, veil), 0)
