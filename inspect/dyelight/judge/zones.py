"""Zones of a panel by distance from its edge.

C is the rim, B the border inside it, A the face. For shaped panels the distance is to the shape's
own edge, holes included.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

from ..records import F32, F64, Artwork, Zone

# distance maps of shaped panels: fine enough for a 3 mm rim, small enough to cost nothing
_MAP_PX_PER_MM = 4.0
_MAP_LONGEST_PX = 1200
# cells along each side of a finding's box when its share of each zone is counted: a strip along an
# edge is thin, so both sides are cut as finely
_CELLS = 48


@dataclass(frozen=True)
class EdgeDistance:
    """Distance from points on a panel to its nearest edge, in mm."""

    artwork: Artwork

    def __call__(self, points_mm: F64) -> F64:
        """Distance (N,) float64 of points (N, 2) mm, 0 outside the panel."""
        across, down = points_mm[:, 0], points_mm[:, 1]
        width, height = self.artwork.width_mm, self.artwork.height_mm
        box = np.minimum.reduce([across, down, width - across, height - down])
        distance: F64 = np.maximum(box, 0.0).astype(np.float64)
        if self.artwork.alpha is None:
            return distance
        table, px_per_mm = self._shape_map
        column = np.clip((across * px_per_mm).astype(np.int64), 0, table.shape[1] - 1)
        row = np.clip((down * px_per_mm).astype(np.int64), 0, table.shape[0] - 1)
        np.minimum(distance, table[row, column], out=distance)
        return distance

    def share_within(
        self, mm: float, outline_mm: F64, box_mm: tuple[float, float, float, float]
    ) -> float:
        """Share 0..1 of an outline (N, 2) mm that lies nearer to the edge than `mm`."""
        points, _ = _cells(outline_mm, box_mm)
        return float((self(points) < mm).mean())

    @cached_property
    def _shape_map(self) -> tuple[F32, float]:
        alpha = self.artwork.alpha
        assert alpha is not None  # only shaped panels come here
        px_x, px_y = self.artwork.px_per_mm
        bleed = self.artwork.bleed_mm
        left, top = round(bleed * px_x), round(bleed * px_y)
        trimmed = alpha[top : alpha.shape[0] - top or None, left : alpha.shape[1] - left or None]
        longer = max(self.artwork.width_mm, self.artwork.height_mm)
        px_per_mm = min(_MAP_PX_PER_MM, _MAP_LONGEST_PX / longer)
        size = (
            max(1, round(self.artwork.width_mm * px_per_mm)),
            max(1, round(self.artwork.height_mm * px_per_mm)),
        )
        metal = cv2.resize(trimmed, size, interpolation=cv2.INTER_AREA) >= 128
        padded = np.pad(metal.astype(np.uint8), 1)
        far = cv2.distanceTransform(padded, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)[1:-1, 1:-1]
        # the transform counts to the centre of the first empty pixel, half a pixel past the edge
        table = np.maximum(far - 0.5, 0.0) / px_per_mm
        return table.astype(np.float32), px_per_mm


@dataclass(frozen=True, slots=True)
class Zones:
    """The zones of one panel: rim and border widths, and what counts as touching a zone."""

    distance: EdgeDistance
    rim_mm: float
    border_mm: float
    least_share: float
    least_mm2: float

    def of(self, outline_mm: F64, box_mm: tuple[float, float, float, float]) -> Zone:
        """The most demanding zone that holds a meaningful part of an outline (N, 2) mm."""
        points, cell_mm2 = _cells(outline_mm, box_mm)
        distance = self.distance(points)
        in_a = distance >= max(self.border_mm, self.rim_mm)
        in_b = (distance >= self.rim_mm) & ~in_a
        if self._meaningful(in_a, cell_mm2):
            return "A"
        # a part in A too small to matter alone still counts for B
        return "B" if self._meaningful(in_a | in_b, cell_mm2) else "C"

    def _meaningful(self, inside: np.ndarray, cell_mm2: float) -> bool:
        count = int(np.count_nonzero(inside))
        return count > 0 and (
            count / inside.size >= self.least_share or count * cell_mm2 >= self.least_mm2
        )


def _cells(outline_mm: F64, box_mm: tuple[float, float, float, float]) -> tuple[F64, float]:
    """Points (N, 2) mm that sample an outline evenly, and the area in mm² that each stands for."""
    x0, y0, x1, y1 = box_mm
    wide, high = x1 - x0, y1 - y0
    if max(wide, high) <= 0:
        return np.array([[(x0 + x1) / 2, (y0 + y1) / 2]], dtype=np.float64), 0.0
    inside = np.ones((_CELLS, _CELLS), dtype=np.uint8)
    if len(outline_mm) >= 3 and min(wide, high) > 0:
        cells = (outline_mm - (x0, y0)) * (_CELLS / wide, _CELLS / high) - 0.5
        drawn = np.zeros_like(inside)
        fraction_bits = 4
        corners = np.round(cells * 2**fraction_bits).astype(np.int32)
        cv2.fillPoly(drawn, [corners], (1.0,), shift=fraction_bits)
        if drawn.any():
            inside = drawn
    row, column = np.nonzero(inside)
    cell_x, cell_y = wide / _CELLS, high / _CELLS
    points = np.column_stack([x0 + (column + 0.5) * cell_x, y0 + (row + 0.5) * cell_y])
    return points.astype(np.float64), cell_x * cell_y
