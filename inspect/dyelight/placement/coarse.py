"""Which way round the artwork lies in a quadrilateral, by its colours at low resolution."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter

from ..records import F32, F64, Artwork, Mask, Photo, Pixels
from .frame_fit import homography_from_corners
from .picture_map import project
from .profiles import gather
from .quads import Quad
from .scaled import blurred, shrink

_GRID = 40
_INSET = 0.06
# longer side of the photo that is read
_SMALL_PX = 640
# share of the cells that may be reflections, and how often they are told anew
_REFLECTED = 0.35
_TRIMS = 4
# spread of the artwork's colours (share of the full range) below which it has no pattern to match
_PLAIN_SD = 0.012


@dataclass(frozen=True, slots=True)
class Lie:
    """One way the artwork may lie in a quad.

    `corners_px` (4, 2) TL, TR, BR, BL as the artwork reads; `likeness` -1..1 correlation of
    colours; `lead` how far it stands above the next best way in this quad.
    """

    corners_px: F64
    mirrored: bool
    likeness: float
    lead: float


@dataclass(frozen=True, slots=True)
class Reading:
    """A quad read against the artwork: its ways best first, and the spreads of colour in both.

    `photo_chroma_sd` leaves brightness out, which a reflection on a plain panel changes too.
    """

    quad: Quad
    ways: tuple[Lie, ...]
    art_sd: float
    photo_chroma_sd: float

    @property
    def plain(self) -> bool:
        """Whether the artwork has no pattern that could tell its way round."""
        return self.art_sd < _PLAIN_SD


def small_artwork(artwork: Artwork) -> F32:
    """The trimmed artwork's middle as (40, 40, 3) float32 in 0..1."""
    sx, sy = artwork.px_per_mm
    pad_x = (artwork.bleed_mm + _INSET * artwork.width_mm) * sx
    pad_y = (artwork.bleed_mm + _INSET * artwork.height_mm) * sy
    height, width = artwork.pixels.shape[:2]
    x0, x1 = round(pad_x), max(round(width - pad_x), round(pad_x) + 1)
    y0, y1 = round(pad_y), max(round(height - pad_y), round(pad_y) + 1)
    crop = artwork.pixels[y0:y1, x0:x1]
    out = cv2.resize(crop, (_GRID, _GRID), interpolation=cv2.INTER_AREA)
    top = 65535.0 if artwork.pixels.dtype == np.uint16 else 255.0
    return np.asarray(out, dtype=np.float32) / np.float32(top)


def read_quads(photo: Photo, artwork: Artwork, quads: list[Quad]) -> list[Reading]:
    """Each quad read in all the ways that its aspect allows."""
    if not quads:
        return []
    art = small_artwork(artwork)
    spread = float(np.sqrt(np.sum(np.var(art, axis=(0, 1)))))
    small, scale = _small_photo(photo)
    readings = []
    softened: dict[float, Pixels] = {}
    for quad in quads:
        sigma = _cell_blur(quad.corners_px * scale)
        if sigma not in softened:
            softened[sigma] = blurred(small, sigma)
        at = _unit_grid(quad.corners_px)
        seen, inside = gather(softened[sigma], (at + 0.5) * scale - 0.5)
        readings.append(
            Reading(quad, _ways(quad, seen, inside, art), spread, _chroma_spread(seen, inside))
        )
    return readings


def likeness_at(photo: Photo, artwork: Artwork, corners_px: F64) -> float:
    """How like the artwork's colours (-1..1) the photo's are between corners (4, 2) known well."""
    seen, inside = _seen_between(photo, corners_px)
    return _likeness(seen, inside, small_artwork(artwork))


def shared_colours(photo: Photo, artwork: Artwork, corners_px: F64) -> float:
    """Share 0..1 of the colours between corners (4, 2) that the artwork has too, wherever they lie.

    The intersection of two histograms (Swain and Ballard, IJCV 7(1), 1991) of chroma and of ranked
    lightness, so that exposure does not count.
    """
    seen, inside = _seen_between(photo, corners_px)
    if not inside.any():
        return 0.0
    return float(np.minimum(_colours(seen[inside]), _colours(small_artwork(artwork))).sum())


def _colours(rgb: F32) -> F64:
    """Histogram (4, 20, 20) of colours (..., 3), softened so that near colours share."""
    opponent = _opponent(rgb.reshape(-1, 3))
    rank = np.argsort(np.argsort(opponent[:, 0])) / len(opponent)
    at = np.stack([rank, opponent[:, 1], opponent[:, 2]], axis=1)
    count, _ = np.histogramdd(at, bins=(4, 20, 20), range=((0, 1), (-1, 1), (-1, 1)))
    return np.asarray(gaussian_filter(count / len(opponent), (0, 0.7, 0.7)), np.float64)


def _seen_between(photo: Photo, corners_px: F64) -> tuple[F32, Mask]:
    """The photo's colours on the grid between corners (4, 2), and which of them it has."""
    small, scale = _small_photo(photo)
    softened = blurred(small, _cell_blur(corners_px * scale))
    return gather(softened, (_unit_grid(corners_px) + 0.5) * scale - 0.5)


def _small_photo(photo: Photo) -> tuple[Pixels, F64]:
    """The photo shrunk to be read, and its px across and down per px of the photo (2,)."""
    small = shrink(photo.pixels, min(1.0, _SMALL_PX / max(photo.width_px, photo.height_px)))
    scale = np.array([small.shape[1] / photo.width_px, small.shape[0] / photo.height_px])
    return small, scale


def _cell_blur(corners_px: F64) -> float:
    """Blur, px, at which a sample averages about a cell of the grid."""
    side = float(np.linalg.norm(np.ptp(corners_px, axis=0))) / _GRID / 1.4
    return max(0.5, round(side) / 2)


def _unit_grid(corners_px: F64) -> F64:
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    h = homography_from_corners(square, corners_px)
    t = _INSET + (1 - 2 * _INSET) * (np.arange(_GRID) + 0.5) / _GRID
    grid = np.stack(np.meshgrid(t, t), axis=-1)
    return project(h, grid.reshape(-1, 2)).reshape(_GRID, _GRID, 2)


def _chroma_spread(seen: F32, inside: Mask) -> float:
    if inside.sum() < 16:
        return 0.0
    return float(np.sqrt(np.sum(np.var(_opponent(seen[inside])[:, 1:], axis=0))))


def _ways(quad: Quad, seen: F32, inside: Mask, art: F32) -> tuple[Lie, ...]:
    tries = []
    for roll in range(4):
        # with roll even the quad's side 0-1 is the artwork's width
        if not (quad.upright if roll % 2 == 0 else quad.lying):
            continue
        for mirrored in (False, True):
            # artwork cell (row, column) seen at the photo's grid turned back by `roll`
            turned = np.rot90(seen, roll)
            kept = np.rot90(inside, roll)
            if mirrored:
                turned, kept = turned[:, ::-1], kept[:, ::-1]
            corners = np.roll(quad.corners_px, -roll, axis=0)
            if mirrored:
                corners = corners[[1, 0, 3, 2]]
            tries.append((_likeness(turned, kept, art), mirrored, corners))
    tries.sort(key=lambda t: -t[0])
    ways = []
    for k, (likeness, mirrored, corners) in enumerate(tries):
        following = tries[k + 1][0] if k + 1 < len(tries) else -1.0
        ways.append(Lie(corners, mirrored, likeness, likeness - following))
    return tuple(ways)


def _likeness(seen: F32, inside: Mask, art: F32) -> float:
    """Correlation of brightness and two colour differences, weighted by the artwork's spread."""
    if inside.sum() < 0.3 * inside.size:
        return -1.0
    # blown reflections say nothing
    ok = inside & (seen.max(axis=2) < 0.98)
    if ok.sum() < 0.2 * inside.size:
        ok = inside
    a, p = _opponent(art[ok]), _opponent(seen[ok])
    keep = np.ones(len(a), dtype=np.bool_)
    value = 0.0
    for _ in range(_TRIMS):
        x, y = a[keep] - a[keep].mean(axis=0), p[keep] - p[keep].mean(axis=0)
        sd_x, sd_y = x.std(axis=0), y.std(axis=0)
        product = np.mean(x * y, axis=0)
        # a channel without spread in the photo cannot agree
        correlation = np.where(sd_y > 0.003, product / np.maximum(sd_x * sd_y, 1e-6), 0.0)
        total = float(sd_x.sum())
        if total <= 1e-6:
            return 0.0
        value = float(np.sum(correlation * sd_x) / total)
        # reflections add light: the cells most above their expected brightness are left out
        gain = max(float(product[0]), 0.0) / max(float(sd_x[0]) ** 2, 1e-9)
        above = p[:, 0] - gain * a[:, 0]
        keep = above <= np.quantile(above, 1 - _REFLECTED)
    return value


def _opponent(rgb: F32) -> F32:
    r, g, b = rgb[:, 0], rgb[:, 1], rgb[:, 2]
    return np.stack([(r + g + b) / 3, r - g, (r + g) / 2 - b], axis=1)
