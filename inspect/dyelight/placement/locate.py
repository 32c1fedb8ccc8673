"""Where picture and panel lie in a photo."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..records import F64, Artwork, NoPlacement, Note, Photo, Placement
from .coarse import Lie, Reading, read_quads
from .features import Features, detect, match
from .fit import OutlinePrior, homography_from_corners
from .light import blurred, refused
from .outline import find_outline
from .picture_map import FittedMap
from .quads import find_quads
from .refine import Refined, Survey, picture_box, polygon_area, refine, survey
from .scaled import ArtworkView, PhotoView, artwork_view, photo_view

# photo and artwork sizes in px, and features kept, of the first and the second look
_LOOKS = ((0.75e6, 0.45e6, 3000), (2.2e6, 1.0e6, 8000))
_ART_FINE_PX = 4.0e6
# share of the tiles with clear detail that must agree with the artwork
_SURE_SHARE = 0.65
_FINE_SHARE = 0.5
_LEAST_TEXTURED = 6
# colour likeness from which a way round is tried, and taken where no detail can confirm it
_TRY_LIKENESS = 0.35
_LIKENESS = 0.75
_LEAD = 0.08
# below this share of agreeing tiles a clear picture on a clear panel is another picture
_OTHER_SHARE = 0.35
# share of tiles with detail that the artwork lacks from which it is another picture
_STRANGE_SHARE = 0.3
# a quad whose corners lie within this share of the panel's length is the same panel
_NEAR_SHARE = 0.1
# a panel whose colours spread further than this carries more than a plain artwork
_PLAIN_CHROMA_SD = 0.03
_SCALED_PCT = 0.5
# an outline that is plainly a panel
_PLAIN_SUPPORT, _PLAIN_WEAKEST = 0.8, 0.55
_WEAK_PX = 0.25

_WAY_UNKNOWN = Note(
    "way_round_unknown",
    "The artwork has no pattern, so its way round cannot be read from the photo.",
)
_SIDE_NOT_SEEN = Note(
    "side_not_seen", "One edge of the panel does not show and was placed by the panel's size."
)
_PRINT_SCALED = Note(
    "print_scaled", "The print is scaled against the panel by more than half a per cent."
)


@dataclass(frozen=True, slots=True)
class _Found:
    """A map that stood its tests, with the outline that helped it, if one did."""

    refined: Refined | None
    picture: FittedMap
    uncertainty_px: float
    notes: tuple[Note, ...]
    by_outline: bool


def place(photo: Photo, artwork: Artwork) -> Placement | NoPlacement:
    """Find the artwork's picture and the panel's outline in a photo.

    The picture is found by local features, or, where it has too few, by the panel's outline and its
    colours; then it is refined by tiles and checked. Never raises on odd content: what cannot be
    placed with confidence comes back as NoPlacement.
    """
    refusal = refused(photo)
    if refusal is not None:
        return refusal
    fine = artwork_view(artwork, float(np.sqrt(_ART_FINE_PX / artwork.pixels[..., 0].size)))
    found = _by_features(photo, artwork, fine)
    readings: list[Reading] = []
    if found is not None:
        found = _held_by_outline(photo, artwork, fine, found)
    else:
        quads = find_quads(photo, artwork.width_mm, artwork.height_mm)
        readings = read_quads(photo, artwork, quads)
        found = _by_outline(photo, artwork, fine, readings)
    if found is None:
        return _not_found(photo, artwork, fine, readings)
    return _described(photo, artwork, fine, found)


def _by_features(photo: Photo, artwork: Artwork, fine: ArtworkView) -> _Found | None:
    previous = 0
    for photo_px, art_px, limit in _LOOKS:
        pitch = max(1, round(float(np.sqrt(photo.width_px * photo.height_px / photo_px))))
        if pitch == previous:
            break
        previous = pitch
        art = fine.halved(min(1.0, float(np.sqrt(art_px / fine.grey.size))))
        whole = photo_view(photo, (0, 0, photo.width_px, photo.height_px), pitch)
        found = match(_on_metal(detect(art.grey, limit), art), detect(whole.grey, limit), 20.0)
        if found is None:
            continue
        start = FittedMap.from_homography(
            view_to_photo(whole) @ found.homography @ np.linalg.inv(mm_from_view(art)),
            (photo.width_px, photo.height_px),
            picture_box(artwork),
        )
        refined = refine(start, photo, artwork, fine)
        if refined is None:
            continue
        look = survey(refined.fit.map, photo, artwork, fine)
        if not _agrees(refined.survey, look):
            continue
        return _Found(refined, refined.fit.map, refined.fit.standard_error_px, (), False)
    return None


def _on_metal(features: Features, art: ArtworkView) -> Features:
    """The features that lie where the panel has metal."""
    if art.solid is None or not len(features.points):
        return features
    at = np.round(features.points).astype(np.intp)
    height, width = art.solid.shape
    keep = art.solid[np.clip(at[:, 1], 0, height - 1), np.clip(at[:, 0], 0, width - 1)] > 0.5
    return Features(features.points[keep], features.descriptors[keep])


def _agrees(fine_look: Survey, look: Survey) -> bool:
    """Whether tiles prove the map: the coarse look must, and the fine one must not speak against it.

    In the fine look little detail may stand above the noise.
    """
    if fine_look.textured >= 2 * _LEAST_TEXTURED and fine_look.agreeing < _FINE_SHARE:
        return False
    return look.textured >= _LEAST_TEXTURED and look.agreeing >= _SURE_SHARE


def _by_outline(
    photo: Photo, artwork: Artwork, fine: ArtworkView, readings: list[Reading]
) -> _Found | None:
    tries: list[tuple[float, Reading, Lie]] = []
    for reading in readings:
        for way in reading.ways:
            if reading.plain or way.likeness >= _TRY_LIKENESS:
                tries.append((way.likeness + 0.5 * reading.quad.support, reading, way))
    tries.sort(key=lambda t: -t[0])
    best: tuple[float, _Found] | None = None
    for _, reading, way in tries[:6]:
        found, score = _from_quad(photo, artwork, fine, reading, way)
        if found is not None and (best is None or score > best[0]):
            best = (score, found)
        if score > 1.0:
            break
    return None if best is None else best[1]


def _from_quad(
    photo: Photo, artwork: Artwork, fine: ArtworkView, reading: Reading, way: Lie
) -> tuple[_Found | None, float]:
    """Refine one way of one quad; the score is above 1 where the picture's detail confirms it."""
    start, prior, seen = _held(photo, artwork, fine, way.corners_px)
    refined = refine(start, photo, artwork, fine, prior=prior)
    picture = start if refined is None else refined.fit.map
    look = survey(picture, photo, artwork, fine)
    if refined is not None and _agrees(refined.survey, look):
        error = refined.fit.standard_error_px
        return _Found(refined, picture, error, (), True), 1.0 + look.agreeing
    if look.textured >= _LEAST_TEXTURED or look.strange > _STRANGE_SHARE:
        # the photo lacks detail that the artwork promises, or has what the artwork lacks
        return None, 0.0
    if not seen or reading.quad.support < _PLAIN_SUPPORT:
        return None, 0.0
    panel_px2 = abs(polygon_area(prior.corners_px))
    # without picture points the print lies on the panel as prints do
    error = prior.drift_mm * float(np.sqrt(panel_px2 / (artwork.width_mm * artwork.height_mm)))
    if reading.plain:
        if reading.photo_chroma_sd > _PLAIN_CHROMA_SD:
            return None, 0.0
        upright = abs(_turn_degrees(way.corners_px)) + (90.0 if way.mirrored else 0.0)
        return _Found(None, start, error, (_WAY_UNKNOWN,), True), 0.9 - upright / 1000
    if way.likeness < _LIKENESS or way.lead < _LEAD:
        return None, 0.0
    if refined is not None:
        error = refined.fit.standard_error_px
    return _Found(refined, picture, error, (), True), 0.5 + 0.4 * way.likeness


def _held(
    photo: Photo, artwork: Artwork, fine: ArtworkView, corners_px: F64
) -> tuple[FittedMap, OutlinePrior, bool]:
    """A start and a prior from rough corners (4, 2), and whether all sides were then measured."""
    size = (photo.width_px, photo.height_px)
    panel = corners_mm(artwork)
    corners, seen = corners_px, False
    for _ in range(2):
        h = homography_from_corners(panel, corners)
        nominal = FittedMap.from_homography(h, size, picture_box(artwork))
        outline = find_outline(photo, artwork, fine.rgb, nominal, 1.0)
        if outline is None:
            break
        corners, seen = nominal.to_photo(outline.corners_mm), all(outline.seen)
    h = homography_from_corners(panel, corners)
    start = FittedMap.from_homography(h, size, picture_box(artwork))
    if seen:
        return start, OutlinePrior(corners, panel), True
    return start, OutlinePrior(corners, panel, 2.5, 0.01, 0.006, 0.004), False


def _held_by_outline(photo: Photo, artwork: Artwork, fine: ArtworkView, found: _Found) -> _Found:
    """The map again, with the panel's own shape to hold it where the picture says little."""
    refined = found.refined
    if refined is None or refined.fit.worst_error_px <= _WEAK_PX:
        return found
    here = found.picture.to_photo(corners_mm(artwork))
    length = float(np.sqrt(abs(polygon_area(here))))
    rough = [here]
    for quad in find_quads(photo, artwork.width_mm, artwork.height_mm):
        for corners in (quad.corners_px, quad.corners_px[::-1]):
            for roll in range(4):
                turned = np.roll(corners, roll, axis=0)
                if np.abs(turned - here).max() < _NEAR_SHARE * length:
                    rough.append(turned)
    for corners in rough[:3]:
        start, prior, seen = _held(photo, artwork, fine, corners)
        if not seen:
            continue
        again = refine(start, photo, artwork, fine, prior=prior)
        if (
            again is not None
            and _agrees(again.survey, survey(again.fit.map, photo, artwork, fine))
            and again.survey.agreeing >= refined.survey.agreeing - 0.05
            and again.fit.worst_error_px < refined.fit.worst_error_px
        ):
            error = again.fit.standard_error_px
            return _Found(again, again.fit.map, error, found.notes, found.by_outline)
    return found


def _described(photo: Photo, artwork: Artwork, fine: ArtworkView, found: _Found) -> Placement:
    picture = found.picture
    blur = found.refined.blur_px if found.refined is not None else 1.0
    outline = find_outline(photo, artwork, fine.rgb, picture, blur)
    notes = list(found.notes)
    if outline is None:
        corners = picture.to_photo(corners_mm(artwork))
    else:
        corners = picture.without_spline().to_photo(outline.corners_mm)
        if not all(outline.seen):
            notes.append(_SIDE_NOT_SEEN)
        if max(abs(s) for s in outline.stretch_pct) > _SCALED_PCT:
            notes.append(_PRINT_SCALED)
    mirrored, turns = orientation(corners)
    return Placement(
        picture=picture,
        corners_px=corners,
        outline_seen=outline is not None,
        uncertainty_px=found.uncertainty_px,
        drift_mm=None if outline is None else outline.drift_mm,
        stretch_pct=None if outline is None else outline.stretch_pct,
        mirrored=mirrored,
        quarter_turns=turns,
        method="outline" if found.by_outline else "features",
        notes=tuple(notes),
    )


def _not_found(
    photo: Photo, artwork: Artwork, fine: ArtworkView, readings: list[Reading]
) -> NoPlacement:
    """Why nothing was placed: blur, another picture, no panel, or doubt."""
    if blurred(photo):
        return NoPlacement(
            "too_blurred",
            "The photo is too blurred to line up with the artwork.",
            "Hold still, let the camera focus on the panel, and take the photo again.",
        )
    plain = [
        r for r in readings if r.quad.support >= _PLAIN_SUPPORT and r.quad.weakest >= _PLAIN_WEAKEST
    ]
    if not plain:
        return NoPlacement(
            "no_panel",
            "No panel with this artwork was found in the photo.",
            "Take the photo again with the whole panel in the frame, on a plain background.",
        )
    if all(_contradicted(photo, artwork, fine, reading) for reading in plain[:2]):
        return NoPlacement(
            "wrong_artwork",
            "A panel shows in the photo, but its picture is not the artwork's.",
            "Check that this artwork belongs to this panel.",
        )
    return NoPlacement(
        "unsure",
        "A panel shows in the photo, but it could not be lined up with the artwork.",
        "Take the photo again, sharp, straight on and without reflections.",
    )


def _contradicted(
    photo: Photo, artwork: Artwork, fine: ArtworkView, reading: Reading
) -> bool:
    """Whether a panel plainly shows something else, whichever way round the artwork is laid on it."""
    if not reading.ways:
        return False
    first = reading.ways[0].corners_px
    _, prior, _ = _held(photo, artwork, fine, first)
    for way in reading.ways:
        order = [int(np.argmin(np.linalg.norm(first - c, axis=1))) for c in way.corners_px]
        h = homography_from_corners(corners_mm(artwork), prior.corners_px[order])
        start = FittedMap.from_homography(
            h, (photo.width_px, photo.height_px), picture_box(artwork)
        )
        look = survey(start, photo, artwork, fine)
        missing = look.textured >= _LEAST_TEXTURED and look.agreeing < _OTHER_SHARE
        foreign = look.strange > _STRANGE_SHARE and look.agreeing < _OTHER_SHARE
        if not (missing or foreign):
            return False
    return True


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


def _turn_degrees(corners_px: F64) -> float:
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
    return mirrored, round(_turn_degrees(corners_px) / 90.0) % 4
