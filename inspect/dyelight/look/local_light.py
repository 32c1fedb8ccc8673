"""Light that changes within millimetres: reflections that veil the print but let it show through.

The light field of the whole panel is stiff, so that it cannot swallow a stain. A reflection's own
light is not smooth on that scale. Small marks under it are still to be seen against an expectation
that has the same light on it, so here gain and veil are fitted again in every neighbourhood, by
robust local regression (Gauss-Newton on root light, whose noise is even):

    photo = (1 + gain) * expected + veil

in linear light, gain and veil being the same in all channels.

A patch wider than the neighbourhood is swallowed too. Patches are therefore measured under the
light of a neighbourhood some four times as wide: a veil over busy print, which lifts its shadows
more than its lights, is no patch there either.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from ..imaging import enlarged, gaussian, reduced, sample, strips
from ..placement.picture_map import nodes_between
from ..records import F32, F64, Mask, Placement
from .frames import PanelFrame
from .light_field import lift, light_added
from .render import photo_light
from .rootlight import linear_from_root, root_from_linear
from .veil import veil_slope

# sigma of a neighbourhood: what marks are held against, and patches
NEAR_REACH_MM, WIDE_REACH_MM = 4.0, 15.0
_COARSE_PX_PER_MM = 1.5
_ROUNDS = 4
_EDGE_MM = 1.0  # the rim has its own light, and an outline may be off
_OUTLIER = 4.0  # scatters from which a place counts for little
_LEAST_SCATTER = 0.006  # root light
# prior standard deviations: relative gain, and veil in linear light
_GAIN_PRIOR, _VEIL_PRIOR = 0.05, 0.1
_MOST_GAIN = 0.3
_CELLS_EXACT = 4
_STRIP = 16  # rows of cells worked on at a time


@dataclass(frozen=True, slots=True)
class LocalLight:
    """Relative `gain` and `veil` in linear light, (h, w) float32 each, over the panel frame: one
    value for every `cell_px` by `cell_px` of its pixels, the first at its first."""

    gain: F32
    veil: F32
    cell_px: int

    def added(self, expected: F32) -> F32:
        """What this light adds to the panel frame's expected root light (H, W) or (H, W, 3)."""
        factor, more = (self._drawn(one, expected.shape) for one in lift(self.gain, self.veil))
        return light_added(expected, factor, more)

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


def fit_local_light(
    panel: PanelFrame, scatter: float, reach_mm: float = NEAR_REACH_MM, hidden: Mask | None = None
) -> LocalLight:
    """Gain and veil of every neighbourhood of the panel frame, `reach_mm` the sigma of one.

    `panel` has its expected look under the panel's light field, `scatter` is what that fit left in
    root light. Places that stick out of their neighbourhood have little say in it, `hidden` ones
    (H, W) none.
    """
    wider = reach_mm / NEAR_REACH_MM
    cell_px = 2 ** max(0, round(np.log2(wider * panel.px_per_mm / _COARSE_PX_PER_MM)))
    usable = panel.inside & panel.printed & ~panel.blown & (panel.edge_mm > _EDGE_MM)
    if hidden is not None:
        usable &= ~hidden
    seen = _in_whole_cells(usable.astype(np.float32), cell_px, outside=0.0)
    # a wide neighbourhood has pixels to spare
    shrink = min(2 ** int(np.log2(max(wider, 1.0))), cell_px)
    pairs = [
        [_in_whole_cells(image, cell_px) for image in pair]
        for pair in _channels(panel, by_themselves=shrink > 1)
    ]
    if shrink > 1:
        # what is not seen must not leak into cells that are seen in part
        pairs = [[np.where(seen > 0, observed, due), due] for observed, due in pairs]
        seen, pairs = reduced(seen, shrink), [[reduced(i, shrink) for i in pair] for pair in pairs]
    inner_px = cell_px // shrink
    spread = max(scatter, _LEAST_SCATTER)
    sigma = max(1.0, reach_mm * panel.px_per_mm / cell_px)
    ridge = spread**2 / np.array([_GAIN_PRIOR**2, _VEIL_PRIOR**2])
    grid = (seen.shape[0] // inner_px, seen.shape[1] // inner_px)
    light = LocalLight(np.zeros(grid, np.float32), np.zeros(grid, np.float32), cell_px)
    # in a neighbourhood about so many places count by themselves
    count = np.float32(2 * np.pi * sigma**2 / len(pairs))
    apart = [observed - expected for observed, expected in pairs]
    linear = [linear_from_root(expected.copy()) for _, expected in pairs]
    left, weight = apart, seen
    slopes = [veil_slope(expected) for _, expected in pairs]
    for turn in range(_ROUNDS):
        if turn:
            roots = [replace(light, cell_px=inner_px).on(one) for one in linear]
            slopes = [veil_slope(root) for root in roots]
            for root, (_, expected), whole in zip(roots, pairs, apart, strict=True):
                root -= expected
                np.subtract(whole, root, out=root)
            left = roots
            weight = _trust(left, seen, spread)
        sums = [np.zeros(grid, np.float32) for _ in range(5)]
        for one in zip(slopes, linear, left, strict=True):
            for total, product in zip(sums, _products(weight, *one, inner_px), strict=True):
                total += product
        light = _moved(light, [gaussian(total, sigma) * count for total in sums], ridge)
    return light


def _channels(panel: PanelFrame, *, by_themselves: bool) -> list[list[F32]]:
    """Observed and expected root light (H, W) of the channels, or of all of them mixed into one.

    Only their own show on plain print of one colour whether light was added or scaled; within
    millimetres colours differ in how light adds up by far less than noise.
    """
    both = panel.observed, panel.expected
    if by_themselves:
        return [[image[..., c] for image in both] for c in range(3)]
    return [[photo_light(image) for image in both]]


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


def _trust(left: list[F32], seen: F32, spread: float) -> F32:
    """Weights (H, W): little for what sticks out of its neighbourhood, all channels together."""
    off = left[0] * left[0]
    for channel in left[1:]:
        off += channel * channel
    off *= np.float32(1 / (len(left) * (_OUTLIER * spread) ** 2))
    off += 1
    return np.asarray(np.divide(seen, off, out=off), np.float32)


def _moved(light: LocalLight, sums: list[F32], ridge: F64) -> LocalLight:
    moved = LocalLight(np.empty_like(light.gain), np.empty_like(light.veil), light.cell_px)
    # strip by strip, so that all of it stays in the processor's cache
    for rows in strips(len(light.gain), _STRIP):
        gg, gv, vv, gr, vr = (one[rows].astype(np.float64) for one in sums)
        gain, veil = light.gain[rows], light.veil[rows]
        # the prior holds the whole of gain and veil, not this round's change of them
        gr -= ridge[0] * gain
        vr -= ridge[1] * veil
        gg += ridge[0]
        vv += ridge[1]
        determinant = np.maximum(gg * vv - gv * gv, 1e-12)
        most = np.clip(gain + (vv * gr - gv * vr) / determinant, -_MOST_GAIN, _MOST_GAIN)
        # the veil that suits the gain taken, which may be less than was asked for
        moved.veil[rows] = veil + (vr - gv * (most - gain)) / np.maximum(vv, 1e-12)
        moved.gain[rows] = most
    return moved
