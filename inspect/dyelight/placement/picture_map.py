"""The map between artwork millimetres and photo pixels: homography, radial lens, stiff spline."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..imaging import from_cells
from ..records import F32, F64, PictureMap

CONTROL_POINTS = 7
_SPANS = CONTROL_POINTS - 3
# the map is computed at nodes this many photo px apart, at most every fourth, and drawn between;
# windows of fewer such nodes have all computed
_EXACT_PX, _EXACT = 64, 4
_LEAST_EXACT = 20
# last steps on the way back from the photo, in shares of half the diagonal: Newton's squares what
# is left, the spline's takes it down by a thousand
_LAST_NEWTON, _LAST_BENT = 1e-5, 1e-6


def _cubic_basis(u: F64) -> F64:
    """Uniform cubic B-spline basis (N, 7) at u in 0..1, straight on outside."""
    clamped = np.clip(u, 0.0, 1.0)
    t = clamped * _SPANS
    span = np.minimum(t.astype(np.intp), _SPANS - 1)
    s = t - span
    r = 1.0 - s
    s2, r2, s3, r3 = s**2, r**2, s**3, r**3
    four = [r3 / 6, (3 * s3 - 6 * s2 + 4) / 6, (3 * r3 - 6 * r2 + 4) / 6, s3 / 6]
    over = u - clamped
    if over.any():
        slope = [-r2 / 2, (3 * s2 - 4 * s) / 2, (4 * r - 3 * r2) / 2, s2 / 2]
        four = [share + one * _SPANS * over for share, one in zip(four, slope, strict=True)]
    basis = np.zeros((u.size, CONTROL_POINTS))
    flat, at = basis.reshape(-1), np.arange(0, basis.size, CONTROL_POINTS) + span
    for k, share in enumerate(four):
        flat[at + k] = share
    return basis


@dataclass(frozen=True, slots=True)
class FittedMap:
    """A picture map: photo px = lens(homography(mm)) + spline(mm).

    `homography` (3, 3) float64 takes artwork mm to photo px without lens. The lens is radial about
    `center_px`: offset from the centre times 1 + k1 r^2 + k2 r^4, with r in units of `radius_px`.
    `control_px` (7, 7, 2) float64 (down, across, xy) are the control points of a uniform bicubic
    B-spline over the box `origin_mm`, `span_mm`; outside the box it goes on along its tangent.
    """

    homography: F64
    center_px: tuple[float, float]
    radius_px: float
    k1: float
    k2: float
    origin_mm: tuple[float, float]
    span_mm: tuple[float, float]
    control_px: F64

    @classmethod
    def from_homography(
        cls,
        homography: F64,
        photo_size_px: tuple[int, int],
        box_mm: tuple[float, float, float, float],
    ) -> FittedMap:
        """A map without lens or spline; `box_mm` is x0, y0, x1, y1 of the picture with bleed."""
        width_px, height_px = photo_size_px
        return cls(
            homography=homography / homography[2, 2],
            center_px=((width_px - 1) / 2, (height_px - 1) / 2),
            radius_px=max(float(np.hypot(width_px, height_px)) / 2, 1.0),
            k1=0.0,
            k2=0.0,
            origin_mm=(box_mm[0], box_mm[1]),
            span_mm=(box_mm[2] - box_mm[0], box_mm[3] - box_mm[1]),
            control_px=np.zeros((CONTROL_POINTS, CONTROL_POINTS, 2)),
        )

    def without_spline(self) -> FittedMap:
        """The same map with a spline of zero."""
        return replace(self, control_px=np.zeros_like(self.control_px))

    def spline_design(self, points_mm: F64) -> F64:
        """Weights (N, 49) of the control points, row by row, at artwork points (N, 2) in mm."""
        across = _cubic_basis((points_mm[:, 0] - self.origin_mm[0]) / self.span_mm[0])
        down = _cubic_basis((points_mm[:, 1] - self.origin_mm[1]) / self.span_mm[1])
        return (down[:, :, None] * across[:, None, :]).reshape(len(points_mm), -1)

    def _spline(self, points_mm: F64) -> F64:
        if not self.control_px.any():
            return np.zeros_like(points_mm)
        across = _cubic_basis((points_mm[:, 0] - self.origin_mm[0]) / self.span_mm[0])
        down = _cubic_basis((points_mm[:, 1] - self.origin_mm[1]) / self.span_mm[1])
        rows = (down @ self.control_px.reshape(CONTROL_POINTS, -1)).reshape(-1, CONTROL_POINTS, 2)
        out: F64 = np.einsum("nk,nkc->nc", across, rows)
        return out

    def _lens(self, points_px: F64) -> F64:
        center = np.asarray(self.center_px)
        offset = (points_px - center) / self.radius_px
        r2 = np.sum(offset**2, axis=1, keepdims=True)
        out: F64 = center + offset * (1 + r2 * (self.k1 + r2 * self.k2)) * self.radius_px
        return out

    def undistorted(self, points_px: F64) -> F64:
        """Where photo points (N, 2) in px would lie without the lens."""
        if self.k1 == 0.0 and self.k2 == 0.0:
            return points_px
        center = np.asarray(self.center_px)
        offset = (points_px - center) / self.radius_px
        target = np.sqrt(np.sum(offset**2, axis=1, keepdims=True))
        r = target.copy()
        for _ in range(6):
            r2 = r * r
            value = r * (1 + r2 * (self.k1 + r2 * self.k2)) - target
            slope = 1 + r2 * (3 * self.k1 + 5 * self.k2 * r2)
            before = r
            r = np.clip(r - value / np.maximum(slope, 0.2), 0.0, 2 * target)
            if np.abs(r - before).max(initial=0.0) < _LAST_NEWTON:
                break
        scale = np.divide(r, target, out=np.ones_like(r), where=target > 1e-12)
        out: F64 = center + offset * scale * self.radius_px
        return out

    def to_photo(self, points_mm: F64) -> F64:
        """Photo pixels (N, 2) float64 of artwork points (N, 2) in mm."""
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        return self._lens(project(self.homography, points)) + self._spline(points)

    def to_artwork(self, points_px: F64) -> F64:
        """Artwork mm (N, 2) float64 of photo points (N, 2) in px, by fixed-point iteration."""
        points = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
        back: F64 = np.linalg.inv(self.homography).astype(np.float64)
        mm = project(back, self.undistorted(points))
        if self.control_px.any():
            # far outside the picture the straight continuation means nothing and may not settle
            low = np.asarray(self.origin_mm) - self.span_mm
            high = np.asarray(self.origin_mm) + 2 * np.asarray(self.span_mm)
            bent = np.zeros_like(points)
            for _ in range(4):
                before, bent = bent, self._spline(np.clip(mm, low, high))
                mm = project(back, self.undistorted(points - bent))
                if np.abs(bent - before).max(initial=0.0) < _LAST_BENT * self.radius_px:
                    break
        return mm

    def to_artwork_grid(self, x0: float, y0: float, x1: float, y1: float, step: float) -> F64:
        """Artwork mm (rows, columns, 2) at photo points x0 + i*step, y0 + j*step.

        The last column lies at or beyond `x1`, the last row at or beyond `y1`.
        """
        xs = x0 + step * np.arange(int(np.ceil((x1 - x0) / step)) + 1)
        ys = y0 + step * np.arange(int(np.ceil((y1 - y0) / step)) + 1)
        grid = np.stack(np.meshgrid(xs, ys), axis=-1)
        return self.to_artwork(grid.reshape(-1, 2)).reshape(grid.shape)

    def artwork_window(
        self, x0: float, y0: float, width: int, height: int, pitch: float = 1.0
    ) -> F32:
        """Artwork mm (height, width, 2) float32 at photo points x0 + i*pitch, y0 + j*pitch.

        Known on nodes 16 samples apart, 8 where the pitch is above 1, and linear between them:
        within 0.02 px for a tilted, bent panel.
        """
        nodes, cell = self.window_nodes(x0, y0, width, height, pitch)
        return from_cells(nodes.astype(np.float32), cell, slice(0, height), slice(0, width))

    def window_nodes(
        self, x0: float, y0: float, width: int, height: int, pitch: float = 1.0
    ) -> tuple[F64, int]:
        """The nodes of `artwork_window` as `imaging.from_cells` wants them, and samples a cell."""
        cell = 16 if pitch <= 1.0 else 8
        exact = int(np.clip(_EXACT_PX / (cell * pitch), 1, _EXACT))
        if max(width, height) * pitch < _LEAST_EXACT * _EXACT_PX:
            exact = 1
        origin = (x0 - 0.5 * (cell + 1) * pitch, y0 - 0.5 * (cell + 1) * pitch)
        counts = (-(-width // cell) + 2, -(-height // cell) + 2)
        return nodes_between(self, origin, cell * pitch, counts, exact), cell


def nodes_between(
    picture: PictureMap,
    origin_px: tuple[float, float],
    pitch_px: float,
    counts: tuple[int, int],
    exact: int,
) -> F64:
    """Artwork mm (rows, columns, 2) at `counts` (columns, rows) nodes, `pitch_px` photo px apart.

    `origin_px` is the first node. Every `exact`-th is computed, the others lie on the cubic through
    four of those.
    """
    axes, weights = [], []
    for start, count in zip(origin_px, counts, strict=True):
        if exact == 1:
            axes.append(start + pitch_px * np.arange(count))
            continue
        axes.append(start + pitch_px * exact * np.arange(-1, -(-(count - 1) // exact) + 2))
        weights.append(_cubic_between(len(axes[-1]), exact)[:count])
    grid = np.stack(np.meshgrid(*axes), axis=-1)
    known = picture.to_artwork(grid.reshape(-1, 2)).reshape(grid.shape)
    if exact == 1:
        return known
    return np.asarray(np.matmul(weights[0], np.tensordot(weights[1], known, axes=(1, 0))))


def _cubic_between(count: int, exact: int) -> F64:
    """Weights ((count - 3) * exact + 1, count) of the cubic through four nodes in a row, from the
    second node to the last but one (a Catmull-Rom spline, exact for squares)."""
    position = 1 + np.arange((count - 3) * exact + 1) / exact
    low = np.minimum(position.astype(np.intp), count - 3)
    t = position - low
    four = np.stack(
        [
            -t / 2 + t**2 - t**3 / 2,
            1 - 2.5 * t**2 + 1.5 * t**3,
            t / 2 + 2 * t**2 - 1.5 * t**3,
            -(t**2) / 2 + t**3 / 2,
        ],
        axis=1,
    )
    weights = np.zeros((len(position), count))
    weights[np.arange(len(position))[:, None], low[:, None] + np.arange(-1, 3)] = four
    return weights


def project(homography: F64, points: F64) -> F64:
    """Points (N, 2) float64 through a homography (3, 3)."""
    out = points @ homography[:, :2].T + homography[:, 2]
    w = out[:, 2:]
    return np.asarray(out[:, :2] / np.where(np.abs(w) > 1e-12, w, 1e-12), dtype=np.float64)
