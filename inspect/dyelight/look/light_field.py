"""Smooth surfaces over the panel: uniform bicubic B-splines, drawn on grids."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..records import F32, F64
from .rootlight import OFFSET, ROOT_OFFSET

CELL_PX = 16


def spline_basis(u: F64, spans: int) -> F64:
    """Uniform cubic B-spline basis (N, spans + 3) at u in 0..1, held at the ends."""
    t = np.clip(u, 0.0, 1.0) * spans
    span = np.minimum(t.astype(np.intp), spans - 1)
    s = t - span
    r = 1.0 - s
    four = np.stack(
        [r**3 / 6, (3 * s**3 - 6 * s**2 + 4) / 6, (3 * r**3 - 6 * r**2 + 4) / 6, s**3 / 6], axis=1
    )
    basis = np.zeros((u.size, spans + 3))
    basis[np.arange(u.size)[:, None], span[:, None] + np.arange(4)] = four
    return basis


def roughness(count: int) -> F64:
    """Squared second differences of a (count, count) grid of control points, as a matrix."""
    second = np.diff(np.eye(count), n=2, axis=0)
    one = second.T @ second
    return np.kron(one, np.eye(count)) + np.kron(np.eye(count), one)


def raise_spans(coarse: F64, spans: int) -> F64:
    """Control points (spans + 3)^2 of the surface that (4, 4) control points of one span draw."""
    u = np.linspace(0, 1, 40)
    lift = np.linalg.lstsq(spline_basis(u, spans), spline_basis(u, 1), rcond=None)[0]
    return np.asarray(lift @ coarse @ lift.T)


@dataclass(frozen=True, slots=True)
class SmoothField:
    """A bicubic B-spline surface over the panel; `control` is (count, count, channels) float64."""

    control: F64

    def on_grid(
        self, height: int, width: int, u: tuple[float, float], v: tuple[float, float]
    ) -> F32:
        """Values (height, width, channels) on a grid from u[0]..u[1] across, v[0]..v[1] down."""
        spans = self.control.shape[0] - 3
        across = spline_basis(np.linspace(*u, width), spans)
        down = spline_basis(np.linspace(*v, height), spans)
        rows = np.tensordot(down, self.control, axes=(1, 0))
        out = np.matmul(across, rows)
        return np.asarray(out, np.float32)

    def in_cells(
        self, height: int, width: int, u: tuple[float, float], v: tuple[float, float]
    ) -> F32:
        """Values at the middles of cells of CELL_PX px, as `imaging.from_cells` wants them.

        The image has `height` by `width` px; u[0], u[1] and v[0], v[1] are its first and last
        pixels' centres. One cell more stands on each side.
        """
        rows, columns = -(-height // CELL_PX) + 2, -(-width // CELL_PX) + 2
        ends = []
        for (first, last), px, cells in ((u, width, columns), (v, height, rows)):
            per_px = (last - first) / max(px - 1, 1)
            start = first + (0.5 * CELL_PX - 0.5 - CELL_PX) * per_px
            ends.append((start, start + (cells - 1) * CELL_PX * per_px))
        return self.on_grid(rows, columns, ends[0], ends[1])


def lift(gain: F32, veil: F32) -> tuple[F32, F32]:
    """What `light_added` takes for relative gain and veil in linear light, of any shape."""
    # linear light comes with the offset of root light, which must not be gained
    return 1 + gain, veil - OFFSET * gain


def light_added(expected: F32, factor: F32, more: F32) -> F32:
    """What gain and veil add to expected root light (H, W) or (H, W, 3). They come as `lift` has
    them, drawn on (H, W)."""
    each = (..., None) if expected.ndim > factor.ndim else ...
    own = expected + ROOT_OFFSET
    lit = own * own
    lit *= factor[each]
    lit += more[each]
    np.maximum(lit, OFFSET, out=lit)
    np.sqrt(lit, out=lit)
    lit -= own
    return lit
