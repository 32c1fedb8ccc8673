"""Whether a panel that shows in a photo carries another picture than the artwork."""

from __future__ import annotations

import cv2
import numpy as np

from ..records import Artwork, Photo
from .by_outline import STRANGE_SHARE, ways_of
from .coarse import Reading, read_quads, shared_colours
from .features import detect
from .frames import polygon_area
from .quads import PLAIN_SUPPORT, Quad, find_quads
from .refine import survey
from .scaled import ArtworkView, PhotoViews, near_power_of_two, shrink, to_grey

# the least supported side of an outline that is plainly a panel, and how many are asked
_PLAIN_WEAKEST, _ASKED = 0.55, 2
# below this share of agreeing tiles a clear picture on a clear panel is another picture
_OTHER_SHARE = 0.35
# textured tiles from which on it counts that hardly any agrees
_MANY_TEXTURED = 15
# share of colours, and likeness of where they lie, below which they are not the artwork's
_OWN_COLOURS, _FEW_COLOURS, _HARDLY_ANY = 0.55, 0.45, 0.3
_UNLIKE, _LITTLE_LIKE = 0.35, 0.5
# spread of colours, share of the full range, that makes a pattern
_PATTERN = 0.03
# a panel of other proportions: its share of the photo, and how far inside the frame it lies
_LARGE, _MARGIN = 0.12, 0.005
# photo and artwork sizes in px, and features in both, of which some would agree in one picture
_PHOTO_PX, _ART_PX, _MANY_FEATURES = 0.19e6, 0.12e6, 600
_LIMIT, _CONTRAST = 1500, 0.012
_REPEAT_PX, _DETAIL_PX = 256, 5.0
# of its detail that a repetitive picture finds again
_REPEAT_SHARE = 0.65


def plainly_panels(readings: list[Reading]) -> list[Reading]:
    """The outlines that are plainly those of a panel."""
    return [r for r in readings if _plainly(r.quad)]


def shows_another(
    views: PhotoViews, artwork: Artwork, fine: ArtworkView, readings: list[Reading]
) -> bool:
    """Whether a panel plainly shows in the photo, and plainly with another picture.

    For photos of which no local feature agrees with the artwork's. `readings` are the outlines of
    the artwork's proportions; where none is a panel's, those of other proportions are looked at.
    """
    # of a picture that repeats itself, laid one square too far, every tile looks strange
    if _repeats(artwork):
        return False
    panels = plainly_panels(readings)[:_ASKED]
    if panels:
        return all(_another_on(views, artwork, fine, one) for one in panels)
    if artwork.alpha is not None:
        # a round panel has no outline of straight sides, and what has one is something else
        return False
    photo = views.photo
    large = [quad for quad in find_quads(photo, None) if _plainly(quad) and _stands(quad, photo)]
    others = read_quads(photo, artwork, large[:_ASKED])
    return bool(others) and all(
        _other_colours(photo, one, shared_colours(photo, artwork, one.quad.corners_px))
        for one in others
    )


def _plainly(quad: Quad) -> bool:
    return quad.support >= PLAIN_SUPPORT and quad.weakest >= _PLAIN_WEAKEST


def _stands(quad: Quad, photo: Photo) -> bool:
    """Whether a quad lies whole and large in the photo, around its middle."""
    corners, size = quad.corners_px, np.array([photo.width_px, photo.height_px])
    if abs(polygon_area(corners)) < _LARGE * size.prod():
        return False
    margin = _MARGIN * size
    within = bool((corners > margin).all() and (corners < size - margin).all())
    middle = tuple(float(v) for v in size / 2)
    return within and cv2.pointPolygonTest(corners.astype(np.float32), middle, False) > 0


def _other_colours(photo: Photo, reading: Reading, shared: float) -> bool:
    """Whether what stands in the middle of the photo has other colours, of which the artwork has
    the share `shared`, and lying otherwise.

    Light alone changes colours, and leaves where they lie.
    """
    if max(reading.art_sd, reading.photo_chroma_sd) < _PATTERN or not reading.ways:
        return False
    likeness = reading.ways[0].likeness
    other = likeness < _UNLIKE and shared < _FEW_COLOURS
    other |= likeness < _LITTLE_LIKE and shared < _HARDLY_ANY
    return other and _stands(reading.quad, photo)


def _another_on(views: PhotoViews, artwork: Artwork, fine: ArtworkView, reading: Reading) -> bool:
    """Whether the panel in this outline carries another picture.

    A quad of this artwork's own colours may have been made by the picture's own lines.
    """
    shared = shared_colours(views.photo, artwork, reading.quad.corners_px)
    if shared >= _OWN_COLOURS:
        return _contradicted(views, artwork, fine, reading) and _both_full(views, fine)
    # what colours tell by themselves costs less than laying the artwork on every way
    return _other_colours(views.photo, reading, shared) or _contradicted(
        views, artwork, fine, reading
    )


def _both_full(views: PhotoViews, fine: ArtworkView) -> bool:
    """Whether photo and artwork are both full of local features even from afar."""
    scale = min(1.0, float(np.sqrt(_ART_PX / fine.grey.size)))
    if len(detect(fine.halved(scale).grey, _LIMIT, _CONTRAST).points) < _MANY_FEATURES:
        return False
    width, height = views.size_px
    pitch = near_power_of_two(float(np.sqrt(width * height / _PHOTO_PX)))
    seen = views.window((0, 0, width, height), pitch)
    return len(detect(seen.grey, _LIMIT, _CONTRAST).points) >= _MANY_FEATURES


def _contradicted(views: PhotoViews, artwork: Artwork, fine: ArtworkView, reading: Reading) -> bool:
    """Whether a panel plainly shows something else, whichever way the artwork is laid on it."""
    tries = ways_of(views, artwork, fine, reading)
    if not tries:
        return bool(reading.ways)
    for one in tries:
        look = survey(one.start, views, artwork, fine)
        missing = look.textured >= _MANY_TEXTURED and look.agreeing < _OTHER_SHARE
        foreign = look.strange > STRANGE_SHARE and look.agreeing < _OTHER_SHARE
        if one.detail > 0 or not (missing or foreign):
            return False
    return True


def _repeats(artwork: Artwork) -> bool:
    """Whether the artwork looks like itself a little way off, as chequers and weaves do.

    From the autocorrelation of its detail (Wiener and Khinchin: the transform of the power
    spectrum), leaving out shifts under the detail's own size.
    """
    scale = min(1.0, _REPEAT_PX / max(artwork.pixels.shape[:2]))
    grey = to_grey(shrink(artwork.pixels, scale))
    detail = grey - cv2.GaussianBlur(grey, (0, 0), _DETAIL_PX)
    height, width = detail.shape
    # twice the size, so that what leaves on one side does not come back on the other
    spectrum = np.fft.rfft2(detail, (2 * height, 2 * width))
    alike = np.fft.fftshift(np.fft.irfft2(np.abs(spectrum) ** 2, (2 * height, 2 * width)))
    y, x = np.mgrid[-height:height, -width:width]
    # over what is left of the picture under itself at each shift
    alike /= np.maximum((1 - np.abs(y) / height) * (1 - np.abs(x) / width), 0.1)
    near = np.hypot(x, y) < 2 * _DETAIL_PX
    far = (np.abs(y) > height / 2) | (np.abs(x) > width / 2)
    # both ways: a horizon is like itself along its own length
    down, across = np.abs(y) > 2 * np.abs(x), np.abs(x) > 2 * np.abs(y)
    most = min(float(alike[~near & ~far & way].max(initial=0.0)) for way in (down, across))
    return bool(most > _REPEAT_SHARE * float(alike[height, width]) > 0)
