"""Why a photo cannot be placed: too small, dark, bright or blurred, no panel, another picture."""

from __future__ import annotations

import cv2
import numpy as np

from ..ranks import quantiles
from ..records import Artwork, NoPlacement, Photo
from .by_outline import STRANGE_SHARE, ways_of
from .coarse import Reading, shared_colours
from .quads import PLAIN_SUPPORT
from .refine import survey
from .scaled import ArtworkView, PhotoViews, shrink, to_grey

_LEAST_SIDE_PX = 64
_LOOK_PX = 640
_DARK = 0.06
_BRIGHT = 0.97
# sd in px at 640 px photo width from which edges are too soft to line up
_SOFT_PX = 3.2
# Scharr gradient, share of the full range, that counts as an edge
_LEAST_EDGE = 0.1
# the least supported side of an outline that is plainly a panel
_PLAIN_WEAKEST = 0.55
# below this share of agreeing tiles a clear picture on a clear panel is another picture
_OTHER_SHARE = 0.35
# textured tiles from which on it counts that hardly any agrees
_MANY_TEXTURED = 15
_OWN_COLOURS = 0.55
_REPEAT_PX, _DETAIL_PX = 256, 5.0
# of its detail that a repetitive picture finds again
_REPEAT_SHARE = 0.65


def refused(photo: Photo) -> NoPlacement | None:
    """The reason why no placement is even tried, or None."""
    if min(photo.width_px, photo.height_px) < _LEAST_SIDE_PX:
        return NoPlacement(
            "no_panel",
            f"The photo is only {photo.width_px} x {photo.height_px} pixels large.",
            "Use the photo as the camera stored it, not a preview.",
        )
    grey = to_grey(shrink(photo.pixels, min(1.0, _LOOK_PX / max(photo.width_px, photo.height_px))))
    low, high = quantiles(grey.ravel(), (0.02, 0.98))
    if high < _DARK:
        return NoPlacement(
            "too_dark",
            "The photo is too dark to see a panel in it.",
            "Take the photo again in brighter, even light.",
        )
    if low > _BRIGHT:
        return NoPlacement(
            "too_bright",
            "The photo is so bright that nothing shows in it.",
            "Take the photo again with less light or a shorter exposure.",
        )
    return None


def too_soft(photo: Photo) -> bool:
    """Whether even the photo's sharpest edges are too soft to line up.

    The peak gradient of a step blurred by s falls as 1 / sqrt(s^2 + t^2) under a further blur t, so
    the ratio at two such blurs gives s.
    """
    grey = to_grey(shrink(photo.pixels, min(1.0, _LOOK_PX / max(photo.width_px, photo.height_px))))
    strengths = []
    for sigma in (1.0, 3.0):
        soft = cv2.GaussianBlur(grey, (0, 0), sigma)
        dx = cv2.Scharr(soft, cv2.CV_32F, 1, 0)
        dy = cv2.Scharr(soft, cv2.CV_32F, 0, 1)
        steep, usual = quantiles(np.hypot(dx, dy).ravel(), (0.997, 0.5))
        strengths.append(float(steep))
    if steep < 3 * usual or steep < _LEAST_EDGE:
        # nothing in the photo stands out as an edge, sharp or soft
        return False
    ratio2 = (strengths[0] / max(strengths[1], 1e-9)) ** 2
    if ratio2 <= 1.0001:
        return True
    spread2 = (9.0 - ratio2) / (ratio2 - 1.0)
    return bool(spread2 > _SOFT_PX**2)


def not_found(
    views: PhotoViews, artwork: Artwork, fine: ArtworkView, readings: list[Reading]
) -> NoPlacement:
    """Why nothing was placed: blur, another picture, no panel, or doubt."""
    if too_soft(views.photo):
        return NoPlacement(
            "too_blurred",
            "The photo is too blurred to line up with the artwork.",
            "Hold still, let the camera focus on the panel, and take the photo again.",
        )
    plain = [
        r for r in readings if r.quad.support >= PLAIN_SUPPORT and r.quad.weakest >= _PLAIN_WEAKEST
    ]
    if not plain:
        return NoPlacement(
            "no_panel",
            "No panel with this artwork was found in the photo.",
            "Take the photo again with the whole panel in the frame, on a plain background.",
        )
    # of a picture that repeats itself, laid one square too far, every tile looks strange
    told = not _repeats(artwork)
    # nor is a quad of this artwork's own colours another picture's: its own lines may have made it
    if told and all(
        shared_colours(views.photo, artwork, reading.quad.corners_px) < _OWN_COLOURS
        and _contradicted(views, artwork, fine, reading)
        for reading in plain[:2]
    ):
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
