"""Where picture and panel lie in a photo."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..records import F64, Artwork, NoPlacement, Note, Photo, Placement
from .coarse import Lie, Reading, read_quads
from .features import Features, detect, match
from .fit import OutlinePrior, homography_from_corners
from .light import blurred, refused
from .outline import Outline, find_outline
from .picture_map import FittedMap
from .quads import find_quads
from .refine import Refined, picture_box, refine
from .scaled import ArtworkView, PhotoView, artwork_view, photo_view

# photo and artwork sizes in px, and features kept, of the first and the second look
_LOOKS = ((0.75e6, 0.45e6, 3000), (2.2e6, 1.0e6, 8000))
_ART_FINE_PX = 4.0e6
# share of the tiles with clear detail that must agree with the artwork
_SURE_SHARE = 0.6
_DOUBT_SHARE = 0.3
_LEAST_TEXTURED = 6
_LIKENESS = 0.6
_LEAD = 0.08
# an outline that is plainly a panel
_PLAIN_SUPPORT, _PLAIN_WEAKEST = 0.8, 0.55
# colour spread in the photo from which a panel's content is a picture
_PICTURE_SD = 0.05
_WEAK_PX = 0.25


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
    if found is None:
        quads = find_quads(photo, artwork.width_mm, artwork.height_mm)
        readings = read_quads(photo, artwork, quads)
        found = _by_outline(photo, artwork, fine, readings)
    if found is None:
        return _not_found(photo, readings)
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
        if refined is None or not _agrees(refined):
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


def _agrees(refined: Refined) -> bool:
    return refined.textured >= _LEAST_TEXTURED and refined.agreeing >= _SURE_SHARE


def _by_outline(
    photo: Photo, artwork: Artwork, fine: ArtworkView, readings: list[Reading]
) -> _Found | None:
    tries: list[tuple[float, Reading, Lie]] = []
    for reading in readings:
        for way in reading.ways:
            if reading.plain or way.likeness >= _LIKENESS:
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
    """Refine one way of one quad; its score is above 1 where the picture's own detail confirms it."""
    size = (photo.width_px, photo.height_px)
    corners = way.corners_px
    outline: Outline | None = None
    for _ in range(2):
        nominal = FittedMap.from_homography(
            homography_from_corners(corners_mm(artwork), corners), size, picture_box(artwork)
        )
        outline = find_outline(photo, artwork, fine.rgb, nominal, 1.0)
        if outline is None:
            break
        corners = nominal.to_photo(outline.corners_mm)
    start = FittedMap.from_homography(
        homography_from_corners(corners_mm(artwork), corners), size, picture_box(artwork)
    )
    if outline is None:
        prior = OutlinePrior(corners, corners_mm(artwork), 2.5, 0.01, 0.006, 0.004)
    else:
        prior = OutlinePrior(corners, corners_mm(artwork))
    refined = refine(start, photo, artwork, fine, prior=prior)
    if refined is not None and _agrees(refined):
        error = refined.fit.standard_error_px
        return _Found(refined, refined.fit.map, error, (), True), 1.0 + refined.agreeing
    if refined is not None and refined.textured >= _LEAST_TEXTURED:
        # the artwork promises detail here and the photo does not show it
        return None, 0.0
    strong = outline is not None and reading.quad.support >= _PLAIN_SUPPORT
    if not strong:
        return None, 0.0
    scale = float(
        np.sqrt(np.prod(np.ptp(corners, axis=0)) / (artwork.width_mm * artwork.height_mm))
    )
    if reading.plain:
        if reading.photo_sd > _PICTURE_SD:
            return None, 0.0
        notes = (
            Note(
                "way_round_unknown",
                "The artwork has no pattern, so its way round cannot be read from the photo.",
            ),
        )
        upright = abs(_turn_degrees(corners)) + (90.0 if way.mirrored else 0.0)
        return _Found(None, start, 0.7 * scale, notes, True), 0.9 - upright / 1000
    if way.lead < _LEAD:
        return None, 0.0
    picture, error = start, 0.7 * scale
    if refined is not None:
        picture, error = refined.fit.map, refined.fit.standard_error_px
    return _Found(refined, picture, error, (), True), 0.5 + 0.5 * way.likeness


def _described(photo: Photo, artwork: Artwork, fine: ArtworkView, found: _Found) -> Placement:
    blur = found.refined.blur_px if found.refined is not None else 1.0
    picture, error = found.picture, found.uncertainty_px
    outline = find_outline(photo, artwork, fine.rgb, picture, blur)
    refined = found.refined
    weak = refined is not None and refined.fit.worst_error_px > _WEAK_PX
    if refined is not None and weak and outline is not None and all(outline.seen):
        # where the picture says little, the panel's own shape holds the map
        corners = picture.without_spline().to_photo(outline.corners_mm)
        prior = OutlinePrior(corners, corners_mm(artwork))
        again = refine(picture, photo, artwork, fine, prior=prior)
        if again is not None and again.agreeing >= 0.9 * refined.agreeing:
            picture, error = again.fit.map, again.fit.standard_error_px
            outline = find_outline(photo, artwork, fine.rgb, picture, again.blur_px)
    notes = list(found.notes)
    if outline is None:
        corners = picture.to_photo(corners_mm(artwork))
    else:
        corners = picture.without_spline().to_photo(outline.corners_mm)
        if not all(outline.seen):
            notes.append(
                Note(
                    "side_not_seen",
                    "One edge of the panel does not show and was placed by the panel's size.",
                )
            )
        if max(abs(s) for s in outline.stretch_pct) > 0.5:
            notes.append(
                Note(
                    "print_scaled",
                    "The print is scaled against the panel by more than half a per cent.",
                )
            )
    mirrored, turns = orientation(corners)
    return Placement(
        picture=picture,
        corners_px=corners,
        outline_seen=outline is not None,
        uncertainty_px=error,
        drift_mm=None if outline is None else outline.drift_mm,
        stretch_pct=None if outline is None else outline.stretch_pct,
        mirrored=mirrored,
        quarter_turns=turns,
        method="outline" if found.by_outline else "features",
        notes=tuple(notes),
    )


def _not_found(photo: Photo, readings: list[Reading]) -> NoPlacement:
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
    first = plain[0]
    likeness = max((way.likeness for r in plain for way in r.ways), default=0.0)
    if first.photo_sd > _PICTURE_SD and likeness < _LIKENESS:
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
