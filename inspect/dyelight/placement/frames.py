"""Corners, borders and orientation of panel and picture, and the frames of views."""

from __future__ import annotations

import numpy as np

from ..records import F64, Artwork
from .scaled import ArtworkView, PhotoView


def picture_box(artwork: Artwork) -> tuple[float, float, float, float]:
    """x0, y0, x1, y1 in mm of the whole artwork with its bleed."""
    bleed = artwork.bleed_mm
    return (-bleed, -bleed, artwork.width_mm + bleed, artwork.height_mm + bleed)


def border_mm(artwork: Artwork, per_side: int = 25) -> F64:
    """Points (4*per_side, 2) along the trimmed border, clockwise from the top-left corner."""
    t = np.arange(per_side) / per_side
    w, h = artwork.width_mm, artwork.height_mm
    zero = np.zeros_like(t)
    return np.concatenate(
        [
            np.stack([t * w, zero], 1),
            np.stack([zero + w, t * h], 1),
            np.stack([(1 - t) * w, zero + h], 1),
            np.stack([zero, (1 - t) * h], 1),
        ]
    )


def polygon_area(points: F64) -> float:
    """Signed area of a closed polygon (N, 2)."""
    x, y = points[:, 0], points[:, 1]
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) / 2)


def corners_mm(artwork: Artwork) -> F64:
    """TL, TR, BR, BL of the trimmed panel in mm (4, 2)."""
    w, h = artwork.width_mm, artwork.height_mm
    return np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])


def mm_from_view(art: ArtworkView) -> F64:
    """The matrix (3, 3) from artwork view px to artwork mm."""
    sx, sy, bleed = art.scale_x, art.scale_y, art.bleed_mm
    return np.array([[1 / sx, 0, 0.5 / sx - bleed], [0, 1 / sy, 0.5 / sy - bleed], [0, 0, 1]])


def view_to_photo(view: PhotoView) -> F64:
    """The matrix (3, 3) from photo view px to photo px."""
    return np.array([[view.pitch, 0, view.x0], [0, view.pitch, view.y0], [0, 0, 1.0]])


def turn_degrees(corners_px: F64) -> float:
    """Clockwise turn in -180..180 of the picture's down edge, 0 where it runs down."""
    tl, tr, br, bl = corners_px
    down = (bl + br) / 2 - (tl + tr) / 2
    angle = float(np.degrees(np.arctan2(down[1], down[0]))) - 90.0
    return (angle + 180.0) % 360.0 - 180.0


def orientation(corners_px: F64) -> tuple[bool, int]:
    """Whether corners TL, TR, BR, BL (4, 2) are seen mirrored, and their clockwise quarter turns.

    A mirrored picture is mirrored left to right first and turned afterwards, so the turn is read
    from the way its down edge runs, which that mirror leaves alone.
    """
    tl, tr, br, bl = corners_px
    down = (bl + br) / 2 - (tl + tr) / 2
    across = (tr + br) / 2 - (tl + bl) / 2
    mirrored = bool(across[0] * down[1] - across[1] * down[0] < 0)
    return mirrored, round(turn_degrees(corners_px) / 90.0) % 4
