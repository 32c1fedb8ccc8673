"""Where picture and panel lie in a photo."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..records import Artwork, NoPlacement, Note, Photo, Placement
from .by_features import by_features
from .by_outline import by_outline
from .coarse import Reading, read_quads
from .found import LEAST_TEXTURED, SURE_SHARE, Found
from .frame_fit import OutlinePrior
from .frames import corners_mm, orientation
from .hold import hold_by_outline
from .outline import find_outline
from .outline_record import Outline, described
from .picture_map import FittedMap
from .quads import find_quads
from .refine import refine
from .refusal import not_found, refused
from .scaled import ArtworkView, PhotoViews, artwork_view
from .spline_fit import FitResult

_ART_FINE_PX = 10.0e6
_SCALED_PCT = 0.5
# likeness of colours that speaks for an outline
_LIKE = 0.75
_UNSURE_PX = 0.5
# measured on simulated photos: errors are larger than the fit's own standard error by this factor
_ERROR_SPREAD = 1.4
_LEAST_ERROR_PX = 0.01

# usual stretch and drift of a print; what a missing side counts for, and what makes no difference
_STRETCH_PCT, _DRIFT_MM, _SIDE_MISSING, _ALIKE = 0.25, 0.6, 5.0, 0.5

_SIDE_NOT_SEEN = Note(
    "side_not_seen", "One edge of the panel does not show and was placed by the panel's size."
)
_PRINT_SCALED = Note(
    "print_scaled", "The print is scaled against the panel by more than half a per cent."
)
_LITTLE_DETAIL = Note(
    "little_detail", "Parts of the picture have too little detail to line them up exactly."
)


def place(photo: Photo, artwork: Artwork) -> Placement | NoPlacement:
    """Find the artwork's picture and the panel's outline in a photo.

    The picture is found by local features, or, where it has too few, by the panel's outline and its
    colours; then it is refined by tiles and checked. Never raises on odd content: what cannot be
    placed with confidence comes back as NoPlacement.
    """
    refusal = refused(photo)
    if refusal is not None:
        return refusal
    fine = artwork_view(artwork, _ART_FINE_PX)
    views = PhotoViews(photo)
    found, features_agree = by_features(views, artwork, fine)
    readings: list[Reading] = []
    if found is not None:
        found = hold_by_outline(views, artwork, fine, found)
    else:
        readings, found = _outlined(views, artwork, fine)
    if found is None:
        return not_found(views, artwork, fine, readings, features_agree=features_agree)
    return _described(photo, artwork, fine, found)


def placed_again(photo: Photo, artwork: Artwork, placement: Placement) -> Placement:
    """The placement refined from where it is against an artwork that now shows what the photo does.

    The panel's outline is where it was, and holds the map as far as it was seen; the print's drift
    and stretch against it are told anew. The placement as it was where tiles give too little, do
    not show the artwork, or leave the map unsure.
    """
    start = placement.picture
    if not isinstance(start, FittedMap):
        return placement
    fine = artwork_view(artwork, _ART_FINE_PX)
    nominal_mm = corners_mm(artwork)
    seen = placement.drift_mm is not None
    prior = OutlinePrior(placement.corners_px, nominal_mm) if seen else None
    refined = refine(start, PhotoViews(photo), artwork, fine, prior=prior)
    if refined is None:
        return placement
    look, error_px = refined.survey, _told(refined.fit.standard_error_px)
    if look.textured < LEAST_TEXTURED or look.agreeing < SURE_SHARE:
        return placement
    if error_px > max(placement.uncertainty_px, _UNSURE_PX):
        return placement
    picture = refined.fit.map
    notes = [n for n in placement.notes if n not in (_LITTLE_DETAIL, _PRINT_SCALED)]
    again = replace(placement, picture=picture, uncertainty_px=error_px)
    if seen:
        corners = picture.without_spline().to_artwork(placement.corners_px)
        outline = described(corners, artwork, (True, True, True, True))
        again = replace(again, drift_mm=outline.drift_mm, stretch_pct=outline.stretch_pct)
    else:
        again = replace(again, corners_px=picture.to_photo(nominal_mm))
    notes += _fit_notes(refined.fit, again.stretch_pct)
    return replace(again, notes=tuple(notes))


def _fit_notes(fit: FitResult | None, stretch_pct: tuple[float, float] | None) -> list[Note]:
    """What is to be said of a fit, None where the outline alone placed it, and of the print."""
    notes = []
    if fit is None or fit.worst_error_px > _UNSURE_PX:
        notes.append(_LITTLE_DETAIL)
    if stretch_pct is not None and max(abs(s) for s in stretch_pct) > _SCALED_PCT:
        notes.append(_PRINT_SCALED)
    return notes


def _told(error_px: float) -> float:
    """Standard error px of a picture point to be told for one that a fit states."""
    return float(np.hypot(_ERROR_SPREAD * error_px, _LEAST_ERROR_PX))


def _outlined(
    views: PhotoViews, artwork: Artwork, fine: ArtworkView
) -> tuple[list[Reading], Found | None]:
    """Outlines read against the artwork, and the picture in the best of them."""
    photo, aspect = views.photo, artwork.width_mm / artwork.height_mm
    readings = read_quads(photo, artwork, find_quads(photo, aspect))
    found = None
    likely = any(r.plain or _likely(r) for r in readings)
    if likely:
        found = by_outline(views, artwork, fine, readings)
        if found is not None and (found.fit is None or found.panel_px is not None):
            return readings, found
    # a chequered or striped picture has lines enough of its own to hide the panel's among
    wide = read_quads(photo, artwork, find_quads(photo, aspect, wide=True))
    wide = [r for r in wide if _likely(r) and not r.plain]
    better = by_outline(views, artwork, fine, wide) if wide else None
    if better is None and not likely:
        better = by_outline(views, artwork, fine, readings)
    return readings, better or found


def _likely(reading: Reading) -> bool:
    """Whether the colours speak for an outline."""
    return bool(reading.ways) and reading.ways[0].likeness >= _LIKE


def _described(photo: Photo, artwork: Artwork, fine: ArtworkView, found: Found) -> Placement:
    picture = found.picture
    outline = _outline(photo, artwork, fine, found)
    stretch_pct = None if outline is None else outline.stretch_pct
    notes = [*found.notes, *_fit_notes(found.fit, stretch_pct)]
    if outline is None:
        corners = picture.to_photo(corners_mm(artwork))
    else:
        corners = picture.without_spline().to_photo(outline.corners_mm)
        if not all(outline.seen):
            notes.append(_SIDE_NOT_SEEN)
    mirrored, turns = orientation(corners)
    return Placement(
        picture=picture,
        corners_px=corners,
        outline_seen=outline is not None,
        uncertainty_px=_told(found.uncertainty_px),
        drift_mm=None if outline is None else outline.drift_mm,
        stretch_pct=stretch_pct,
        mirrored=mirrored,
        quarter_turns=turns,
        method="outline" if found.by_outline else "features",
        notes=tuple(notes),
    )


def _outline(photo: Photo, artwork: Artwork, fine: ArtworkView, found: Found) -> Outline | None:
    """The panel's outline as it is seen around the picture, or as it was measured before, where
    that is likelier by what print and panel can be apart."""
    outline = find_outline(photo, artwork, fine.rgb, found.picture, found.blur_px)
    if found.panel_px is None:
        return outline
    corners = found.picture.without_spline().to_artwork(found.panel_px)
    before = described(corners, artwork, (True, True, True, True))
    # measured from the picture itself it is the surer of two that are alike
    if outline is not None and _apart(outline) < _apart(before) + _ALIKE:
        return outline
    return before


def _apart(outline: Outline) -> float:
    """How far print and panel are apart, over what is usual, squared."""
    if not all(outline.seen):
        return _SIDE_MISSING
    stretch, drift = np.array(outline.stretch_pct), np.array(outline.drift_mm)
    return float(np.square(stretch / _STRETCH_PCT).sum() + np.square(drift / _DRIFT_MM).sum())
