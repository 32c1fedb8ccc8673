"""Two plain ways to check a panel, to hold the program against.

Both line the photo up by SIFT at 1 MP and a homography. One then measures the Lab difference, after
the photo's means and spreads were brought to the artwork's; the other skimage's SSIM on grey. Both
maps are smoothed by a pixel, cut at a threshold, and connected parts of at least 4 px are findings.
The panel's outer millimetre is left out, since a homography alone never meets the edge exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from skimage.metrics import structural_similarity

from dyelight.records import F32, F64, U8, Artwork, Photo, Pixels

LAB_LIMITS: tuple[float, ...] = (4, 5.5, 7.5, 10, 14, 19, 26, 36, 50)
SSIM_LIMITS: tuple[float, ...] = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.3)

_FIND_PX = 1.0e6
_RATIO = 0.75
_LEAST_INLIERS = 15
_INSET_MM = 1.0
_LEAST_PX = 4


@dataclass(frozen=True, slots=True)
class Aligned:
    """The photo squared up onto the trimmed artwork: both (H, W, 3) or grey uint8, `px_per_mm`."""

    seen: U8
    due: U8
    px_per_mm: float


def place(photo: Photo, artwork: Artwork) -> F64 | None:
    """The homography (3, 3) from artwork mm to photo px; None where too little matches."""
    art, art_from_mm = _shrunk(artwork.pixels), _art_px_from_mm(artwork)
    seen = _shrunk(photo.pixels)
    sift = cv2.SIFT.create()
    key_a, des_a = sift.detectAndCompute(art[0], None)
    key_p, des_p = sift.detectAndCompute(seen[0], None)
    if des_a is None or des_p is None or len(key_a) < 2 or len(key_p) < 2:
        return None
    pairs = [
        pair[0]
        for pair in cv2.BFMatcher().knnMatch(des_a, des_p, k=2)
        if len(pair) == 2 and pair[0].distance < _RATIO * pair[1].distance
    ]
    if len(pairs) < _LEAST_INLIERS:
        return None
    src = np.array([key_a[m.queryIdx].pt for m in pairs], np.float32)
    dst = np.array([key_p[m.trainIdx].pt for m in pairs], np.float32)
    found, inliers = cv2.findHomography(src, dst, cv2.RANSAC, 3.0)
    if found is None or int(inliers.sum()) < _LEAST_INLIERS:
        return None
    return np.asarray(np.linalg.inv(seen[1]) @ found @ art[1] @ art_from_mm, np.float64)


def _shrunk(pixels: Pixels) -> tuple[U8, F64]:
    """Grey at 1 MP, and the matrix from full pixels to its own."""
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    scale = min(1.0, float(np.sqrt(_FIND_PX / grey.size)))
    small = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    sx, sy = small.shape[1] / grey.shape[1], small.shape[0] / grey.shape[0]
    to_small = np.array([[sx, 0, sx / 2 - 0.5], [0, sy, sy / 2 - 0.5], [0, 0, 1.0]])
    return np.asarray(small, np.uint8), to_small


def _art_px_from_mm(artwork: Artwork) -> F64:
    (sx, sy), bleed = artwork.px_per_mm, artwork.bleed_mm
    return np.array([[sx, 0, sx * bleed - 0.5], [0, sy, sy * bleed - 0.5], [0, 0, 1.0]])


def square_up(photo: Photo, artwork: Artwork, photo_from_mm: F64, *, grey: bool = False) -> Aligned:
    """The photo and the artwork on one grid, as fine as the photo is on the panel."""
    photo_px, art_px = photo.pixels, artwork.pixels
    if grey:
        photo_px, art_px = (
            np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.uint8)
            for rgb in (photo_px, art_px)
        )
    w, h = artwork.width_mm, artwork.height_mm
    corners = np.array([[[0, 0], [w, 0], [w, h], [0, h]]], np.float64)
    q = cv2.perspectiveTransform(corners, photo_from_mm)[0]
    area = abs(float(q[:, 0] @ np.roll(q[:, 1], -1) - q[:, 1] @ np.roll(q[:, 0], -1))) / 2
    scale = float(np.sqrt(min(area, photo.width_px * photo.height_px) / (w * h)))
    size = (max(round(w * scale), 8), max(round(h * scale), 8))
    mm_from_grid = np.array(
        [[w / size[0], 0, 0.5 * w / size[0]], [0, h / size[1], 0.5 * h / size[1]], [0, 0, 1.0]]
    )
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    seen = cv2.warpPerspective(photo_px, photo_from_mm @ mm_from_grid, size, flags=flags)
    # a homography may be so far off that hardly anything is left of the panel
    least = 8.0 / min(artwork.pixels.shape[:2])
    shrink = min(max(scale / artwork.px_per_mm[0], least), 1.0)
    fine = cv2.resize(art_px, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    sx = fine.shape[1] / (w + 2 * artwork.bleed_mm)
    sy = fine.shape[0] / (h + 2 * artwork.bleed_mm)
    bleed = artwork.bleed_mm
    fine_from_mm = np.array([[sx, 0, sx * bleed - 0.5], [0, sy, sy * bleed - 0.5], [0, 0, 1.0]])
    due = cv2.warpPerspective(
        fine, fine_from_mm @ mm_from_grid, size, flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    return Aligned(np.asarray(seen, np.uint8), np.asarray(due, np.uint8), scale)


def lab_difference(pair: Aligned) -> F32:
    """Euclidean Lab difference (H, W) with the photo's mean and spread fitted per channel."""
    seen, due = (
        cv2.cvtColor(rgb.astype(np.float32) / np.float32(255), cv2.COLOR_RGB2Lab)
        for rgb in (pair.seen, pair.due)
    )
    for channel in range(3):
        a, b = seen[..., channel], due[..., channel]
        gain = float(b.std()) / max(float(a.std()), 1e-3)
        seen[..., channel] = (a - float(a.mean())) * np.float32(gain) + float(b.mean())
    difference = np.sqrt(((seen - due) ** 2).sum(axis=2))
    return np.asarray(cv2.GaussianBlur(difference, (0, 0), 1.0), np.float32)


def ssim_difference(pair: Aligned) -> F32:
    """1 - SSIM (H, W) of the grey pictures, with skimage's own settings."""
    seen, due = (
        picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
        for picture in (pair.seen, pair.due)
    )
    _, similar = structural_similarity(seen, due, full=True)  # type: ignore[no-untyped-call] # unannotated there
    return np.asarray(cv2.GaussianBlur(1 - similar, (0, 0), 1.0), np.float32)


def boxes(difference: F32, px_per_mm: float, limit: float) -> F64:
    """Boxes (N, 4) in mm of the connected parts above a limit."""
    over = (difference > limit).astype(np.uint8)
    rim = max(int(np.ceil(_INSET_MM * px_per_mm)), 1)
    inner = np.zeros_like(over)
    inner[rim:-rim, rim:-rim] = over[rim:-rim, rim:-rim]
    _, _, stats, _ = cv2.connectedComponentsWithStats(inner, connectivity=8)
    parts = stats[1:][stats[1:, cv2.CC_STAT_AREA] >= _LEAST_PX].astype(np.float64)
    left, top, width, height = parts[:, 0], parts[:, 1], parts[:, 2], parts[:, 3]
    return np.stack([left, top, left + width, top + height], axis=1) / px_per_mm
