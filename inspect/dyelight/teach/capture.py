"""What stays the same in the photos of a fixed camera: bench, geometry and noise."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..colour import decode_srgb
from ..imaging import area, slopes, strips
from ..look import Difference
from ..look.render import photo_light
from ..look.rootlight import ROOT_OFFSET, linear_from_root
from ..placement import FittedMap
from ..records import F32, F64, Mask, Pixels, Placement

BENCH_ROWS, BENCH_COLUMNS = 36, 48
_STRIP = 128
_AWAY = 0.08  # of the panel's short side: nearer, its shadow and its light fall on the bench
_DARKEST, _BRIGHTEST = 0.003, 0.9  # linear light
_LEAST_BLOCKS = 24
NOISE_BINS = np.array([0.05, 0.2, 0.35, 0.5, 0.65, 0.8])  # root light
_LEAST_PIXELS = 300
_FLAT = 0.004  # root light per px


Grid = tuple[F64, F64]


@dataclass(frozen=True, slots=True)
class Around:
    """Light of the bench (BENCH_ROWS, BENCH_COLUMNS, 3) in ln light; NaN under and near the
    panel."""

    light: F64


@dataclass(frozen=True, slots=True)
class Ambient:
    """How the light around a panel differs from the taught one, in ln light: `level` (3,), `tilt`
    (2,) across and down from the photo's middle to its edge, `scatter` of what is left, and the
    share of blocks that look other than taught."""

    level: F64
    tilt: F64
    scatter: float
    other_share: float

    def at(self, photo_at: F64) -> F64:
        """ln light (N, 3) at photo places (N, 2) in 0..1."""
        return np.asarray(self.level + ((2 * photo_at - 1) @ self.tilt)[:, None], np.float64)


def around_panel(pixels: Pixels, corners_px: F64) -> Around:
    """The bench around a panel with these corners (4, 2) in px."""
    height, width = pixels.shape[:2]
    narrow: F32 = np.empty((height, BENCH_COLUMNS, 3), np.float32)
    for rows in strips(height, _STRIP):
        linear = decode_srgb(pixels[rows])
        narrow[rows] = area(linear, (BENCH_COLUMNS, rows.stop - rows.start))
    light = area(narrow, (BENCH_COLUMNS, BENCH_ROWS)).astype(np.float64)
    scale = np.array([BENCH_COLUMNS / width, BENCH_ROWS / height])
    x, y = (np.arange(BENCH_COLUMNS) + 0.5) / scale[0], (np.arange(BENCH_ROWS) + 0.5) / scale[1]
    outline = corners_px.astype(np.float32).reshape(-1, 1, 2)
    sides = np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=0), axis=1)
    # a block counts by its corner that is nearest to the panel
    away = _AWAY * float(sides.min()) + 0.5 * float(np.hypot(*(1 / scale)))
    near = np.array(
        [[cv2.pointPolygonTest(outline, (float(u), float(v)), True) > -away for u in x] for v in y]
    )
    unfit = near | (light.min(axis=2) < _DARKEST) | (light.max(axis=2) > _BRIGHTEST)
    light[unfit] = np.nan
    return Around(np.asarray(np.log(light), np.float64))


def ambient(around: Around, taught: F64, taught_scatter: F64) -> Ambient | None:
    """How the light around a panel differs from the taught (BENCH_ROWS, BENCH_COLUMNS, 3), whose
    scatter is (BENCH_ROWS, BENCH_COLUMNS); None where too little of the bench shows in both."""
    off = around.light - taught
    known = np.isfinite(off).all(axis=2) & np.isfinite(taught_scatter)
    if int(known.sum()) < _LEAST_BLOCKS:
        return None
    x, y = np.meshgrid(
        (np.arange(BENCH_COLUMNS) + 0.5) / BENCH_COLUMNS, (np.arange(BENCH_ROWS) + 0.5) / BENCH_ROWS
    )
    place = np.stack([2 * x[known] - 1, 2 * y[known] - 1], axis=1)
    values = off[known]
    level, tilt = np.median(values, axis=0), np.zeros(2)
    weight = np.ones(len(values))
    left = values
    for _ in range(6):
        design = np.hstack([np.ones((len(place), 1)), place])
        centred = (values - level).mean(axis=1)
        weighted = design * weight[:, None]
        normal = weighted.T @ design + np.diag([1e-6, 1.0, 1.0])
        solved = np.linalg.solve(normal, weighted.T @ (centred))
        tilt = solved[1:]
        left = values - (place @ tilt)[:, None]
        level = np.average(left, axis=0, weights=weight)
        left = left - level
        size = np.sqrt(np.square(left).mean(axis=1))
        scatter = max(1.4826 * float(np.median(size)), 0.003)
        weight = np.square(np.clip(1 - np.square(size / (4 * scatter)), 0.01, None))
    size = np.sqrt(np.square(left).mean(axis=1))
    limit = np.maximum(5 * taught_scatter[known], 0.04)
    return Ambient(level, tilt, float(np.median(size)), float((size > limit).mean()))


def plane_of(grid: Grid) -> F64:
    """Homography (3, 3) from photo px to mm on the bench, the panel's own corner its origin."""
    mm, px = grid
    found, _ = cv2.findHomography(px, mm, 0)
    return np.asarray(found, np.float64)


def against_plane(grid: Grid, plane: F64) -> tuple[float, float]:
    """How the panel lies on a taught plane: its size there over its own, less 1, and how far its
    shape is off, as a share of its diagonal. A camera that stays where it was leaves both at 0."""
    mm, px = grid
    on_plane = cv2.perspectiveTransform(px[None], plane)[0]
    a, b = mm - mm.mean(axis=0), on_plane - on_plane.mean(axis=0)
    u, s, vt = np.linalg.svd(a.T @ b)
    turn = np.diag([1.0, float(np.sign(np.linalg.det(u @ vt)))])
    size = float(np.trace(np.diag(s) @ turn) / np.square(a).sum())
    left = b - size * a @ (u @ turn @ vt)
    diagonal = float(np.linalg.norm(np.ptp(mm, axis=0)))
    return size - 1, float(np.sqrt(np.square(left).sum(axis=1).mean())) / diagonal


def grid_of(difference: Difference) -> Grid:
    """A panel's grid in panel mm, and where it lies in photo px, (81, 2) each."""
    art = difference.artwork
    xs, ys = np.linspace(0, art.width_mm, 9), np.linspace(0, art.height_mm, 9)
    mm = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    panel = difference.to_panel_mm(mm) if difference.outline_seen else mm
    return panel, difference.to_photo_px(mm)


def lens_of(placement: Placement) -> tuple[float, float]:
    """Radial terms k1 and k2 of the lens, in half diagonals of the photo; 0 where not known."""
    picture = placement.picture
    return (picture.k1, picture.k2) if isinstance(picture, FittedMap) else (0.0, 0.0)


def noise_of(difference: Difference) -> F64:
    """Standard deviation (6,) of root light in the photo's flat places, by brightness in the bins
    of NOISE_BINS; NaN where the panel has too few of one."""
    frame = difference.photo
    expected = photo_light(frame.expected)
    dx, dy = slopes(expected)
    flat: Mask = frame.usable & (np.hypot(dx, dy) < _FLAT)
    off, level = frame.residual[flat], expected[flat]
    out = np.full(len(NOISE_BINS), np.nan)
    nearest = np.abs(level[:, None] - NOISE_BINS[None]).argmin(axis=1)
    for k in range(len(NOISE_BINS)):
        own = off[nearest == k]
        if own.size >= _LEAST_PIXELS:
            out[k] = 1.4826 * float(np.median(np.abs(own - np.median(own))))
    return out


def photon_transfer(noise: F64) -> tuple[float, float] | None:
    """Dark variance and gain of linear light from noise by brightness: variance = dark + gain *
    light (the photon transfer of EMVA 1288, quoted from memory, taken on single photos). None where
    the noise of fewer than two brightnesses is known."""
    known = np.isfinite(noise)
    if int(known.sum()) < 2:
        return None
    bins = NOISE_BINS[known]
    light = linear_from_root(bins.astype(np.float32)).astype(np.float64)
    variance = np.square(2 * (bins + ROOT_OFFSET) * noise[known])
    design = np.stack([np.ones_like(light), light], axis=1) / variance[:, None]
    solved = np.linalg.lstsq(design, np.ones_like(variance), rcond=None)[0]
    return max(float(solved[0]), 0.0), max(float(solved[1]), 0.0)
