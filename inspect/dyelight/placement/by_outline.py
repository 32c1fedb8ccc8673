"""Find the picture by the panel's outline, its colours and what detail or grain it has."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..records import Artwork, Note
from .coarse import Lie, Reading, likeness_at
from .found import LEAST_TEXTURED, SURE_SHARE, Found, agrees
from .frame_fit import OutlinePrior, turned_covariance
from .frames import corners_mm, polygon_area, turn_degrees
from .grain import by_grain
from .hold import WEAK_PX, held, laid
from .picture_map import FittedMap
from .quads import PLAIN_SUPPORT
from .refine import Survey, refine, survey
from .scaled import ArtworkView, PhotoViews
from .search import best_shift

# outlines that are looked at closely, and ways of them that are refined
_QUADS = 4
_WAYS = 4
# measured outlines whose corners lie this near are one
_SAME_PX = 4.0
# a way whose colours run against the artwork's is not looked at
_AGAINST = -0.25
# colour likeness taken where no detail can confirm it, and its lead over the next way
_LIKENESS = 0.75
_LEAD = 0.08
# less is enough where no other way is nearly as like, as under a large reflection
_LESS_LIKENESS, _LARGE_LEAD = 0.65, 0.3
# a file is seldom mirrored on purpose and a panel seldom held upside down: between ways that look
# alike, the plain one
_MIRRORED_COST = 0.1
_TURN_COST = 0.03
# how much more a likeness of detail says than one of colours
_DETAIL_WEIGHT = 2.0
# likeness of detail, and its lead over the next way, that prove a way
_DETAIL = 0.12
_DETAIL_LEAD = 0.08
# clearness of a match that proves a way where detail is faint, and the share of it that the next
# way's must keep below
_CLEAR = 7.0
_CLEAR_REST = 0.6
# share of tiles with detail that the artwork lacks from which it is another picture
STRANGE_SHARE = 0.3
# a panel whose colours spread further than this carries more than a plain artwork
_PLAIN_CHROMA_SD = 0.03
# standard error of a print that is placed by the outline alone
_BLIND_MM = 0.5
# how many times that error a picture without proof may lie off its outline
_STRAY = 3.0
# tiles with detail, all in agreement, that make a fit worth more than the outline
_FEW_TEXTURED = 2
# what agreement is worth where the outline was not measured all round, below all proof
_UNSEEN = 0.6
# and what likeness of colours it takes: stripes agree one period on, or turned round
_LEAST_LIKENESS = 0.4
# a quad of this support, likeness and lead is the panel, though no fine outline shows
_CLEAR_QUAD, _CLEAR_LIKENESS, _CLEAR_LEAD = 0.95, 0.9, 0.3
# share of the few tiles with detail that must agree where a search has found that detail
_SPARSE_AGREEING = 0.85
# clearness of grain that is plain
_PLAIN_CLEAR = 20.0

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
    clear: list[float] = []
    for way in ways:
        order = [int(np.argmin(np.linalg.norm(first - c, axis=1))) for c in way.corners_px]
        own = None if prior.own is None else turned_covariance(prior.own, order)
        turned = replace(prior, corners_px=prior.corners_px[order], own=own)
        start = laid(artwork, views.size_px, turned.corners_px, prior.lens)
        match = best_shift(start, views, artwork, fine)
        unusual = _MIRRORED_COST * way.mirrored
        unusual += _TURN_COST * abs(turn_degrees(way.corners_px)) / 90
        detail = 0.0 if match is None else match.likeness
        tries.append(Try(reading, way, start, turned, hold.seen, detail, way.likeness - unusual))
        moved.append(start if match is None else match.start)
        clear.append(0.0 if match is None else match.clearness)
    # smooth shading is alike at every shift and way round, and proves none
    best = int(np.argmax([one.detail for one in tries]))
    rest = max((one.detail for i, one in enumerate(tries) if i != best), default=0.0)
    proved = tries[best].detail >= _DETAIL and tries[best].detail - rest >= _DETAIL_LEAD
    clearest = int(np.argmax(clear))
    rest = max((one for i, one in enumerate(clear) if i != clearest), default=0.0)
    if not proved and clear[clearest] >= _CLEAR and rest < _CLEAR_REST * clear[clearest]:
        best, proved = clearest, tries[clearest].detail > 0
    return tuple(
        replace(one, start=moved[i]) if proved and i == best else replace(one, detail=0.0)
        for i, one in enumerate(tries)
    )


def by_outline(
    views: PhotoViews, artwork: Artwork, fine: ArtworkView, readings: list[Reading]
) -> Found | None:
    """The map by the best way of the best quad, or None where none stands its tests."""
    clearest = sorted(readings, key=lambda reading: -_clearness(reading))[:_QUADS]
    groups: list[tuple[Try, ...]] = []
    for reading in clearest:
        group = ways_of(views, artwork, fine, reading)
        if group and not any(_same_panel(group[0], other[0]) for other in groups):
            groups.append(group)
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


def _same_panel(one: Try, other: Try) -> bool:
    """Whether two rough quads led to the same measured outline."""
    if not (one.seen and other.seen):
        return False
    off = one.prior.corners_px[:, None] - other.prior.corners_px[None]
    return bool(np.linalg.norm(off, axis=2).min(axis=1).max() < _SAME_PX)


def _clearness(reading: Reading) -> float:
    likeness = reading.ways[0].likeness if reading.ways else -1.0
    return reading.quad.support + 0.5 * likeness


def _from_try(
    views: PhotoViews, artwork: Artwork, fine: ArtworkView, one: Try, group: tuple[Try, ...]
) -> tuple[Found | None, float]:
    """Refine one way of one quad; the score is above 1 where the picture's detail confirms it."""
    others = [other for other in group if other is not one]
    refined = refine(one.start, views, artwork, fine, prior=one.prior)
    look = survey(one.start if refined is None else refined.fit.map, views, artwork, fine)
    panel_px = one.prior.corners_px if one.seen else None
    plain_panel = one.seen and one.reading.quad.support >= PLAIN_SUPPORT
    sparse = one.detail > 0 and refined is not None and _sparse_proof(refined.survey, look)
    if refined is not None and (sparse or agrees(refined.survey, look)):
        agreed = Found.of(refined, artwork, by_outline=True, panel_px=panel_px)
        if plain_panel and refined.fit.worst_error_px > WEAK_PX:
            agreed = _better(agreed, _by_grain(views, artwork, fine, one)[0])
        if not one.seen:
            # a chequer agrees wherever its squares meet, so there its colours decide
            corners = agreed.picture.to_photo(corners_mm(artwork))
            likeness = likeness_at(views.photo, artwork, corners)
            if likeness < _LEAST_LIKENESS:
                return None, 0.0
            unusual = one.way.likeness - one.likeness
            return agreed, _UNSEEN + 0.3 * (likeness - unusual)
        return agreed, 1.0 + look.agreeing
    missing = look.textured >= LEAST_TEXTURED
    lead = one.likeness - max((other.likeness for other in others), default=-1.0)
    if not one.seen and not one.reading.plain:
        # the rough outline and the colours together may be plain enough
        plain_panel = one.reading.quad.support >= _CLEAR_QUAD
        plain_panel &= one.way.likeness >= _CLEAR_LIKENESS and lead >= _CLEAR_LEAD
    if not plain_panel or (missing and look.agreeing < SURE_SHARE):
        # the photo lacks detail that the artwork promises
        return None, 0.0
    if one.reading.plain:
        if look.strange > STRANGE_SHARE or one.reading.photo_chroma_sd > _PLAIN_CHROMA_SD:
            return None, 0.0
        upright = abs(turn_degrees(one.way.corners_px)) + (90.0 if one.way.mirrored else 0.0)
        return _blind(artwork, one, (_WAY_UNKNOWN,)), 0.9 - upright / 1000
    found, clearness = _by_grain(views, artwork, fine, one)
    if found is not None:
        return found, 0.95 + 0.05 * clearness / (clearness + _PLAIN_CLEAR)
    if missing or look.strange > STRANGE_SHARE:
        return None, 0.0
    enough = _LESS_LIKENESS if lead >= _LARGE_LEAD else _LIKENESS
    if one.detail == 0 and (one.way.likeness < enough or lead < _LEAD):
        return None, 0.0
    score = 0.5 + 0.4 * one.way.likeness
    # smooth shading is no proof: what was fitted to it has followed light, not print
    looks = [] if refined is None else [look, refined.survey]
    proofs = [s for s in looks if s.textured >= _FEW_TEXTURED and s.agreeing >= SURE_SHARE]
    if refined is None or not proofs:
        return _blind(artwork, one, ()), score
    found = Found.of(refined, artwork, by_outline=True, panel_px=panel_px)
    strayed = found.picture.to_photo(corners_mm(artwork)) - one.prior.corners_px
    blind = _blind(artwork, one, ())
    return (blind if np.abs(strayed).max() > _STRAY * blind.uncertainty_px else found), score


def _sparse_proof(fine_look: Survey, look: Survey) -> bool:
    """Whether the little detail of a picture, as of stars on black, agrees all over."""
    against = look.textured >= LEAST_TEXTURED and look.agreeing < SURE_SHARE
    return (
        fine_look.textured >= LEAST_TEXTURED
        and fine_look.agreeing >= _SPARSE_AGREEING
        and not against
    )


def _by_grain(
    views: PhotoViews, artwork: Artwork, fine: ArtworkView, one: Try
) -> tuple[Found | None, float]:
    """One way placed by its grain, and how clear that is."""
    start = laid(artwork, views.size_px, one.prior.corners_px, one.prior.lens)
    grain = by_grain(start, views, artwork, fine, one.prior)
    if grain is None:
        return None, 0.0
    fit = grain.fit
    found = Found(fit, fit.map, fit.standard_error_px, 1.0, True, one.prior.corners_px)
    return found, grain.clearness


def _better(one: Found, other: Found | None) -> Found:
    """The one whose picture points err less."""
    return one if other is None or other.uncertainty_px > one.uncertainty_px else other


def _blind(artwork: Artwork, one: Try, notes: tuple[Note, ...]) -> Found:
    """The picture where the outline puts it; without picture points a print's usual drift errs."""
    panel_px2 = abs(polygon_area(one.prior.corners_px))
    error = _BLIND_MM * float(np.sqrt(panel_px2 / (artwork.width_mm * artwork.height_mm)))
    return Found(None, one.start, error, 1.0, True, one.prior.corners_px, notes=notes)
