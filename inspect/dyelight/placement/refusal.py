"""Why a photo cannot be placed: too small, dark, bright or blurred, no panel, another picture."""

from __future__ import annotations

import cv2
import numpy as np

from ..ranks import quantiles
from ..records import Artwork, NoPlacement, Photo
from .coarse import Reading
from .other_picture import plainly_panels, shows_another
from .scaled import ArtworkView, PhotoViews, shrink, to_grey

_LEAST_SIDE_PX = 64
_LOOK_PX = 640
_DARK = 0.06
_BRIGHT = 0.97
# sd in px at 640 px photo width from which edges are too soft to line up
_SOFT_PX = 3.2
# Scharr gradient, share of the full range, that counts as an edge
_LEAST_EDGE = 0.1


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
    views: PhotoViews,
    artwork: Artwork,
    fine: ArtworkView,
    readings: list[Reading],
    *,
    features_agree: bool,
) -> NoPlacement:
    """Why nothing was placed: blur, another picture, no panel, or doubt.

    `features_agree` tells that some local features of photo and artwork lie alike.
    """
    if too_soft(views.photo):
        return NoPlacement(
            "too_blurred",
            "The photo is too blurred to line up with the artwork.",
            "Hold still, let the camera focus on the panel, and take the photo again.",
        )
    if features_agree:
        return NoPlacement(
            "unsure",
            "Parts of the artwork's picture show in the photo, but too little of it to line up.",
            "Take the photo again with the whole panel in the frame and nothing over it.",
        )
    if shows_another(views, artwork, fine, readings):
        return NoPlacement(
            "wrong_artwork",
            "A panel shows in the photo, but its picture is not the artwork's.",
            "Check that this artwork belongs to this panel.",
        )
    if not plainly_panels(readings):
        return NoPlacement(
            "no_panel",
            "No panel with this artwork was found in the photo.",
            "Take the photo again with the whole panel in the frame, on a plain background. "
            "If the panel shows well, check that this artwork belongs to it.",
        )
    return NoPlacement(
        "unsure",
        "A panel shows in the photo, but it could not be lined up with the artwork.",
        "Take the photo again, sharp, straight on and without reflections. "
        "If it is, check that this artwork belongs to this panel.",
    )
