"""Find the picture in the photo by local features, normal and mirrored in one pass.

RootSIFT (Lowe 2004; Arandjelovic & Zisserman 2012), ratio test, USAC homography.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..ranks import quantiles
from ..records import F32, F64, U8

_RATIO = 0.8
_THRESHOLD_PX = 3.0
_LEAST_INLIERS = 10
# of the artwork's or the photo's, below which nothing is matched
LEAST_FEATURES = 8
# share of the artwork's features' spread, across and down, that clear support covers
_ALL_OVER = 0.6


Index = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Features:
    """Keypoint positions (N, 2) float64 in px of the image and RootSIFT descriptors (N, 128)."""

    points: F64
    descriptors: F32


@dataclass(frozen=True, slots=True)
class FeatureMatch:
    """A homography (3, 3) from artwork view px to photo view px, and how well it is supported."""

    homography: F64
    mirrored: bool
    inliers: int
    matches: int
    art_points: F64
    photo_points: F64


def detect(grey: F32, limit: int, contrast: float = 0.012) -> Features:
    """The strongest `limit` RootSIFT features of a grey image (H, W) float32 in 0..1.

    `contrast` is the least contrast of a feature; OpenCV's own default is 0.04.
    """
    stretched = _stretched(grey)
    # without precise upscale SIFT's points sit a quarter pixel off
    sift = cv2.SIFT.create(nfeatures=limit, contrastThreshold=contrast, enable_precise_upscale=True)
    keypoints, descriptors = sift.detectAndCompute(stretched, None)
    if descriptors is None or len(keypoints) == 0:
        return Features(np.zeros((0, 2)), np.zeros((0, 128), np.float32))
    points = np.array([k.pt for k in keypoints], dtype=np.float64)
    total = np.maximum(descriptors.sum(axis=1, keepdims=True), 1e-6)
    return Features(points, np.sqrt(descriptors / total).astype(np.float32))


def _stretched(grey: F32) -> U8:
    low, high = quantiles(grey[::3, ::3].ravel(), (0.005, 0.995))
    span = max(float(high - low), 0.08)
    out = np.clip((grey - float(low)) * np.float32(255.0 / span), 0, 255)
    return np.asarray(out, dtype=np.uint8)


def _mirrored(descriptors: F32) -> F32:
    """Descriptors of the same features seen in a mirror: rows and turning sense change places."""
    cells = descriptors.reshape(-1, 4, 4, 8)[:, ::-1]
    turned = cells[..., [0, 7, 6, 5, 4, 3, 2, 1]]
    return np.ascontiguousarray(turned.reshape(-1, 128))


def _match(art: F32, photo: F32) -> tuple[Index, Index, F32]:
    """Best artwork feature for each photo feature: art index, photo index, distance ratio."""
    likeness = photo @ art.T
    rows = np.arange(len(photo))
    best = likeness.argmax(axis=1)
    top = likeness[rows, best].copy()
    likeness[rows, best] = -1.0
    second = likeness.max(axis=1)
    ratio = np.sqrt(np.maximum(2 - 2 * top, 0) / np.maximum(2 - 2 * second, 1e-9))
    return best, rows, ratio


def match(art: Features, photo: Features, least_span_px: float) -> FeatureMatch | None:
    """The homography that most features agree on, or None.

    The mirrored picture is tried too unless the plain one gathers clear support all over the
    artwork: an ornament that is its own mirror image supports a wrong place just as clearly.
    """
    if min(len(art.points), len(photo.points)) < LEAST_FEATURES:
        return None
    best: FeatureMatch | None = None
    for mirrored in (False, True):
        descriptors = _mirrored(art.descriptors) if mirrored else art.descriptors
        index, rows, ratio = _match(descriptors, photo.descriptors)
        good = ratio < _RATIO
        if good.sum() < _LEAST_INLIERS:
            continue
        order = np.argsort(ratio[good])[:1500]
        source = art.points[index[good]][order]
        target = photo.points[rows[good]][order]
        found = _homography(source, target, mirrored, least_span_px)
        if found is not None and (best is None or found.inliers > best.inliers):
            best = found
        if best is not None and _clear(best, art.points):
            break
    return best


def _clear(found: FeatureMatch, all_points: F64) -> bool:
    """Whether many features agree, from all over the artwork."""
    spread = np.ptp(np.quantile(found.art_points, [0.05, 0.95], axis=0), axis=0)
    whole = np.ptp(np.quantile(all_points, [0.05, 0.95], axis=0), axis=0)
    return bool(
        found.inliers >= 60
        and found.inliers > 0.2 * found.matches
        and (spread > _ALL_OVER * whole).all()
    )


def _homography(
    source: F64, target: F64, mirrored: bool, least_span_px: float
) -> FeatureMatch | None:
    cv2.setRNGSeed(7)
    # samples that turn over are rejected as degenerate in there, so a mirrored picture goes in
    # turned over already
    over = np.diag([-1.0 if mirrored else 1.0, 1.0, 1.0])
    found, mask = cv2.findHomography(
        source * over[[0, 1], [0, 1]],
        target,
        cv2.USAC_ACCURATE,
        _THRESHOLD_PX,
        maxIters=10000,
        confidence=0.9999,
    )
    if found is None or mask is None or not np.isfinite(found).all():
        return None
    homography = found @ over
    projected = cv2.perspectiveTransform(source[:, None], homography)[:, 0]
    # the returned mask may hold outliers, so measure again
    error = np.linalg.norm(projected - target, axis=1)
    near = error < _THRESHOLD_PX
    if near.sum() < _LEAST_INLIERS:
        return None
    # a mirror shows in the sign of the determinant
    center = source[near].mean(axis=0)
    w = homography[2, 0] * center[0] + homography[2, 1] * center[1] + homography[2, 2]
    if (np.linalg.det(homography) / w**3 < 0) != mirrored:
        return None
    # several matches onto one spot count once: a repeated glint is no proof
    cells = np.unique(np.round(target[near] / 4), axis=0)
    spread = np.ptp(target[near], axis=0)
    if len(cells) < _LEAST_INLIERS or float(spread.min()) < least_span_px:
        return None
    return FeatureMatch(
        homography=np.asarray(homography, dtype=np.float64),
        mirrored=mirrored,
        inliers=len(cells),
        matches=len(source),
        art_points=source[near],
        photo_points=target[near],
    )
