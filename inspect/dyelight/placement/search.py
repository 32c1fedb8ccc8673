"""How far the print lies off its rough place: the whole panel's detail held against the artwork's.

Fine texture can only be refined from nearer than its own grain, and a print may sit a millimetre
off the metal. So both pictures are brought to even local contrast and correlated at every shift
within reach, all over the panel at once, by Fourier transform (Anuta, IEEE Trans. Geosci. Electron.
8, 1970, quoted from memory). Even contrast keeps a reflection or a stain from speaking louder than
the rest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from ..records import F32, Artwork, Mask
from .frames import border_mm, polygon_area
from .picture_map import FittedMap
from .refine import inner_box, panel_window
from .scaled import ArtworkView, PhotoView, PhotoViews, near_power_of_two
from .tiles import predict, shrunk_mask

_AREA_PX = 0.5e6
_REACH_MM = 1.6
_REACH_PX = 3.0  # what corners read from an outline may be off, in view px
_BAND_PX = 2.0
_KEEP_OFF = 2.0  # bands
_LEAST_INNER = 0.5
_LEAST_PIXELS = 400
_LEVEL_PX = 12.0
_CLIP = 3.0
# how far prints lie off the metal by use, and corners read from an outline off the panel's
_DRIFT_MM = 1.0
_CORNER_PX = 1.5  # view px
# what the likeness of the farthest shift counts less, for ties
_FARTHEST = 0.05


@dataclass(frozen=True, slots=True)
class Match:
    """The best shift of one way round.

    `start` is the map moved by it; `likeness` -1..1 the correlation of detail there, `clearness`
    how far that stands above the scatter over all shifts.
    """

    start: FittedMap
    likeness: float
    clearness: float


def best_shift(
    start: FittedMap, views: PhotoViews, artwork: Artwork, fine: ArtworkView
) -> Match | None:
    """The shift of the whole picture that fits the photo's detail best; None where none is seen."""
    area = abs(polygon_area(start.to_photo(border_mm(artwork))))
    if not np.isfinite(area) or area < 400:
        return None
    pitch = near_power_of_two(float(np.sqrt(area / _AREA_PX)))
    view = views.window(panel_window(start, artwork, views.size_px, 0.05), pitch)
    px_per_mm = float(np.sqrt(area / (artwork.width_mm * artwork.height_mm))) / pitch
    art = fine.halved(min(1.0, 1.15 * px_per_mm / max(fine.scale_x, fine.scale_y)))
    reach = int(np.ceil(_REACH_MM * px_per_mm + _REACH_PX))
    even = panel_detail(start, art, view, inner_box(artwork), reach)
    if even is None:
        return None
    surface = _correlation(detail_only(view.grey, view.usable), even, reach)
    peak = _likeliest(surface, reach, _DRIFT_MM * px_per_mm + _CORNER_PX)
    shift = np.array([peak[1] - reach, peak[0] - reach], np.float64) * view.pitch
    move = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]], [0.0, 0.0, 1.0]])
    moved = replace(start, homography=move @ start.homography)
    scatter = 1.4826 * float(np.median(np.abs(surface - np.median(surface))))
    likeness = float(surface[peak])
    return Match(moved, likeness, (likeness - float(np.median(surface))) / max(scatter, 1e-9))


def _likeliest(surface: F32, reach: int, usual_px: float) -> tuple[int, int]:
    """Row and column of the shift that is likeliest by its likeness and by how far prints lie off.

    Stripes are alike all along themselves, and one period on.
    """
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    off = np.hypot(y, x)
    rare = np.maximum(off - usual_px, 0.0) / (0.5 * usual_px)
    usual = np.exp(-0.5 * np.square(rare)) * (1 - _FARTHEST * off / max(reach, 1))
    row, column = np.unravel_index(int((surface * usual).argmax()), surface.shape)
    return int(row), int(column)


def panel_detail(
    picture: FittedMap,
    art: ArtworkView,
    view: PhotoView,
    box_mm: tuple[float, float, float, float],
    reach_px: int,
) -> F32 | None:
    """The artwork's detail (h, w) in the view's frame, to be held against shifts up to `reach_px`.

    Zero on average and off the panel; None where hardly any of the panel is seen.
    """
    warped, inside = predict(picture, art, view, box_mm)
    mask = shrunk_mask(inside & view.usable, 2)
    if mask.sum() < _LEAST_PIXELS:
        return None
    # the panel's own edge is no detail, and no shift within reach may bring it in
    inner = shrunk_mask(inside & view.usable, round(_KEEP_OFF * _BAND_PX) + reach_px)
    if inner.sum() < _LEAST_INNER * mask.sum():
        inner = mask
    even = detail_only(warped, mask)
    return np.where(inner, even - even[inner].mean(), np.float32(0))


def detail_only(grey: F32, mask: Mask) -> F32:
    """Detail finer than _BAND_PX (h, w) at unit local contrast, zero off the mask."""
    on = mask.astype(np.float32)
    cover = cv2.GaussianBlur(on, (0, 0), _BAND_PX) + np.float32(1e-3)
    fine = (grey - cv2.GaussianBlur(grey * on, (0, 0), _BAND_PX) / cover) * on
    cover = cv2.GaussianBlur(on, (0, 0), _LEVEL_PX) + np.float32(1e-3)
    power = cv2.GaussianBlur(fine * fine, (0, 0), _LEVEL_PX) / cover
    # where there is no detail at all, rounding must not be blown up to it
    floor = np.float32(0.25 * float(np.median(power[mask]))) if mask.any() else np.float32(0)
    even = fine / np.sqrt(power + floor + np.float32(1e-7))
    return np.asarray(np.clip(even, -_CLIP, _CLIP) * on, np.float32)


def _correlation(photo: F32, art: F32, reach: int) -> F32:
    """Correlation (2 reach + 1, 2 reach + 1) of two images at all shifts of photo against art."""
    height = cv2.getOptimalDFTSize(photo.shape[0] + reach)
    width = cv2.getOptimalDFTSize(photo.shape[1] + reach)
    spectra = [
        cv2.dft(cv2.copyMakeBorder(x, 0, height - x.shape[0], 0, width - x.shape[1], 0))
        for x in (photo, art)
    ]
    product = cv2.mulSpectrums(spectra[0], spectra[1], 0, conjB=True)
    full = cv2.dft(product, flags=cv2.DFT_INVERSE | cv2.DFT_REAL_OUTPUT | cv2.DFT_SCALE)
    rolled = np.roll(np.roll(full, reach, axis=0), reach, axis=1)
    seen = photo * (art != 0)
    energy = float(np.sqrt(np.sum(seen * seen) * np.sum(art * art)))
    return np.asarray(rolled[: 2 * reach + 1, : 2 * reach + 1] / max(energy, 1e-6), np.float32)
