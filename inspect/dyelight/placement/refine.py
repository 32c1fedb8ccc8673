"""Refine a first map by tiles, coarse to fine, in the photo's own frame."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from ..ranks import median
from ..records import F64, Artwork
from .frame_fit import Observations, OutlinePrior, capped, fit_homography_lens
from .frames import border_mm, polygon_area
from .picture_map import FittedMap
from .scaled import ArtworkView, PhotoView, PhotoViews, near_power_of_two
from .spline_fit import FitResult, fit_spline
from .stripes import along_one_line
from .tiles import TileShifts, observed, predict, shrunk_mask, tile_shift

# panel areas in view pixels and tile sides of the successive looks, with the most rounds at each
_LEVELS = ((0.12e6, 32, 6), (0.7e6, 48, 4), (2.4e6, 80, 3))
# a look is done when no point of the panel moved further than this, in view px
_SETTLED_PX = 0.1
_SETTLED_EARLY_PX = 0.3
# a tile's own model error in view px: interpolation, neighbouring warp, print grain
_TILE_FLOOR_PX = 0.02
# colour may change this many times more than brightness before it moves edges, by this share of the
# blur for each time more
_HUE_SHARE = 2.0
_HUE_ERROR = 0.1
# the print may sit this far off the panel, so picture this close to the trim may be cut away
_RIM_MM = 1.2
_RIM_SHARE = 0.02


# tiles, and the share of the panel that they span, from which they can tell a lens's distortion
_LENS_TILES = 24
_LENS_SPREAD = 0.3
# share of agreeing tiles below which no refinement will help
_HOPELESS_SHARE = 0.2
# a border point may move this share of the panel's length from its start
_MOST_MOVE_SHARE = 0.25
# correlation from which a tile counts as showing the artwork
_AGREEMENT = 0.5
# standard error of a tile's blur variance, view px^2, from which it tells nothing of the blur
_BLUR_ERROR_PX2 = 2.0
# sd of a tile's expected brightness, share of the full range, from which it must show
_LEAST_DETAIL = 0.008
_MOST_GAIN = 1.5


@dataclass(frozen=True, slots=True)
class Refined:
    """The refined map and the last look at it.

    `tiles` and `observations` are those that the fit used, in `view`. `blur_px` is the sd in photo
    px by which the photo is softer than the artwork. Of the tiles where the artwork promises clear
    detail there are `textured`, and the share `agreeing` of them shows it.
    """

    fit: FitResult
    tiles: TileShifts
    observations: Observations
    view: PhotoView
    art: ArtworkView
    blur_px: float
    survey: Survey


@dataclass(frozen=True, slots=True)
class Survey:
    """How far photo and artwork agree, tile by tile.

    Of `tiles` tiles the artwork promises clear detail in `textured`, and the share `agreeing` of
    those shows it. In the share `strange` of all tiles the photo has clear detail that the artwork
    lacks.
    """

    tiles: int
    textured: int
    agreeing: float
    strange: float


def rim_mm(artwork: Artwork) -> float:
    """Width of the border of the panel that is left out while the print's drift is unknown."""
    return min(_RIM_MM, _RIM_SHARE * min(artwork.width_mm, artwork.height_mm))


def panel_window(
    picture: FittedMap, artwork: Artwork, size_px: tuple[int, int], margin_share: float = 0.02
) -> tuple[int, int, int, int]:
    """The window x0, y0, x1, y1 of the photo that holds the panel and a margin.

    A map tried on the wrong quad may take the border to infinity; the window stays in the photo.
    """
    border = np.nan_to_num(picture.to_photo(border_mm(artwork)))
    low, high = border.min(axis=0), border.max(axis=0)
    margin = margin_share * float(np.max(high - low)) + 4
    size = np.array(size_px)
    x0, y0 = np.floor(np.clip(low - margin, 0, size - 1)).astype(int)
    x1, y1 = np.ceil(np.clip(high + margin, 1, size)).astype(int)
    return int(x0), int(y0), int(x1), int(y1)


def inner_box(artwork: Artwork) -> tuple[float, float, float, float]:
    """The trimmed panel without its rim, x0, y0, x1, y1 in mm."""
    rim = rim_mm(artwork)
    return (rim, rim, artwork.width_mm - rim, artwork.height_mm - rim)


def refine(
    start: FittedMap,
    views: PhotoViews,
    artwork: Artwork,
    fine: ArtworkView,
    *,
    prior: OutlinePrior | None = None,
) -> Refined | None:
    """Refine `start` from coarse to fine; None where the tiles give too little to fit.

    `fine` is the artwork at the finest level's resolution or better. Stops early, with the survey
    to show for it, where photo and artwork plainly differ.
    """
    picture = start
    result: Refined | None = None
    blur2 = 0.0
    grid_mm = border_mm(artwork, 4)
    for area_px, tile, rounds in _LEVELS:
        border = picture.to_photo(border_mm(artwork))
        panel_area = abs(polygon_area(border))
        if not np.isfinite(panel_area) or panel_area < 400:
            return None
        pitch = near_power_of_two(float(np.sqrt(panel_area / area_px)))
        finest = near_power_of_two(float(np.sqrt(panel_area / _LEVELS[-1][0])))
        if result is not None and pitch == result.view.pitch:
            continue
        window = panel_window(picture, artwork, views.size_px)
        if window[2] - window[0] < 4 * pitch or window[3] - window[1] < 4 * pitch:
            return None
        view = views.window(window, pitch)
        px_per_mm = np.sqrt(panel_area / (artwork.width_mm * artwork.height_mm)) / pitch
        art = fine.halved(min(1.0, 1.15 * px_per_mm / max(fine.scale_x, fine.scale_y)))
        for _ in range(rounds):
            # bent early, the map would follow what a few tiles mistake for print
            stiff = pitch > finest
            step = _round(
                picture, view, art, artwork, tile, float(np.sqrt(panel_area)), blur2, prior, stiff
            )
            if step is None or not _sane(step.fit.map, start, grid_mm):
                return result
            moved = step.fit.map.to_photo(grid_mm) - picture.to_photo(grid_mm)
            result = step
            picture = step.fit.map
            blur2 = _updated_blur(blur2, step)
            if step.survey.textured >= 8 and step.survey.agreeing < _HOPELESS_SHARE:
                return result
            settled = _SETTLED_PX if pitch == 1 or area_px == _LEVELS[-1][0] else _SETTLED_EARLY_PX
            if np.abs(moved).max() < settled * pitch:
                break
    return result


def _sane(picture: FittedMap, start: FittedMap, border: F64) -> bool:
    """Whether a fit is still a small correction of its start."""
    before, after = start.to_photo(border), picture.to_photo(border)
    if not np.isfinite(after).all():
        return False
    length = float(np.max(np.ptp(before, axis=0)))
    return bool(np.abs(after - before).max() < _MOST_MOVE_SHARE * length)


def _round(
    picture: FittedMap,
    view: PhotoView,
    art: ArtworkView,
    artwork: Artwork,
    tile: int,
    panel_px: float,
    blur2: float,
    prior: OutlinePrior | None,
    stiff: bool,
) -> Refined | None:
    blur = float(np.sqrt(blur2)) / view.pitch
    warped, inside = predict(picture, art, view, inner_box(artwork), blur)
    mask = shrunk_mask(inside & view.usable, 2 + round(blur))
    tiles = tile_shift(view.grey, warped, mask, tile)
    good = (
        (tiles.gain > 0.05)
        & (tiles.agreement > 0.2)
        & (np.abs(tiles.shift).max(axis=1, initial=0.0) < tile / 3)
    )
    if good.sum() < (6 if prior is None else 1):
        return None
    used = tiles.subset(good)
    seen = observed(picture, view, used)
    floor = _tile_floor(art.hue_share_at(seen.points_mm), blur) * view.pitch
    seen = along_one_line(replace(seen, information=capped(seen.information, floor)), view.pitch)
    lens = bool(good.sum() >= _LENS_TILES) and spread(seen.points_mm, artwork) >= _LENS_SPREAD
    lens |= prior is not None and prior.lens is not None
    base = fit_homography_lens(picture, seen, lens=lens, prior=prior)
    if not np.isfinite(base.homography).all():
        return None
    fit = fit_spline(base, seen, lens=lens, panel_px=panel_px, prior=prior, stiff=stiff)
    return Refined(
        fit,
        used,
        seen,
        view,
        art,
        float(np.sqrt(blur2)),
        _surveyed(tiles, view),
    )


def spread(points_mm: F64, artwork: Artwork) -> float:
    """Share of the panel that the points (N, 2) span."""
    hull = cv2.convexHull(points_mm.astype(np.float32))
    return float(cv2.contourArea(hull)) / (artwork.width_mm * artwork.height_mm)


def _tile_floor(hue_share: F64, blur: float) -> F64:
    """Error (N,) in view px that a tile has beyond its noise.

    Where an edge changes colour far more than brightness, blur adds up differently in each channel
    and moves the edge's brightness.
    """
    excess = np.maximum(hue_share - _HUE_SHARE, 0.0)
    floor: F64 = _TILE_FLOOR_PX + _HUE_ERROR * excess * float(np.hypot(blur, 0.5))
    return floor


def survey(picture: FittedMap, views: PhotoViews, artwork: Artwork, fine: ArtworkView) -> Survey:
    """How far photo and artwork agree under a rough map, seen coarsely enough to forgive it."""
    area_px, tile, _ = _LEVELS[0]
    panel_area = abs(polygon_area(picture.to_photo(border_mm(artwork))))
    pitch = near_power_of_two(float(np.sqrt(panel_area / area_px)))
    view = views.window(panel_window(picture, artwork, views.size_px), pitch)
    px_per_mm = np.sqrt(panel_area / (artwork.width_mm * artwork.height_mm)) / pitch
    art = fine.halved(min(1.0, 1.15 * px_per_mm / max(fine.scale_x, fine.scale_y)))
    warped, inside = predict(picture, art, view, inner_box(artwork))
    mask = shrunk_mask(inside & view.usable, 2)
    return _surveyed(tile_shift(view.grey, warped, mask, tile), view)


def _surveyed(tiles: TileShifts, view: PhotoView) -> Survey:
    lap = cv2.Laplacian(view.grey, cv2.CV_32F, ksize=1)
    # the kernel 0 1 0 / 1 -4 1 / 0 1 0 raises white noise by the root of 20
    noise = 1.4826 * median(np.abs(lap[::3, ::5])) / np.sqrt(20.0)
    right = tiles.gain[tiles.agreement > _AGREEMENT]
    # a print is seldom seen at more contrast than its file; reflections that fit by chance are
    gain = min(float(np.median(right)), _MOST_GAIN) if right.size >= 4 else 0.6
    least = max(4.0 * noise, _LEAST_DETAIL)
    textured = gain * tiles.detail > least
    strange = (tiles.photo_detail > 2 * least) & (tiles.agreement < _AGREEMENT)
    return Survey(
        tiles=len(tiles.gain),
        textured=int(textured.sum()),
        agreeing=float(np.mean(tiles.agreement[textured] > _AGREEMENT)) if textured.any() else 0.0,
        strange=float(np.mean(strange)) if len(strange) else 0.0,
    )


def _updated_blur(blur2: float, step: Refined) -> float:
    """The photo's blur variance beyond the artwork's, px^2, after what a look's tiles say of it."""
    tiles = step.tiles
    texture = tiles.detail * tiles.gain / tiles.noise
    # smooth shading hardly changes by blur, and what changes it would pass for blur
    clear = (texture > np.median(texture)) & (tiles.blur2_error < _BLUR_ERROR_PX2)
    if clear.sum() < 3:
        return blur2
    more = float(np.median(tiles.blur2[clear])) * step.view.pitch**2
    # one Laplacian term sees only the start of a wide blur, so it is trusted for a limited step
    return float(np.clip(blur2 + more, 0.0, blur2 + 4.0 * step.view.pitch**2))
