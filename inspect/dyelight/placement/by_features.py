"""Find the picture by local features, refine and test it."""

from __future__ import annotations

import numpy as np

from ..records import Artwork
from .features import FeatureMatch, Features, detect, match
from .found import LEAST_TEXTURED, SURE_SHARE, Found, agrees
from .frames import mm_from_view, picture_box, view_to_photo
from .picture_map import FittedMap
from .refine import Survey, refine, survey
from .scaled import ArtworkView, PhotoViews, near_power_of_two

# photo and artwork sizes in px, features kept and their least contrast, of both looks
_LOOKS = ((0.75e6, 0.45e6, 3000, 0.012), (2.2e6, 1.0e6, 8000, 0.006))
# features in agreement, and their share of all matches, that need no further proof
_MANY = 25
_MANY_SHARE = 0.3


def by_features(views: PhotoViews, artwork: Artwork, fine: ArtworkView) -> Found | None:
    """The map by features at one or two scales, or None where none stands its tests."""
    previous = 0
    for photo_px, art_px, limit, contrast in _LOOKS:
        pitch = near_power_of_two(float(np.sqrt(views.size_px[0] * views.size_px[1] / photo_px)))
        if pitch == previous:
            break
        previous = pitch
        art = fine.halved(min(1.0, float(np.sqrt(art_px / fine.grey.size))))
        whole = views.window((0, 0, *views.size_px), pitch)
        found = match(
            _on_metal(detect(art.grey, limit, contrast), art),
            detect(whole.grey, limit, contrast),
            20.0,
        )
        if found is None:
            continue
        start = FittedMap.from_homography(
            view_to_photo(whole) @ found.homography @ np.linalg.inv(mm_from_view(art)),
            views.size_px,
            picture_box(artwork),
        )
        refined = refine(start, views, artwork, fine)
        if refined is None:
            continue
        look = survey(refined.fit.map, views, artwork, fine)
        if not (agrees(refined.survey, look) or _carried(found, refined.survey, look)):
            continue
        return Found(refined, refined.fit.map, refined.fit.standard_error_px, (), False)
    return None


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
