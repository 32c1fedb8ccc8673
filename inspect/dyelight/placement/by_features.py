"""Find the picture by local features, refine and test it."""

from __future__ import annotations

import numpy as np

from ..records import Artwork
from .features import LEAST_FEATURES, FeatureMatch, Features, detect, match
from .found import LEAST_TEXTURED, SURE_SHARE, Found, agrees
from .frame_fit import Observations, fit_homography_lens
from .frames import mm_from_view, picture_box, view_to_photo
from .picture_map import FittedMap, project
from .refine import Survey, refine, survey
from .scaled import ArtworkView, PhotoView, PhotoViews, near_power_of_two

# photo and artwork sizes in px, features kept, their least contrast and the least inliers
_LOOKS = (
    (0.19e6, 0.12e6, 1500, 0.012, 40),
    (0.75e6, 0.45e6, 3000, 0.012, 0),
    (2.2e6, 1.0e6, 8000, 0.006, 0),
)
# standard error of a feature's place in px of its view, and inliers from which they tell the lens
_FEATURE_PX = 0.4
_LENS_INLIERS = 40
# features in agreement, and their share of all matches, that need no further proof
_MANY = 25
_MANY_SHARE = 0.3


def by_features(
    views: PhotoViews, artwork: Artwork, fine: ArtworkView
) -> tuple[Found | None, bool]:
    """The map by features at the coarsest scale that carries it, or None where none does; and
    whether features agreed at any scale."""
    previous, agree = 0, False
    for photo_px, art_px, limit, contrast, least in _LOOKS:
        pitch = near_power_of_two(float(np.sqrt(views.size_px[0] * views.size_px[1] / photo_px)))
        if pitch == previous:
            break
        previous = pitch
        art = fine.halved(min(1.0, float(np.sqrt(art_px / fine.grey.size))))
        on_metal = _on_metal(detect(art.grey, limit, contrast), art)
        if len(on_metal.points) < LEAST_FEATURES:
            # a photo of it may hold thousands all the same, of noise and background
            continue
        whole = views.window((0, 0, *views.size_px), pitch)
        found = match(on_metal, detect(whole.grey, limit, contrast), 20.0)
        agree |= found is not None
        if found is None or found.inliers < least:
            continue
        start = _start(found, whole, art, artwork, views.size_px)
        refined = refine(start, views, artwork, fine)
        if refined is None:
            continue
        look = survey(refined.fit.map, views, artwork, fine)
        if not (agrees(refined.survey, look) or _carried(found, refined.survey, look)):
            continue
        return Found.of(refined, artwork, by_outline=False), True
    return None, agree


def _start(
    found: FeatureMatch,
    view: PhotoView,
    art: ArtworkView,
    artwork: Artwork,
    size_px: tuple[int, int],
) -> FittedMap:
    """The features' homography, with a lens where there are enough of them to tell it."""
    to_photo, to_mm = view_to_photo(view), mm_from_view(art)
    plain = FittedMap.from_homography(
        to_photo @ found.homography @ np.linalg.inv(to_mm), size_px, picture_box(artwork)
    )
    count = len(found.art_points)
    if count < _LENS_INLIERS:
        return plain
    error_px = _FEATURE_PX * view.pitch
    seen = Observations(
        points_mm=project(to_mm, found.art_points),
        points_px=project(to_photo, found.photo_points),
        information=np.broadcast_to(np.eye(2) / error_px**2, (count, 2, 2)),
    )
    return fit_homography_lens(plain, seen, lens=True)


def _carried(found: FeatureMatch, fine_look: Survey, look: Survey) -> bool:
    """Whether features alone carry a picture that is too faint for tiles to prove."""
    if look.textured >= LEAST_TEXTURED or fine_look.textured >= 2 * LEAST_TEXTURED:
        return False
    calm = look.textured == 0 or look.agreeing >= SURE_SHARE
    return calm and found.inliers >= _MANY and found.inliers >= _MANY_SHARE * found.matches


def _on_metal(features: Features, art: ArtworkView) -> Features:
    """The features that lie where the panel has metal."""
    if art.solid is None or not len(features.points):
        return features
    at = np.round(features.points).astype(np.intp)
    height, width = art.solid.shape
    keep = art.solid[np.clip(at[:, 1], 0, height - 1), np.clip(at[:, 0], 0, width - 1)] > 0.5
    return Features(features.points[keep], features.descriptors[keep])
