"""Where picture and panel lie in a photo."""

from __future__ import annotations

import numpy as np

from ..records import F64, Artwork, NoPlacement, Photo, Placement
from .features import detect, match
from .outline import find_outline
from .picture_map import FittedMap
from .refine import picture_box, refine
from .scaled import ArtworkView, PhotoView, artwork_view, photo_view

_FIND_PX = 1.0e6
_ART_FIND_PX = 0.6e6
_ART_FINE_PX = 4.0e6


def place(photo: Photo, artwork: Artwork) -> Placement | NoPlacement:
    """Find the artwork's picture and the panel's outline in a photo."""
    fine = artwork_view(artwork, float(np.sqrt(_ART_FINE_PX / artwork.pixels[..., 0].size)))
    coarse_art = fine.halved(min(1.0, float(np.sqrt(_ART_FIND_PX / fine.grey.size))))
    pitch = max(1, round(float(np.sqrt(photo.width_px * photo.height_px / _FIND_PX))))
    whole = photo_view(photo, (0, 0, photo.width_px, photo.height_px), pitch)
    found = match(detect(coarse_art.grey, 3000), detect(whole.grey, 4000), 20.0)
    if found is None:
        return NoPlacement(
            "no_panel",
            "The panel was not found in this photo.",
            "Take the photo again with the whole panel in the frame.",
        )
    start = FittedMap.from_homography(
        view_to_photo(whole) @ found.homography @ np.linalg.inv(mm_from_view(coarse_art)),
        (photo.width_px, photo.height_px),
        picture_box(artwork),
    )
    refined = refine(start, photo, artwork, fine)
    if refined is None:
        return NoPlacement(
            "unsure",
            "The picture could not be lined up with the artwork.",
            "Take the photo again, sharp and straight on.",
        )
    picture = refined.fit.map
    outline = find_outline(photo, artwork, fine.rgb, picture, refined.blur_px)
    if outline is None:
        corners = picture.to_photo(corners_mm(artwork))
    else:
        corners = picture.without_spline().to_photo(outline.corners_mm)
    mirrored, turns = orientation(corners)
    return Placement(
        picture=picture,
        corners_px=corners,
        outline_seen=outline is not None,
        uncertainty_px=refined.fit.standard_error_px,
        drift_mm=None if outline is None else outline.drift_mm,
        stretch_pct=None if outline is None else outline.stretch_pct,
        mirrored=mirrored,
        quarter_turns=turns,
        method="features",
    )


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


def orientation(corners_px: F64) -> tuple[bool, int]:
    """Whether corners TL, TR, BR, BL (4, 2) are seen mirrored, and their clockwise quarter turns.

    A mirrored picture is mirrored left to right first and turned afterwards, so the turn is read from
    the way its down edge runs, which that mirror leaves alone.
    """
    tl, tr, br, bl = corners_px
    down = (bl + br) / 2 - (tl + tr) / 2
    across = (tr + br) / 2 - (tl + bl) / 2
    mirrored = bool(across[0] * down[1] - across[1] * down[0] < 0)
    # down points to 90 degrees in an upright picture, with y down and angles clockwise
    angle = np.degrees(np.arctan2(down[1], down[0])) - 90.0
    return mirrored, int(np.round(angle / 90.0)) % 4
