"""The panel's outline as a start and a prior for the map, and weak maps held by it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..records import F64, Artwork
from .bare_strips import past_bare_strips
from .found import Found, agrees
from .frame_fit import (
    LensPrior,
    Observations,
    OutlinePrior,
    deviation_from,
    fit_homography_lens,
    frame_covariance,
    homography_from_corners,
)
from .frames import corners_mm, picture_box, polygon_area
from .outline import find_outline
from .outline_record import EdgePoints
from .picture_map import FittedMap
from .quads import find_quads
from .refine import refine, survey
from .scaled import ArtworkView, PhotoViews

# standard error in px, 95th percentile over the picture, from which the outline is asked to help;
# less where tiles span a smaller share of the panel than this, and the rest is guessed
WEAK_PX = 0.25
_WEAK_INSIDE_PX = 0.1
_SPANNED = 0.85
# below this share what a fit foretells of the rest of the panel is not to be trusted at all
_GUESSED = 0.5
# a quad whose corners lie within this share of the panel's length is the same panel
_NEAR_SHARE = 0.1
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
    start, lens, own, seen = laid(artwork, size, corners_px, None), None, None, False
    rough, rounds = True, _ROUNDS
    while rounds:
        rounds -= 1
        outline = find_outline(views.photo, artwork, fine.rgb, start, 1.0, rough=rough)
        if outline is None:
            break
        if rough and all(outline.seen) and artwork.alpha is None:
            wider = past_bare_strips(views.photo, artwork, start, outline.corners_mm)
            if not np.allclose(wider, outline.corners_mm, atol=0.1):
                start, rough = laid(artwork, size, start.to_photo(wider), None), False
                rounds = _ROUNDS
                continue
        seen = all(outline.seen)
        corners = start.to_photo(outline.corners_mm)
        if not seen or outline.edges is None:
            start = laid(artwork, size, corners, lens)
            continue
        edges = _edges(start, outline.edges)
        straight = laid(artwork, size, corners, lens)
        start = fit_homography_lens(straight, edges, lens=True)
        covariance = _ALIKE * frame_covariance(start, edges)
        known = np.linalg.inv(covariance[8:, 8:])
        lens = LensPrior(np.array([start.k1, start.k2]), np.asarray(known, np.float64))
        rough = False
        _, by_frame = deviation_from(start, start)
        own = np.asarray(by_frame @ covariance[:8, :8] @ by_frame.T, np.float64)
    corners = start.to_photo(panel)
    if seen:
        return Hold(start, OutlinePrior(corners, panel, lens=lens, own=own), True)
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


def hold_by_outline(views: PhotoViews, artwork: Artwork, fine: ArtworkView, found: Found) -> Found:
    """The map again, with the panel's own shape to hold it where the picture says little."""
    before = found.survey
    if found.fit is None or before is None:
        return found
    worst = found.fit.worst_error_px
    if worst <= (WEAK_PX if found.spread >= _SPANNED else _WEAK_INSIDE_PX):
        return found
    for corners in _near(views, artwork, found.picture.to_photo(corners_mm(artwork)))[:3]:
        hold = held(views, artwork, fine, corners)
        if not hold.seen:
            continue
        again = refine(hold.start, views, artwork, fine, prior=hold.prior)
        if (
            again is not None
            and agrees(again.survey, survey(again.fit.map, views, artwork, fine))
            and again.survey.agreeing >= before.agreeing - 0.05
            and (found.spread < _GUESSED or again.fit.worst_error_px < worst)
        ):
            return Found.of(
                again, artwork, by_outline=found.by_outline, panel_px=hold.prior.corners_px
            )
    return found


def _near(views: PhotoViews, artwork: Artwork, here: F64) -> list[F64]:
    """Corners (4, 2) of outlines that are `here`'s own panel, that itself first."""
    length = float(np.sqrt(abs(polygon_area(here))))
    near = [here]
    for quad in find_quads(views.photo, artwork.width_mm / artwork.height_mm):
        for corners in (quad.corners_px, quad.corners_px[::-1]):
            for roll in range(4):
                turned = np.roll(corners, roll, axis=0)
                if np.abs(turned - here).max() < _NEAR_SHARE * length:
                    near.append(turned)
    return near
