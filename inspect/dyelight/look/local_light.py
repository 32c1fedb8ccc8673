"""Light that changes within millimetres: reflections that veil the print but let it show through.

The light field of the whole panel is stiff, so that it cannot swallow a stain. A reflection's own
light is not smooth on that scale. Small marks under it are still to be seen against an expectation
that has the same light on it, so here gain and veil are fitted again in every neighbourhood, by
robust local regression (Gauss-Newton on root light, whose noise is even):

    photo = (1 + gain) * expected + veil

in linear light, gain and veil being the same in all channels.

A patch wider than the neighbourhood is swallowed too, so patches are not measured against this.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from ..imaging import enlarged, gaussian, reduced, sample
from ..placement.picture_map import nodes_between
from ..records import F32, F64, Placement
from .colour_light import veil_slope
from .frames import PanelFrame
from .light_field import light_added
from .render import photo_light
from .rootlight import linear_from_root, root_from_linear

_REACH_MM = 4.0
_COARSE_PX_PER_MM = 1.5
_ROUNDS = 4
_EDGE_MM = 1.0  # the rim has its own light, and an outline may be off
_OUTLIER = 4.0  # scatters from which a place counts for little
_LEAST_SCATTER = 0.006  # root light
# prior standard deviations: relative gain, and veil in linear light
_GAIN_PRIOR, _VEIL_PRIOR = 0.05, 0.1
_MOST_GAIN = 0.3
_CELLS_EXACT = 4


@dataclass(frozen=True, slots=True)
class LocalLight:
    """Relative `gain` and `veil` in linear light, (h, w) float32 each, over the panel frame: one
    value for every `cell_px` by `cell_px` of its pixels, the first at its first."""

    gain: F32
    veil: F32
    cell_px: int

    def added(self, expected: F32) -> F32:
        """What this light adds to the panel frame's expected root light (H, W) or (H, W, 3)."""
        gain, veil = (self._drawn(cells, expected.shape) for cells in (self.gain, self.veil))
        return light_added(expected, gain, veil)

    def on(self, linear: F32) -> F32:
        """Root light (H, W) of the panel frame's expected linear light (H, W) under this light."""
        lit = linear * self._drawn(1 + self.gain, linear.shape)
        lit += self._drawn(self.veil, linear.shape)
        return root_from_linear(lit, lit)

    def _drawn(self, cells: F32, shape: tuple[int, ...]) -> F32:
        full = enlarged(cells, (cells.shape[1] * self.cell_px, cells.shape[0] * self.cell_px))
        return full[: shape[0], : shape[1]]

    def in_cells(
        self,
        panel: PanelFrame,
        placement: Placement,
        origin_px: tuple[int, int],
        shape: tuple[int, ...],
        cell_px: int,
    ) -> tuple[F32, F32]:
        """Gain and veil at the middles of cells of a photo window (see `imaging.from_cells`).

        `origin_px` is the window's first photo px, `shape` its height and width.
        """
        rows, columns = (-(-size // cell_px) + 2 for size in shape[:2])
        first = tuple(start - 0.5 * (cell_px + 1) for start in origin_px)
        mm = nodes_between(
            placement.picture, (first[0], first[1]), cell_px, (columns, rows), _CELLS_EXACT
        )
        at = (panel.to_px(mm.reshape(-1, 2)) + 0.5) / self.cell_px - 0.5
        places = np.asarray(at.reshape(rows, columns, 2), np.float32)
        return sample(self.gain, places), sample(self.veil, places)


def fit_local_light(panel: PanelFrame, scatter: float) -> LocalLight:
    """Gain and veil of every neighbourhood of the panel frame.

    `panel` has its expected look under the panel's light field, `scatter` is what that fit left in
    root light. Places that stick out of their neighbourhood have little say in it.
    """
    cell_px = 2 ** max(0, round(np.log2(panel.px_per_mm / _COARSE_PX_PER_MM)))
    usable = panel.inside & panel.printed & ~panel.blown & (panel.edge_mm > _EDGE_MM)
    # of the light channel by itself: colours differ in how light adds up by far less than noise
    expected = _in_whole_cells(photo_light(panel.expected), cell_px)
    apart = _in_whole_cells(photo_light(panel.observed), cell_px) - expected
    seen = _in_whole_cells(usable.astype(np.float32), cell_px, outside=0.0)
    spread = max(scatter, _LEAST_SCATTER)
    sigma = max(1.0, _REACH_MM * panel.px_per_mm / cell_px)
    ridge = spread**2 / np.array([_GAIN_PRIOR**2, _VEIL_PRIOR**2])
    grid = (seen.shape[0] // cell_px, seen.shape[1] // cell_px)
    light = LocalLight(np.zeros(grid, np.float32), np.zeros(grid, np.float32), cell_px)
    # in a neighbourhood about so many places count by themselves
    count = np.float32(2 * np.pi * sigma**2)
    linear = linear_from_root(expected.copy())
    left, weight, slope = apart, seen, veil_slope(expected)
    for turn in range(_ROUNDS):
        if turn:
            root = light.on(linear)
            slope = veil_slope(root)
            root -= expected
            left = apart - root
            weight = _trust(left, seen, spread)
        sums = [
            gaussian(one, sigma) * count for one in _products(weight, slope, linear, left, cell_px)
        ]
        light = _moved(light, sums, ridge)
    return light


def _in_whole_cells(image: F32, cell: int, outside: float | None = None) -> F32:
    """An image (H, W) filled up to whole cells with `outside`, or its border's own values."""
    down, across = -image.shape[0] % cell, -image.shape[1] % cell
    kind = cv2.BORDER_REPLICATE if outside is None else cv2.BORDER_CONSTANT
    full = cv2.copyMakeBorder(image, 0, down, 0, across, kind, value=outside or 0.0)
    return np.asarray(full, np.float32)


def _products(weight: F32, slope: F32, linear: F32, left: F32, cell: int) -> Iterator[F32]:
    """Mean weighted products over cells of `cell` px of what gain and veil do to root light,
    `slope` * `linear` and `slope`, with one another and with what is `left`: gain by gain, gain by
    veil, veil by veil, gain by left, veil by left."""
    by_veil = weight * slope
    product = by_veil * slope
    veil_veil = reduced(product, cell)
    product *= linear
    gain_veil = reduced(product, cell)
    product *= linear
    yield from (reduced(product, cell), gain_veil, veil_veil)
    by_veil *= left
    veil_left = reduced(by_veil, cell)
    by_veil *= linear
    yield from (reduced(by_veil, cell), veil_left)


def _trust(left: F32, seen: F32, spread: float) -> F32:
    """Weights (H, W): little for what sticks out of its neighbourhood."""
    off = left * np.float32(1 / (_OUTLIER * spread))
    off *= off
    off += 1
    return np.asarray(np.divide(seen, off, out=off), np.float32)


def _moved(light: LocalLight, sums: list[F32], ridge: F64) -> LocalLight:
    gg, gv, vv, gr, vr = (s.astype(np.float64) for s in sums)
    # the prior holds the whole of gain and veil, not this round's change of them
    gr, vr = gr - ridge[0] * light.gain, vr - ridge[1] * light.veil
    gg, vv = gg + ridge[0], vv + ridge[1]
    determinant = np.maximum(gg * vv - gv * gv, 1e-12)
    gain = np.clip(light.gain + (vv * gr - gv * vr) / determinant, -_MOST_GAIN, _MOST_GAIN)
    # the veil that suits the gain taken, which may be less than was asked for
    veil = light.veil + (vr - gv * (gain - light.gain)) / np.maximum(vv, 1e-12)
    return LocalLight(gain.astype(np.float32), veil.astype(np.float32), light.cell_px)
