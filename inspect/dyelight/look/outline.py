"""The panel's metal as the photo shows it: rounded corners, the rim, where the print ends."""

from __future__ import annotations

import cv2
import numpy as np

from ..imaging import area, as_u8, distance_inside, gaussian, sample, wide_parts
from ..records import F32, F64, U8, Artwork, Mask, Placement
from .frames import PanelFrame
from .render import ArtworkUnderPhoto

_ARC_POINTS = 12
_DIAGONAL = float(np.sqrt(2) - 1)  # where an arc of radius 1 crosses the corner's diagonal
_SEARCH_MM = 6.0
_MOST_RADIUS_MM = 12.0
_CLEARLY, _ALONE = 0.8, 0.3  # how well an arc is followed, and how much better than most radii
_PRINT_ENDS_MM = 0.4  # within the file's edge, where its last pixels are mixed
_CLIPPED_MM = 1.6  # no speck and no scratch holds a larger disc
_SPILL_PX = 3
_SAME = 0.07  # root light; a background this near the picture hides where the corner ends


def rounded_outline(width_mm: float, height_mm: float, radius_mm: float, inset_mm: float) -> F64:
    """Outline (N, 2) in panel mm of a panel with rounded corners, moved inwards by `inset_mm`."""
    w, h = width_mm - 2 * inset_mm, height_mm - 2 * inset_mm
    r = float(np.clip(radius_mm - 0.3 * inset_mm, 0, 0.5 * min(w, h)))
    turn = np.linspace(0, np.pi / 2, _ARC_POINTS)
    arc = np.stack([np.cos(turn), np.sin(turn)], 1) * r
    parts = []
    for x, y, flip_x, flip_y, order in (
        (w - r, h - r, 1, 1, 1),
        (r, h - r, -1, 1, -1),
        (r, r, -1, -1, 1),
        (w - r, r, 1, -1, -1),
    ):
        parts.append((arc * [flip_x, flip_y] + [x, y])[::order])
    return np.concatenate(parts) + inset_mm


def corner_radius_mm(frame: PanelFrame, corners_frame_px: F64) -> float:
    """Radius of the panel's corners in mm, 0 where no corner can be read.

    `corners_frame_px` (4, 2): the outline's square corners on the panel frame. The radius whose
    arcs follow an edge in all corners but the worst; where no radius stands out, from where the
    picture begins along each diagonal.
    """
    step, away = 0.25, 0.25 * frame.px_per_mm
    radii = np.arange(2 * step, _MOST_RADIUS_MM, step)
    soft = gaussian(frame.observed, max(0.15 * frame.px_per_mm, 0.7))
    turn = np.deg2rad(np.linspace(20, 70, 2 * _ARC_POINTS))
    inward = np.sign(corners_frame_px.mean(0) - corners_frame_px)[:, None]
    out = -inward * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    reach = (radii * frame.px_per_mm)[:, None, None, None]
    arcs = corners_frame_px[:, None] + (inward + out) * reach
    across = [
        sample(soft, (arcs + side * away * out).astype(np.float32).reshape(1, -1, 2))
        for side in (1, -1)
    ]
    slope = np.abs(across[0] - across[1]).max(axis=2).reshape(arcs.shape[:3])
    each = np.median(slope, axis=2)
    # the worst of the four may be lifted, or without contrast to what it lies on
    followed = np.sort(each / np.maximum(each.max(axis=0), 1e-6), axis=1)[:, 1:].mean(axis=1)
    best = int(followed.argmax())
    if followed[best] > _CLEARLY and followed[best] - np.median(followed) > _ALONE:
        return float(radii[best])
    return _radius_by_diagonals(frame, corners_frame_px)


def _radius_by_diagonals(frame: PanelFrame, corners_frame_px: F64) -> float:
    """Radius in mm, the middle one of four readings, so that one lifted corner does not decide."""
    step = 0.1
    away = np.arange(0, _SEARCH_MM, step)
    centre = corners_frame_px.mean(0)
    readings = []
    for corner in corners_frame_px:
        inward = np.sign(centre - corner) / np.sqrt(2)
        at = (corner + inward * away[:, None] * frame.px_per_mm).astype(np.float32)
        same = _apart(frame, at) < _SAME
        run = int(1.2 / step)
        starts = [i for i in range(len(away) - run) if same[i : i + run].all()]
        if starts:
            readings.append(away[starts[0]])
    if not readings:
        return 0.0
    return float(np.median(readings)) / _DIAGONAL


def _apart(frame: PanelFrame, at: F32) -> F32:
    """Largest difference of the channels (N,) at frame px `at` (N, 2), 1 outside the frame."""
    low = np.maximum(np.floor(at.min(0)).astype(int) - 1, 0)
    high = np.maximum(np.ceil(at.max(0)).astype(int) + 2, low + 1)
    cut = (slice(low[1], high[1]), slice(low[0], high[0]))
    difference = np.abs(frame.observed[cut] - frame.expected[cut]).max(axis=2)
    if difference.size == 0:
        return np.ones(len(at), np.float32)
    here = (at - low).astype(np.float32).reshape(1, -1, 2)
    return np.asarray(sample(difference, here, outside=1.0)[0], np.float32)


def fill(outline_px: F64, height: int, width: int) -> Mask:
    """Mask (height, width) bool of a polygon (N, 2) in px, sub-pixel at its border."""
    mask = np.zeros((height, width), np.uint8)
    cv2.fillPoly(mask, [np.round(outline_px * 256).astype(np.int32)], 1, shift=8)
    return mask > 0


def usable_pixels(
    clipped: U8,
    artwork: Artwork,
    placement: Placement,
    under: ArtworkUnderPhoto,
    artwork_from_panel: F64,
    radius_mm: float,
    inset_mm: float,
    px_per_mm: float,
    origin_px: tuple[int, int],
) -> Mask:
    """Pixels (H, W) bool of a photo window that can be judged for small marks.

    Well inside metal and print, not widely clipped (`clipped` is 255 where a pixel is).
    `origin_px` is the photo px of the window's first pixel, `under` the artwork's place in it.
    """
    height, width = clipped.shape
    panel = rounded_outline(artwork.width_mm, artwork.height_mm, radius_mm, inset_mm)
    mm = cv2.perspectiveTransform(panel.reshape(1, -1, 2), artwork_from_panel)[0]
    usable = fill(placement.picture.to_photo(mm) - origin_px, height, width)
    reach = artwork.bleed_mm - _PRINT_ENDS_MM
    print_mm = rounded_outline(artwork.width_mm, artwork.height_mm, 0.0, -reach)
    usable &= fill(placement.picture.to_photo(print_mm) - origin_px, height, width)
    usable &= ~_widely_clipped(clipped, _CLIPPED_MM * px_per_mm)
    if artwork.alpha is not None:
        usable &= _clear_of_cuts(
            artwork, artwork.alpha, artwork_from_panel, inset_mm, under, (width, height)
        )
    return usable


def moved_with_panel(image: F32, px_per_mm: float, first_mm: float, panel_to_artwork: F64) -> F32:
    """An image (H, W) float32 of what the panel has at its own mm, drawn where it lies in artwork
    mm. Both count from `first_mm`, the outer corner of the first pixel, in `px_per_mm`."""
    scale = np.array([[px_per_mm, 0, -0.5], [0, px_per_mm, -0.5], [0, 0, 1.0]])
    scale[:2, 2] -= px_per_mm * first_mm
    move = scale @ panel_to_artwork @ np.linalg.inv(scale)
    size = (image.shape[1], image.shape[0])
    out = cv2.warpPerspective(image, move, size, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32)


def _widely_clipped(clipped: U8, radius_px: float) -> Mask:
    """Clipped places (H, W) that hold a disc of this radius, and what their light spills over to.

    What is smaller may be a speck or scratch too bright for the sensor, and shows all the same.
    """
    height, width = clipped.shape
    shrink = max(1, int(radius_px / 3))
    small = area(clipped, (max(width // shrink, 1), max(height // shrink, 1))) > 127
    wide = wide_parts(small, radius_px / shrink)
    if not wide.any():
        return np.zeros(clipped.shape, bool)
    full = cv2.resize(as_u8(wide), (width, height), interpolation=cv2.INTER_NEAREST)
    spill = 2 * (shrink + _SPILL_PX) + 1
    return np.asarray(cv2.dilate(full, np.ones((spill, spill), np.uint8)) > 0)


def _clear_of_cuts(
    artwork: Artwork,
    alpha: U8,
    artwork_from_panel: F64,
    inset_mm: float,
    under: ArtworkUnderPhoto,
    size: tuple[int, int],
) -> Mask:
    """Pixels (H, W) of a window that lie `inset_mm` within the metal of a panel with cut-outs, and
    on print, which ends where the file is cut out though the metal may lie off it."""
    # distances need no finer grid than a quarter of a millimetre
    shrink = min(1.0, 4.0 / min(artwork.px_per_mm))
    if shrink < 1:
        alpha = area(alpha, (round(alpha.shape[1] * shrink), round(alpha.shape[0] * shrink)))
    ppm = alpha.shape[1] / (artwork.width_mm + 2 * artwork.bleed_mm)
    deep = distance_inside(alpha > 127) / np.float32(ppm)
    metal = moved_with_panel(deep, ppm, -artwork.bleed_mm, artwork_from_panel)
    deep = np.minimum(metal - np.float32(inset_mm), deep - np.float32(_PRINT_ENDS_MM))
    at = under.moved(ppm, np.full(2, artwork.bleed_mm * ppm - 0.5)).drawn(*size)
    return np.asarray(sample(deep, at, outside=-1.0) > 0)
