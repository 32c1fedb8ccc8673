"""A start and a prior for the map from rough corners of the panel."""

from __future__ import annotations

from ..records import F64, Artwork
from .fit import OutlinePrior, homography_from_corners
from .frames import corners_mm, picture_box
from .outline import find_outline
from .picture_map import FittedMap
from .scaled import ArtworkView, PhotoViews


def held(
    views: PhotoViews, artwork: Artwork, fine: ArtworkView, corners_px: F64
) -> tuple[FittedMap, OutlinePrior, bool]:
    """A start and a prior from rough corners (4, 2), and whether all sides were then measured."""
    size = views.size_px
    panel = corners_mm(artwork)
    corners, seen = corners_px, False
    for _ in range(2):
        h = homography_from_corners(panel, corners)
        nominal = FittedMap.from_homography(h, size, picture_box(artwork))
        outline = find_outline(views.photo, artwork, fine.rgb, nominal, 1.0)
        if outline is None:
            break
        corners, seen = nominal.to_photo(outline.corners_mm), all(outline.seen)
    h = homography_from_corners(panel, corners)
    start = FittedMap.from_homography(h, size, picture_box(artwork))
    if seen:
        return start, OutlinePrior(corners, panel), True
    return start, OutlinePrior(corners, panel, 2.5, 0.01, 0.006, 0.004), False
