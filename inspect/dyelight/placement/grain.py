"""Place a picture by the grain that is left in it where it has no other detail.

A sky or a smooth gradient still carries the dither or film grain of its file, far below the noise
of any one pixel and plain over a hundred thousand of them. The whole panel is correlated with the
artwork at every shift within reach: the height of the peak over the scatter of the rest says how
sure it is. Then the panel's cells each give the slope of their own correlation at the place
foretold, and share the peak's curvature by their detail, so that the map follows by the scoring
method from cells none of which would show a peak by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..records import F32, F64, Artwork
from .frame_fit import Observations, OutlinePrior, fit_homography_lens
from .frames import border_mm, polygon_area
from .picture_map import FittedMap
from .refine import inner_box, panel_window
from .scaled import ArtworkView, PhotoView, PhotoViews, near_power_of_two
from .search import detail_only, panel_detail
from .spline_fit import FitResult, fit_spline

# areas of the panel in view px at the successive looks, and the most rounds of each
_LEVELS = ((0.5e6, 4), (2.4e6, 5))
_REACH_MM = 1.6
_REACH_PX = 6
# reach once the print's drift is known, view px
_NEAR_PX = 8
_CELLS = 8
# the whole panel's peak over its scatter that is proof, and from which going on is worth while
_PROOF = 5.0
_HOPE = 4.0
# share of the coarse look's clearness that a finer one must keep
_FINER_SHARE = 0.9
# a proved peak lies this near the map that was fitted to it, view px
_ON_TOP_PX = 1.5
_SETTLED_PX = 0.1


@dataclass(frozen=True, slots=True)
class Grain:
    """A map fitted to the grain, and the whole panel's peak over its scatter there."""

    fit: FitResult
    clearness: float


@dataclass(frozen=True, slots=True)
class _Cells:
    """Correlation of the panel's cells (N,) with the artwork.

    `surface` (N, n, n) over shifts -r..r down and across; `middle` (N, 2) of their used pixels in
    view px; `energy` (N,) the squared sum of the artwork's detail.
    """

    surface: F64
    middle: F64
    energy: F64


@dataclass(frozen=True, slots=True)
class _Peak:
    """The whole panel's peak: row and column on the surface, summit, curvature and clearness.

    `offset` (2,) is the summit's place from shift zero in view px, `curvature` (2, 2) that of the
    surface there, `height` and `scatter` in the surface's own unit.
    """

    row: int
    column: int
    offset: F64
    curvature: F64
    height: float
    scatter: float

    @property
    def clearness(self) -> float:
        """How far the peak stands above the scatter."""
        return self.height / self.scatter


def by_grain(
    start: FittedMap,
    views: PhotoViews,
    artwork: Artwork,
    fine: ArtworkView,
    prior: OutlinePrior,
) -> Grain | None:
    """The map from grain alone, or None where there is too little of it to be sure."""
    picture = start
    grid = border_mm(artwork, 4)
    fit, peak, pitch = None, None, 0
    for level, (area_px, rounds) in enumerate(_LEVELS):
        for round_ in range(rounds):
            area = abs(polygon_area(picture.to_photo(border_mm(artwork))))
            if not np.isfinite(area) or area < 400:
                return None
            if round_ == 0:
                new_pitch = near_power_of_two(float(np.sqrt(area / area_px)))
                if new_pitch == pitch:
                    break
                pitch = new_pitch
            px_per_mm = float(np.sqrt(area / (artwork.width_mm * artwork.height_mm))) / pitch
            drifted = level == 0 and round_ == 0
            reach = round(_REACH_MM * px_per_mm) + _REACH_PX if drifted else _NEAR_PX
            if round_ == 0:
                view = views.window(panel_window(picture, artwork, views.size_px, 0.05), pitch)
                detail = detail_only(view.grey, view.usable)
            art = fine.halved(min(1.0, 1.15 * px_per_mm / max(fine.scale_x, fine.scale_y)))
            cells = _correlated(picture, view, detail, art, artwork, reach)
            if cells is None:
                return None
            sharper = _peak(cells, prior.drift_mm * px_per_mm if drifted else float(_NEAR_PX))
            kept = _FINER_SHARE * (peak.clearness if peak is not None and round_ == 0 else 0.0)
            if level > 0 and (sharper is None or sharper.clearness < kept):
                # noise and compression have left nothing in the finer detail
                break
            peak = sharper
            if peak is None or peak.clearness < _HOPE:
                return None
            seen = _observed(cells, peak, picture, view, whole=drifted)
            lens = prior.lens is not None
            base = fit_homography_lens(picture, seen, lens=lens, prior=prior)
            fit = fit_spline(base, seen, lens=lens, panel_px=float(np.sqrt(area)), prior=prior)
            moved = np.abs(fit.map.to_photo(grid) - picture.to_photo(grid)).max() / pitch
            picture = fit.map
            if not drifted and moved < _SETTLED_PX:
                break
    if fit is None or peak is None or peak.clearness < _PROOF:
        return None
    if np.abs(peak.offset).max() > _ON_TOP_PX:
        return None
    return Grain(fit, peak.clearness)


def _correlated(
    picture: FittedMap,
    view: PhotoView,
    detail: F32,
    art: ArtworkView,
    artwork: Artwork,
    reach: int,
) -> _Cells | None:
    expected = panel_detail(picture, art, view, inner_box(artwork), reach)
    if expected is None:
        return None
    used = expected != 0
    if not used.any():
        return None
    rows, columns = np.flatnonzero(used.any(axis=1)), np.flatnonzero(used.any(axis=0))
    photo = np.pad(detail, reach)
    ys = np.linspace(rows[0], rows[-1] + 1, _CELLS + 1).astype(np.intp)
    xs = np.linspace(columns[0], columns[-1] + 1, _CELLS + 1).astype(np.intp)
    surfaces, middles, energies = [], [], []
    for i, j in np.ndindex(_CELLS, _CELLS):
        y0, y1, x0, x1 = ys[i], ys[i + 1], xs[j], xs[j + 1]
        here: F32 = expected[y0:y1, x0:x1]
        energy = float(np.square(here).sum())
        if energy <= 0:
            continue
        around = photo[y0 : y1 + 2 * reach, x0 : x1 + 2 * reach]
        surfaces.append(cv2.matchTemplate(around, here, cv2.TM_CCORR))
        v, u = np.nonzero(here)
        middles.append((x0 + u.mean(), y0 + v.mean()))
        energies.append(energy)
    return _Cells(np.array(surfaces, np.float64), np.array(middles, np.float64), np.array(energies))


def _peak(cells: _Cells, prior_sd_px: float) -> _Peak | None:
    """The whole panel's most likely peak; None where nothing stands out like one."""
    whole = cells.surface.sum(axis=0)
    whole = whole - np.median(whole)
    scatter = max(1.4826 * float(np.median(np.abs(whole))), 1e-9)
    reach = (len(whole) - 1) // 2
    shifts = np.arange(-reach, reach + 1)
    away = (np.square(shifts)[:, None] + np.square(shifts)[None, :]) / prior_sd_px**2
    score = np.square(np.maximum(whole / scatter, 0.0)) - away
    row, column = (int(k) for k in np.unravel_index(int(score.argmax()), score.shape))
    if not (0 < row < 2 * reach and 0 < column < 2 * reach):
        return None
    slope, curvature = _bend(whole[row - 1 : row + 2, column - 1 : column + 2])
    if np.linalg.eigvalsh(curvature)[0] <= 1e-6 * scatter:
        return None
    step = np.clip(np.linalg.solve(curvature, slope), -1.0, 1.0)
    offset = np.array([column - reach, row - reach]) + step
    return _Peak(row, column, offset, curvature, float(whole[row, column]), scatter)


def _bend(patch: F64) -> tuple[F64, F64]:
    """Slope (2,) across and down, and curvature (2, 2) downwards, of a 3 x 3 patch."""
    v, u = np.mgrid[-1:2, -1:2].reshape(2, -1).astype(np.float64)
    design = np.stack([np.ones(9), u, v, u * u / 2, v * v / 2, u * v], axis=1)
    c = np.linalg.lstsq(design, patch.ravel(), rcond=None)[0]
    bend = np.array([[c[3], c[5]], [c[5], c[4]]])
    return np.asarray(c[1:3], np.float64), np.asarray(-bend, np.float64)


def _observed(
    cells: _Cells, peak: _Peak, picture: FittedMap, view: PhotoView, *, whole: bool
) -> Observations:
    """Measured picture points: one for the whole panel, or one for each cell.

    The log likelihood of a shift is its correlation times height over squared scatter.
    """
    share = cells.energy / cells.energy.sum()
    likelihood = peak.height / peak.scatter**2
    if whole:
        middle = (share @ cells.middle)[None]
        moves, information = peak.offset[None], likelihood * peak.curvature[None]
    else:
        rows, columns = slice(peak.row - 1, peak.row + 2), slice(peak.column - 1, peak.column + 2)
        slopes = np.array([_bend(one[rows, columns])[0] for one in cells.surface])
        steps = np.linalg.solve(peak.curvature, (slopes / share[:, None]).T).T
        reach = (cells.surface.shape[1] - 1) // 2
        middle = cells.middle
        moves = np.array([peak.column - reach, peak.row - reach]) + steps
        information = likelihood * share[:, None, None] * peak.curvature
    mm = picture.to_artwork(view.to_photo(middle))
    return Observations(mm, picture.to_photo(mm) + moves * view.pitch, information / view.pitch**2)
