"""The first look at a photo, within half a second: blur, mirrored light, a panel cut off.

The picture is found roughly by features on a small copy; what the photo is then held against is the
artwork, warped there. It judges the photo, never the panel.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..imaging import gaussian
from ..placement.features import Features, detect, match
from ..placement.scaled import shrink, to_grey
from ..records import F32, F64, U8, Artwork
from .hint_file import HintCode, load_hints

_ART_PX = 500  # long side of the artwork whose features are kept
_FEATURES = 1500
_PLACE_PX = 700  # long side of the photo that is searched
_LEAST_SPAN_PX = 20.0
_SURE_INLIERS = 25
_FINE_PX = 2000  # long side of the copy that blur is measured on
_TILE_PX = 160
_TILES = 8
_BLURS_PX = (0.3, 0.6, 0.9, 1.3, 1.8, 2.5, 3.5, 5.0, 7.0, 10.0)
_TINY = 1e-6


@dataclass(frozen=True, slots=True)
class ArtworkLook:
    """An artwork ready to be found: grey (H, W) float32 0..1 at about 2,000 px, small features.

    `scale` is grey px per px of the features' small copy; `width_mm` that of the whole file.
    """

    grey: F32
    features: Features
    scale: float
    width_mm: float
    trim: F64


@dataclass(frozen=True, slots=True)
class FirstLook:
    """What the first look saw. `blur_mm`, `reflected`, `fill` are None where nothing was found."""

    hints: tuple[HintCode, ...]
    blur_mm: float | None = None
    reflected: float | None = None
    fill: float | None = None


def artwork_look(artwork: Artwork) -> ArtworkLook:
    """Prepare an artwork; done once for each."""
    height, width = artwork.pixels.shape[:2]
    grey = to_grey(shrink(artwork.pixels, min(1.0, _FINE_PX / max(height, width))))
    small = _smaller(grey, _ART_PX)
    rows, columns = grey.shape
    sx = columns / (artwork.width_mm + 2 * artwork.bleed_mm)
    sy = rows / (artwork.height_mm + 2 * artwork.bleed_mm)
    x0, y0 = artwork.bleed_mm * sx, artwork.bleed_mm * sy
    x1, y1 = x0 + artwork.width_mm * sx, y0 + artwork.height_mm * sy
    trim = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) - 0.5
    whole_mm = artwork.width_mm + 2 * artwork.bleed_mm
    return ArtworkLook(grey, detect(small, _FEATURES), columns / small.shape[1], whole_mm, trim)


def first_look(pixels: U8, artwork: ArtworkLook) -> FirstLook:
    """Look at a photo (H, W, 3) uint8 sRGB, best at 1,000 to 2,500 px."""
    limits = load_hints().limit
    fine = to_grey(shrink(pixels, min(1.0, _FINE_PX / max(pixels.shape[:2]))))
    if float(np.percentile(fine[::4, ::4], 99)) < limits.dark.value:
        return FirstLook(("too_dark",))
    small = _smaller(fine, _PLACE_PX)
    found = match(artwork.features, detect(small, _FEATURES), _LEAST_SPAN_PX)
    if found is None or found.inliers < _SURE_INLIERS:
        # a photo without any detail at all is most often out of focus
        return FirstLook(("blurred",) if _featureless(small) else ("not_found",))
    # pixel centres: x_large + 0.5 = scale (x_small + 0.5)
    out = _scaled(fine.shape[1] / small.shape[1])
    back = np.linalg.inv(_scaled(artwork.scale))
    to_fine = out @ found.homography @ back
    corners = _project(to_fine, artwork.trim)
    height, width = fine.shape
    hints: list[HintCode] = []
    margin = limits.cut_px.value * fine.shape[1] / small.shape[1]
    beyond = np.concatenate([-corners, corners - np.array([width - 1.0, height - 1.0])])
    if float(beyond.max()) > margin:
        hints.append("cut_off")
    seen = cv2.warpPerspective(artwork.grey, to_fine, (width, height), flags=cv2.INTER_AREA)
    inside = np.zeros((height, width), np.uint8)
    cv2.fillConvexPoly(inside, np.round(corners).astype(np.int32), 1)
    covered = int(np.count_nonzero(inside))
    fill = covered / inside.size
    if fill < limits.least_fill.value and "cut_off" not in hints:
        hints.append("too_far")
    expected = np.asarray(seen, np.float32)
    reflected = _reflected(fine, expected, inside, limits.reflection_excess.value)
    if reflected > limits.reflection_share.value:
        hints.append("reflection")
    mm_per_px = artwork.width_mm / artwork.grey.shape[1] / max(_pitch(to_fine, artwork), _TINY)
    blur = _blur_px(fine, expected, inside)
    blur_mm = None if blur is None else blur * mm_per_px
    if blur_mm is not None and blur_mm > limits.blur_mm.value:
        hints.insert(0, "blurred")
    return FirstLook(tuple(hints), blur_mm, reflected, fill)


def _smaller(grey: F32, long_side_px: int) -> F32:
    factor = min(1.0, long_side_px / max(grey.shape))
    size = (max(1, round(grey.shape[1] * factor)), max(1, round(grey.shape[0] * factor)))
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.float32)


def _scaled(factor: float) -> F64:
    """The matrix from px of a copy to px of one `factor` times as large."""
    moved = (factor - 1) / 2
    return np.array([[factor, 0.0, moved], [0.0, factor, moved], [0.0, 0.0, 1.0]])


def _project(matrix: F64, points: F64) -> F64:
    return np.asarray(cv2.perspectiveTransform(points[None], matrix)[0], np.float64)


def _pitch(to_fine: F64, artwork: ArtworkLook) -> float:
    """Photo px per artwork px in the middle of the panel, the smaller of across and down."""
    middle = artwork.trim.mean(axis=0)
    ends = _project(to_fine, middle + np.array([[0.0, 0.0], [20.0, 0.0], [0.0, 20.0]]))
    return float(min(np.hypot(*(ends[1] - ends[0])), np.hypot(*(ends[2] - ends[0]))) / 20.0)


def _featureless(grey: F32) -> bool:
    """Whether nothing in the photo changes within a few pixels."""
    apart = np.abs(gaussian(grey, 1.0) - gaussian(grey, 4.0))
    return float(np.percentile(apart, 99)) < 0.02


def _reflected(photo: F32, expected: F32, inside: U8, excess: float) -> float:
    """Share of the panel that is brighter than the artwork explains, over some millimetres."""
    small_photo, small_art = _smaller(photo, 400), _smaller(expected, 400)
    mask = _smaller(inside.astype(np.float32), 400) > 0.99
    if np.count_nonzero(mask) < 200:
        return 0.0
    light, art = small_photo[mask], small_art[mask]
    keep = np.ones(light.shape, np.bool_)
    gain, bias = 1.0, 0.0
    for _ in range(4):
        # mirrored light only adds: the fit listens to the darker side
        design = np.stack([art[keep], np.ones(int(keep.sum()), np.float32)], axis=1)
        gain, bias = np.linalg.lstsq(design, light[keep], rcond=None)[0]
        rest = light - (gain * art + bias)
        spread = float(np.percentile(np.abs(rest[rest < 0]), 68)) if (rest < 0).any() else 0.02
        keep = rest < 2 * max(spread, 0.02)
        if np.count_nonzero(keep) < 100:
            return 1.0
    over = np.where(mask, small_photo - (gain * small_art + bias), 0.0).astype(np.float32)
    return float(np.count_nonzero((gaussian(over, 2.0) > excess) & mask) / np.count_nonzero(mask))


def _blur_px(photo: F32, expected: F32, inside: U8) -> float | None:
    """The Gaussian blur of photo against artwork in px, median over the busiest tiles; or None.

    The share of detail at one scale within that at a coarser one falls with blur, and does not
    depend on contrast or light.
    """
    energies = []
    busy = np.abs(gaussian(expected, 1.0) - gaussian(expected, 3.0))
    for y in range(0, photo.shape[0] - _TILE_PX, _TILE_PX):
        for x in range(0, photo.shape[1] - _TILE_PX, _TILE_PX):
            part = slice(y, y + _TILE_PX), slice(x, x + _TILE_PX)
            if inside[part].all():
                energies.append((float(busy[part].mean()), part))
    energies.sort(key=lambda item: -item[0])
    blurs = []
    for busy_here, part in energies[:_TILES]:
        if busy_here < 0.004:
            break
        wanted = _fineness(photo[part])
        drawn = [_fineness(gaussian(expected[part], sigma)) for sigma in _BLURS_PX]
        # fineness falls with blur; np.interp wants it rising
        blurs.append(float(np.interp(-wanted, [-value for value in drawn], _BLURS_PX)))
    return float(np.median(blurs)) if len(blurs) >= 2 else None


def _fineness(tile: F32) -> float:
    """Detail between 1 and 2 px over that between 4 and 8 px; the first is what blur takes."""
    fine = gaussian(tile, 1.2) - gaussian(tile, 2.4)
    coarse = gaussian(tile, 4.0) - gaussian(tile, 8.0)
    inner = slice(12, -12)
    return float(np.std(fine[inner, inner]) / max(float(np.std(coarse[inner, inner])), _TINY))
