"""A start and a prior for the map from rough corners of the panel."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..records import F64, Artwork
from .frame_fit import (
    LensPrior,
    Observations,
    OutlinePrior,
    fit_homography_lens,
    homography_from_corners,
    lens_information,
)
from .frames import corners_mm, picture_box
from .outline import find_outline
from .outline_record import EdgePoints
from .picture_map import FittedMap
from .scaled import ArtworkView, PhotoViews

_ROUNDS = 3
# standard error of a single point of an edge, photo px
_EDGE_PX = 0.3
# neighbouring points of an edge err alike, by its gloss and its shadow: so many count as one
_ALIKE = 8.0


@dataclass(frozen=True, slots=True)
class Hold:
    """The panel in the photo, as its outline shows it.

    `start` takes the panel's own mm to the photo, `prior` says how far the picture may lie off
    that, and `seen` tells whether all sides were measured.
    """

    start: FittedMap
    prior: OutlinePrior
    seen: bool


def laid(
    artwork: Artwork, size_px: tuple[int, int], corners_px: F64, lens: LensPrior | None
) -> FittedMap:
    """The map without spline that puts the panel's corners at `corners_px` (4, 2)."""
    panel = corners_mm(artwork)
    plain = FittedMap.from_homography(
        homography_from_corners(panel, corners_px), size_px, picture_box(artwork)
    )
    if lens is None:
        return plain
    bent = replace(plain, k1=float(lens.mean[0]), k2=float(lens.mean[1]))
    return replace(bent, homography=homography_from_corners(panel, bent.undistorted(corners_px)))


def held(views: PhotoViews, artwork: Artwork, fine: ArtworkView, corners_px: F64) -> Hold:
    """Measure the outline near rough corners (4, 2), and the lens by how its sides bend."""
    size = views.size_px
    panel = corners_mm(artwork)
    start, lens, seen = laid(artwork, size, corners_px, None), None, False
    for _ in range(_ROUNDS):
        outline = find_outline(views.photo, artwork, fine.rgb, start, 1.0, rough=lens is None)
        if outline is None:
            break
        seen = all(outline.seen)
        corners = start.to_photo(outline.corners_mm)
        if not seen or outline.edges is None:
            start = laid(artwork, size, corners, lens)
            continue
        edges = _edges(start, outline.edges)
        straight = laid(artwork, size, corners, lens)
        start = fit_homography_lens(straight, edges, lens=True)
        more = lens_information(start, edges) / _ALIKE
        lens = LensPrior(np.array([start.k1, start.k2]), LensPrior.usual().information + more)
    corners = start.to_photo(panel)
    if seen:
        return Hold(start, OutlinePrior(corners, panel, lens=lens), True)
    return Hold(start, OutlinePrior(corners, panel, 2.5, 0.01, 0.006, 0.004, lens), False)


def _edges(picture: FittedMap, edges: EdgePoints) -> Observations:
    """Edge points as measured points of the panel's border, each across its edge alone."""
    at = picture.to_photo(edges.seen_mm)
    tangent = np.stack([-edges.normals[:, 1], edges.normals[:, 0]], axis=1)
    along = picture.to_photo(edges.seen_mm + tangent) - picture.to_photo(edges.seen_mm - tangent)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-9)
    share = edges.weight / max(float(edges.weight.max(initial=0.0)), 1e-9)
    information = across[:, :, None] * across[:, None, :] * (share / _EDGE_PX**2)[:, None, None]
    return Observations(edges.nominal_mm, at, np.asarray(information, np.float64))
