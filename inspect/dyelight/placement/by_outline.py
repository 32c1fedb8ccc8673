"""Find the picture by the panel's outline and its colours, or hold a weak map by the outline."""

from __future__ import annotations

import numpy as np

from ..records import Artwork, Note
from .coarse import Lie, Reading
from .found import LEAST_TEXTURED, Found, agrees
from .frames import corners_mm, polygon_area, turn_degrees
from .hold import held
from .quads import PLAIN_SUPPORT, find_quads
from .refine import refine, survey
from .scaled import ArtworkView, PhotoViews

# colour likeness from which a way round is tried, and taken where no detail can confirm it
_TRY_LIKENESS = 0.35
_LIKENESS = 0.75
_LEAD = 0.08
# share of tiles with detail that the artwork lacks from which it is another picture
STRANGE_SHARE = 0.3
# a quad whose corners lie within this share of the panel's length is the same panel
_NEAR_SHARE = 0.1
# a panel whose colours spread further than this carries more than a plain artwork
_PLAIN_CHROMA_SD = 0.03
# standard error in px, 95th percentile over the picture, from which the outline is asked to help
_WEAK_PX = 0.25
# standard error of a print that is placed by the outline alone
_BLIND_MM = 1.0

_WAY_UNKNOWN = Note(
    "way_round_unknown",
    "The artwork has no pattern, so its way round cannot be read from the photo.",
)


def by_outline(
    views: PhotoViews, artwork: Artwork, fine: ArtworkView, readings: list[Reading]
) -> Found | None:
    """The map by the best way of the best quad, or None where none stands its tests."""
    tries: list[tuple[float, Reading, Lie]] = []
    for reading in readings:
        for way in reading.ways:
            if reading.plain or way.likeness >= _TRY_LIKENESS:
                tries.append((way.likeness + 0.5 * reading.quad.support, reading, way))
    tries.sort(key=lambda t: -t[0])
    best: tuple[float, Found] | None = None
    for _, reading, way in tries[:6]:
        found, score = _from_quad(views, artwork, fine, reading, way)
        if found is not None and (best is None or score > best[0]):
            best = (score, found)
        if score > 1.0:
            break
    return None if best is None else best[1]


def _from_quad(
    views: PhotoViews, artwork: Artwork, fine: ArtworkView, reading: Reading, way: Lie
) -> tuple[Found | None, float]:
    """Refine one way of one quad; the score is above 1 where the picture's detail confirms it."""
    start, prior, seen = held(views, artwork, fine, way.corners_px)
    refined = refine(start, views, artwork, fine, prior=prior)
    picture = start if refined is None else refined.fit.map
    look = survey(picture, views, artwork, fine)
    if refined is not None and agrees(refined.survey, look):
        error = refined.fit.standard_error_px
        return Found(refined, picture, error, (), True), 1.0 + look.agreeing
    if look.textured >= LEAST_TEXTURED or look.strange > STRANGE_SHARE:
        # the photo lacks detail that the artwork promises, or has what the artwork lacks
        return None, 0.0
    if not seen or reading.quad.support < PLAIN_SUPPORT:
        return None, 0.0
    panel_px2 = abs(polygon_area(prior.corners_px))
    # without picture points the outline's own error adds to how prints lie on panels
    error = _BLIND_MM * float(np.sqrt(panel_px2 / (artwork.width_mm * artwork.height_mm)))
    if reading.plain:
        if reading.photo_chroma_sd > _PLAIN_CHROMA_SD:
            return None, 0.0
        upright = abs(turn_degrees(way.corners_px)) + (90.0 if way.mirrored else 0.0)
        return Found(None, start, error, (_WAY_UNKNOWN,), True), 0.9 - upright / 1000
    if way.likeness < _LIKENESS or way.lead < _LEAD:
        return None, 0.0
    if refined is not None:
        error = refined.fit.standard_error_px
    return Found(refined, picture, error, (), True), 0.5 + 0.4 * way.likeness


def hold_by_outline(views: PhotoViews, artwork: Artwork, fine: ArtworkView, found: Found) -> Found:
    """The map again, with the panel's own shape to hold it where the picture says little."""
    refined = found.refined
    if refined is None or refined.fit.worst_error_px <= _WEAK_PX:
        return found
    here = found.picture.to_photo(corners_mm(artwork))
    length = float(np.sqrt(abs(polygon_area(here))))
    rough = [here]
    for quad in find_quads(views.photo, artwork.width_mm, artwork.height_mm):
        for corners in (quad.corners_px, quad.corners_px[::-1]):
            for roll in range(4):
                turned = np.roll(corners, roll, axis=0)
                if np.abs(turned - here).max() < _NEAR_SHARE * length:
                    rough.append(turned)
    for corners in rough[:3]:
        start, prior, seen = held(views, artwork, fine, corners)
        if not seen:
            continue
        again = refine(start, views, artwork, fine, prior=prior)
        if (
            again is not None
            and agrees(again.survey, survey(again.fit.map, views, artwork, fine))
            and again.survey.agreeing >= refined.survey.agreeing - 0.05
            and again.fit.worst_error_px < refined.fit.worst_error_px
        ):
            error = again.fit.standard_error_px
            return Found(again, again.fit.map, error, found.notes, found.by_outline)
    return found
