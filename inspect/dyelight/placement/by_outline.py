"""Find the picture by the panel's outline and its colours, or hold a weak map by the outline."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..records import Artwork, Note
from .coarse import Lie, Reading
from .found import LEAST_TEXTURED, Found, agrees
from .frame_fit import OutlinePrior
from .frames import corners_mm, polygon_area, turn_degrees
from .hold import held, laid
from .picture_map import FittedMap
from .quads import PLAIN_SUPPORT, find_quads
from .refine import refine, survey
from .scaled import ArtworkView, PhotoViews
from .search import best_shift

# outlines that are looked at closely, and ways of them that are refined
_QUADS = 4
_WAYS = 4
# a way whose colours run against the artwork's is not looked at
_AGAINST = -0.25
# colour likeness taken where no detail can confirm it, and its lead over the next way
_LIKENESS = 0.75
_LEAD = 0.08
# a file is seldom mirrored on purpose and a panel seldom held upside down: between ways that look
# alike, the plain one
_MIRRORED_COST = 0.1
_TURN_COST = 0.03
# how much more a likeness of detail says than one of colours
_DETAIL_WEIGHT = 2.0
# likeness of detail, and its lead over the next way, that prove a way
_DETAIL = 0.12
_DETAIL_LEAD = 0.08
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
# how many times that error a picture without proof may lie off its outline
_STRAY = 1.5

_WAY_UNKNOWN = Note(
    "way_round_unknown",
    "The artwork has no pattern, so its way round cannot be read from the photo.",
)


@dataclass(frozen=True, slots=True)
class Try:
    """One way of one quad, moved to where its detail fits best.

    `seen` tells whether all sides of the outline were measured; `detail` is the likeness of detail,
    zero where it proves nothing; `likeness` that of colours, less what makes the way unusual.
    """

    reading: Reading
    way: Lie
    start: FittedMap
    prior: OutlinePrior
    seen: bool
    detail: float
    likeness: float

    @property
    def claim(self) -> float:
        """How much speaks for this way before it is refined."""
        return self.likeness + _DETAIL_WEIGHT * self.detail + 0.5 * self.reading.quad.support


def ways_of(
    views: PhotoViews, artwork: Artwork, fine: ArtworkView, reading: Reading
) -> tuple[Try, ...]:
    """All ways of one quad that its colours allow, each moved to where detail fits best."""
    ways = [way for way in reading.ways if reading.plain or way.likeness >= _AGAINST]
    if not ways:
        return ()
    first = ways[0].corners_px
    hold = held(views, artwork, fine, first)
    prior = hold.prior
    tries: list[Try] = []
    moved: list[FittedMap] = []
    for way in ways:
        order = [int(np.argmin(np.linalg.norm(first - c, axis=1))) for c in way.corners_px]
        turned = replace(prior, corners_px=prior.corners_px[order])
        start = laid(artwork, views.size_px, turned.corners_px, prior.lens)
        match = best_shift(start, views, artwork, fine)
        unusual = _MIRRORED_COST * way.mirrored
        unusual += _TURN_COST * abs(turn_degrees(way.corners_px)) / 90
        detail = 0.0 if match is None else match.likeness
        tries.append(Try(reading, way, start, turned, hold.seen, detail, way.likeness - unusual))
        moved.append(start if match is None else match.start)
    # smooth shading is alike at every shift and way round, and proves none
    best = int(np.argmax([one.detail for one in tries]))
    rest = max((one.detail for i, one in enumerate(tries) if i != best), default=0.0)
    proved = tries[best].detail >= _DETAIL and tries[best].detail - rest >= _DETAIL_LEAD
    return tuple(
        replace(one, start=moved[i]) if proved and i == best else replace(one, detail=0.0)
        for i, one in enumerate(tries)
    )


def by_outline(
    views: PhotoViews, artwork: Artwork, fine: ArtworkView, readings: list[Reading]
) -> Found | None:
    """The map by the best way of the best quad, or None where none stands its tests."""
    clearest = sorted(readings, key=lambda reading: -_clearness(reading))[:_QUADS]
    groups = [ways_of(views, artwork, fine, reading) for reading in clearest]
    tries = [(one, group) for group in groups for one in group]
    tries.sort(key=lambda pair: -pair[0].claim)
    best: tuple[float, Found] | None = None
    for one, group in tries[:_WAYS]:
        found, score = _from_try(views, artwork, fine, one, group)
        if found is not None and (best is None or score > best[0]):
            best = (score, found)
        if score > 1.0:
            break
    return None if best is None else best[1]


def _clearness(reading: Reading) -> float:
    likeness = reading.ways[0].likeness if reading.ways else -1.0
    return reading.quad.support + 0.5 * likeness


def _from_try(
    views: PhotoViews, artwork: Artwork, fine: ArtworkView, one: Try, group: tuple[Try, ...]
) -> tuple[Found | None, float]:
    """Refine one way of one quad; the score is above 1 where the picture's detail confirms it."""
    others = [other for other in group if other is not one]
    refined = refine(one.start, views, artwork, fine, prior=one.prior)
    picture = one.start if refined is None else refined.fit.map
    look = survey(picture, views, artwork, fine)
    if refined is not None and agrees(refined.survey, look):
        error = refined.fit.standard_error_px
        return Found(refined, picture, error, (), True), 1.0 + look.agreeing
    if look.textured >= LEAST_TEXTURED or look.strange > STRANGE_SHARE:
        # the photo lacks detail that the artwork promises, or has what the artwork lacks
        return None, 0.0
    if not one.seen or one.reading.quad.support < PLAIN_SUPPORT:
        return None, 0.0
    panel_px2 = abs(polygon_area(one.prior.corners_px))
    # without picture points the outline's own error adds to how prints lie on panels
    error = _BLIND_MM * float(np.sqrt(panel_px2 / (artwork.width_mm * artwork.height_mm)))
    if one.reading.plain:
        if one.reading.photo_chroma_sd > _PLAIN_CHROMA_SD:
            return None, 0.0
        upright = abs(turn_degrees(one.way.corners_px)) + (90.0 if one.way.mirrored else 0.0)
        return Found(None, one.start, error, (_WAY_UNKNOWN,), True), 0.9 - upright / 1000
    lead = one.likeness - max((other.likeness for other in others), default=-1.0)
    if one.detail == 0 and (one.way.likeness < _LIKENESS or lead < _LEAD):
        return None, 0.0
    # without proof a picture that left its panel has followed light, not print
    strayed = np.abs(picture.to_photo(corners_mm(artwork)) - one.prior.corners_px).max()
    if refined is None or strayed > _STRAY * error:
        return Found(None, one.start, error, (), True), 0.5 + 0.4 * one.way.likeness
    error = refined.fit.standard_error_px
    return Found(refined, picture, error, (), True), 0.5 + 0.4 * one.way.likeness


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
        hold = held(views, artwork, fine, corners)
        if not hold.seen:
            continue
        again = refine(hold.start, views, artwork, fine, prior=hold.prior)
        if (
            again is not None
            and agrees(again.survey, survey(again.fit.map, views, artwork, fine))
            and again.survey.agreeing >= refined.survey.agreeing - 0.05
            and again.fit.worst_error_px < refined.fit.worst_error_px
        ):
            error = again.fit.standard_error_px
            return Found(again, again.fit.map, error, found.notes, found.by_outline)
    return found
