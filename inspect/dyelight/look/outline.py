"""The panel's metal as the photo shows it: rounded corners, the rim, where the print ends."""

from __future__ import annotations

import cv2
import numpy as np

from ..records import F64, Artwork, Mask, Placement
from .frames import PanelFrame

_ARC_POINTS = 12
_DIAGONAL = float(np.sqrt(2) - 1)  # where an arc of radius 1 crosses the corner's diagonal
_SEARCH_MM = 6.0
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
    """Radius of the panel's corners in mm, from where the picture begins along each diagonal.

    `corners_frame_px` (4, 2): the outline's square corners on the panel frame. 0 where no corner can
    be read. The middle of four readings stands, so that one lifted corner does not decide.
    """
    step = 0.1
    away = np.arange(0, _SEARCH_MM, step)
    centre = corners_frame_px.mean(0)
    readings = []
    difference = np.abs(frame.observed - frame.expected).max(axis=2)
    for corner in corners_frame_px:
        inward = np.sign(centre - corner) / np.sqrt(2)
        at = (corner + inward * away[:, None] * frame.px_per_mm).astype(np.float32)
        values = cv2.remap(
            difference, at.reshape(1, -1, 2), None, cv2.INTER_LINEAR, borderValue=1.0
        ).ravel()
        same = values < _SAME
        run = int(1.2 / step)
        starts = [i for i in range(len(away) - run) if same[i : i + run].all()]
        if starts:
            readings.append(away[starts[0]])
    if not readings:
        return 0.0
    return float(np.median(readings)) / _DIAGONAL


def fill(outline_px: F64, height: int, width: int) -> Mask:
    """Mask (height, width) bool of a polygon (N, 2) in px, sub-pixel at its border."""
    mask = np.zeros((height, width), np.uint8)
    cv2.fillPoly(mask, [np.round(outline_px * 256).astype(np.int32)], 1, shift=8)
    return mask > 0


def usable_pixels(
    blown: Mask,
    artwork: Artwork,
    placement: Placement,
    artwork_from_panel: F64,
    radius_mm: float,
    inset_mm: float,
    origin_px: tuple[int, int],
) -> Mask:
    """Pixels (H, W) bool of a photo window that can be judged for small marks.

    Well inside metal and print, not clipped. `origin_px` is the photo px of the window's first pixel.
    """
    height, width = blown.shape
    panel = rounded_outline(artwork.width_mm, artwork.height_mm, radius_mm, inset_mm)
    mm = cv2.perspectiveTransform(panel.reshape(1, -1, 2), artwork_from_panel)[0]
    usable = fill(placement.picture.to_photo(mm) - origin_px, height, width)
    reach = artwork.bleed_mm - 0.4
    print_mm = rounded_outline(artwork.width_mm, artwork.height_mm, 0.0, -reach)
    usable &= fill(placement.picture.to_photo(print_mm) - origin_px, height, width)
    # light spills over from a clipped place into its neighbours
    usable &= cv2.dilate(blown.astype(np.uint8), np.ones((7, 7), np.uint8)) == 0
    if artwork.alpha is not None:
        usable &= _opaque(artwork, placement, inset_mm, origin_px, (width, height))
    return np.asarray(usable)


def _opaque(
    artwork: Artwork,
    placement: Placement,
    inset_mm: float,
    origin_px: tuple[int, int],
    size: tuple[int, int],
) -> Mask:
    assert artwork.alpha is not None
    alpha = artwork.alpha
    # distances need no finer grid than a quarter of a millimetre
    shrink = min(1.0, 4.0 / min(artwork.px_per_mm))
    if shrink < 1:
        alpha = cv2.resize(alpha, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    ppm = alpha.shape[1] / (artwork.width_mm + 2 * artwork.bleed_mm)
    deep = cv2.distanceTransform((alpha > 127).astype(np.uint8), cv2.DIST_L2, 5) / ppm
    mm = placement.picture.artwork_window(*origin_px, *size)
    at = (mm + np.float32(artwork.bleed_mm)) * np.float32(ppm) - np.float32(0.5)
    return np.asarray(cv2.remap(deep, at, None, cv2.INTER_LINEAR) > inset_mm)
