"""Profiles of the photo across the panel's predicted border, and what in them is not picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..ranks import median, medians
from ..records import F32, F64, Artwork, Mask, Photo, Pixels
from .picture_map import FittedMap

Index = NDArray[np.intp]

# how far the panel's edge may lie from the picture's trim, mm and share of the short side
_REACH_MM = 2.6
_REACH_SHARE = 0.012
# the inner zone that teaches how the picture looks here starts this far inside the reach
_LEARN_MM = 5.0
_CUT_MM = 0.4  # what the edge of a cut-out may have blurred in the file
_BLOCKS = 8
# the zone's innermost share, and how many times what it leaves over the rest of it may leave
_DEEP_SHARE, _OWN = 0.4, 3.0
# share of the reach outside the trim that must lie in the frame
_LEAST_OUTSIDE = 0.3


@dataclass(frozen=True, slots=True)
class BorderPoints:
    """Points on the nominal trim (N, 2) in mm, outward unit normals (N, 2), side (N,)."""

    points_mm: F64
    normals: F64
    side: Index


@dataclass(frozen=True, slots=True)
class Profiles:
    """Edge evidence across the border.

    `offsets_mm` (T,) outward from the trim. `evidence` (N, T) float32 in 0..1: how clearly the
    photo departs here from the picture, compared with noise. `steps` (N, T) float64: size of the
    change in linear light. `valid` (N,) positions inside the photo. `pitch_mm` the spacing of the
    offsets, `photo_px_mm` photo px per mm along the normal (N,).
    """

    offsets_mm: F64
    evidence: F32
    steps: F64
    valid: Mask
    pitch_mm: float
    px_per_mm: F64


def gather(pixels: Pixels, points: F64) -> tuple[F32, Mask]:
    """Bilinear samples (..., 3) float32 in 0..1 at points (..., 2), and which lie inside."""
    height, width = pixels.shape[:2]
    x, y = points[..., 0], points[..., 1]
    inside = (x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1)
    x = np.where(inside, x, 0.0)
    y = np.where(inside, y, 0.0)
    x0 = np.minimum(x.astype(np.intp), max(width - 2, 0))
    y0 = np.minimum(y.astype(np.intp), max(height - 2, 0))
    fx = (x - x0).astype(np.float32)[..., None]
    fy = (y - y0).astype(np.float32)[..., None]
    right, down = min(width - 1, 1), width * min(height - 1, 1)
    # by one index: NumPy takes four times as long by rows and columns
    flat, at = pixels.reshape(-1, 3), y0 * width + x0
    top, bottom = (
        flat.take(row, axis=0) * (1 - fx) + flat.take(row + right, axis=0) * fx
        for row in (at, at + down)
    )
    scale = np.float32(1 / 65535 if pixels.dtype == np.uint16 else 1 / 255)
    return np.asarray((top * (1 - fy) + bottom * fy) * scale, dtype=np.float32), inside


def rectangle_points(artwork: Artwork, per_side: int) -> BorderPoints:
    """Points along the straight parts of a rectangular panel, clockwise, sides 0 top to 3 left."""
    w, h = artwork.width_mm, artwork.height_mm
    keep = max(0.06, min(0.2, 8.0 / min(w, h)))
    t = np.linspace(keep, 1 - keep, per_side)
    zero, one = np.zeros(per_side), np.ones(per_side)
    points = np.concatenate(
        [
            np.stack([t * w, zero], 1),
            np.stack([w * one, t * h], 1),
            np.stack([(1 - t) * w, h * one], 1),
            np.stack([zero, (1 - t) * h], 1),
        ]
    )
    normals = np.repeat(np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]]), per_side, 0)
    return BorderPoints(points, normals, np.repeat(np.arange(4), per_side))


def shape_points(artwork: Artwork, count: int) -> BorderPoints | None:
    """Points along the outer contour of a shaped panel's alpha; None where it has none."""
    if artwork.alpha is None:
        return None
    solid = (artwork.alpha >= 128).astype(np.uint8)
    factor = min(1.0, 1500 / max(solid.shape))
    if factor < 1:
        small = cv2.resize(solid * 255, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        solid = (small >= 128).astype(np.uint8)
    padded = np.pad(solid, 1)
    contours, _ = cv2.findContours(padded, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    line = max(contours, key=cv2.contourArea)[:, 0].astype(np.float64) - 1
    if len(line) < 40:
        return None
    # the contour runs through the outermost solid pixels: their outer side is half a pixel on
    scale = np.array(artwork.px_per_mm) * np.array(
        [solid.shape[1] / artwork.alpha.shape[1], solid.shape[0] / artwork.alpha.shape[0]]
    )
    window = max(5, len(line) // 150) | 1
    kernel = np.ones(window) / window
    wrapped = np.concatenate([line[-window:], line, line[:window]])
    smooth = np.stack([np.convolve(wrapped[:, k], kernel, "same") for k in (0, 1)], 1)
    tangent = (np.roll(smooth, -2, 0) - np.roll(smooth, 2, 0))[window:-window] / scale
    smooth = smooth[window:-window]
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], 1)
    centre = smooth.mean(axis=0)
    if float(np.sum((smooth - centre) / scale * normal)) < 0:
        normal = -normal
    points = (smooth + 0.5) / scale - artwork.bleed_mm + normal * 0.5 / scale.mean()
    pick = np.linspace(0, len(points) - 1, min(count, len(points))).astype(np.intp)
    return BorderPoints(points[pick], normal[pick], np.zeros(len(pick), dtype=np.intp))


def border_profiles(
    photo: Photo,
    artwork_rgb: Pixels,
    artwork: Artwork,
    picture: FittedMap,
    border: BorderPoints,
    blur_px: float,
) -> Profiles:
    """Sample the photo across the border and mark where it departs from the picture.

    `artwork_rgb` is the artwork at a reduced size. Inside the panel the photo is regressed on the
    artwork's colours; what that leaves over changes abruptly where the panel ends.
    """
    short = min(artwork.width_mm, artwork.height_mm)
    reach = max(_REACH_MM * min(1.0, short / 100), _REACH_SHARE * short)
    learn = min(_LEARN_MM, 0.08 * short)
    ends = picture.to_photo(np.concatenate([border.points_mm, border.points_mm + border.normals]))
    n = len(border.points_mm)
    px_per_mm = np.linalg.norm(ends[n:] - ends[:n], axis=1)
    # half a photo pixel, but no more than about 200 samples
    pitch = max(0.5 / max(median(px_per_mm), 1e-6), (2 * reach + learn) / 200)
    offsets = np.arange(-(reach + learn), reach + pitch, pitch)
    at_mm = border.points_mm[:, None] + border.normals[:, None] * offsets[None, :, None]
    at_px = picture.to_photo(at_mm.reshape(-1, 2)).reshape(n, -1, 2)
    seen, inside = gather(photo.pixels, at_px)
    scale = np.array(
        [
            artwork_rgb.shape[1] / (artwork.width_mm + 2 * artwork.bleed_mm),
            artwork_rgb.shape[0] / (artwork.height_mm + 2 * artwork.bleed_mm),
        ]
    )
    limit = np.array([artwork_rgb.shape[1] - 1, artwork_rgb.shape[0] - 1])
    if artwork.alpha is not None:
        # past a cut-out the file's colours are no print: their edge must not pass for the panel's
        within = np.minimum(offsets, -_CUT_MM)
        at_mm = border.points_mm[:, None] + border.normals[:, None] * within[None, :, None]
    art_at = np.clip((at_mm + artwork.bleed_mm) * scale - 0.5, 0, limit)
    expected, _ = gather(artwork_rgb, art_at)
    sigma = max(0.6, blur_px / max(median(px_per_mm) * pitch, 1e-6))
    expected = _smoothed(expected, sigma)
    # the frame may end a little outside the panel
    needed = offsets <= _LEAST_OUTSIDE * reach
    valid: Mask = np.asarray(inside[:, needed].all(axis=1), dtype=np.bool_)
    learn_zone = offsets < -0.5 * reach
    residual, noise = _residual(seen, expected, learn_zone, border.side, valid)
    lag = max(1, round(1.2 * sigma))
    change = _lagged(residual, lag)
    size = np.sqrt(np.sum(np.square(change), axis=2))
    evidence = np.square(size) / (np.square(size) + np.square(4.0 * noise)[:, None])
    window = np.ones((1, 2 * lag + 3), np.uint8)
    clear = cv2.erode(inside.astype(np.uint8), window, borderValue=1) > 0
    evidence = np.where(clear, evidence, 0.0)
    linear = np.square(np.maximum(seen, 0.0)) - np.square(np.maximum(seen - residual, 0.0))
    steps = np.where(clear, np.sqrt(np.sum(np.square(_lagged(linear, 1)), axis=2)), 0.0)
    keep = offsets >= -reach
    return Profiles(
        offsets_mm=offsets[keep],
        evidence=np.asarray(evidence[:, keep], dtype=np.float32),
        steps=np.asarray(steps[:, keep], dtype=np.float64),
        valid=valid,
        pitch_mm=float(pitch),
        px_per_mm=px_per_mm,
    )


def _smoothed(profiles: F32, sigma: float) -> F32:
    half = int(np.ceil(3 * sigma))
    kernel = np.exp(-0.5 * np.square(np.arange(-half, half + 1) / sigma))
    kernel /= kernel.sum()
    flat = cv2.filter2D(
        np.ascontiguousarray(profiles.reshape(profiles.shape[0], -1, 3)),
        cv2.CV_32F,
        kernel[None, :].astype(np.float32),
        borderType=cv2.BORDER_REPLICATE,
    )
    return np.asarray(flat, dtype=np.float32)


def _lagged(profiles: F32, lag: int) -> F32:
    """Difference over +-lag samples, zero at the ends."""
    out = np.zeros_like(profiles)
    out[:, lag:-lag] = profiles[:, 2 * lag :] - profiles[:, : -2 * lag]
    return out


def _explained(terms: F32, seen: F32, zone: Mask) -> F32:
    """What the terms (N, T, 5) explain of the photo (N, T, 3), by least squares over a zone."""
    x = terms[:, zone].reshape(-1, 5).astype(np.float64)
    y = seen[:, zone].reshape(-1, 3).astype(np.float64)
    normal = x.T @ x
    # where the picture is flat its gain is unknown: lean towards none
    normal += np.diag([0.0, 0.0, 1.0, 1.0, 1.0]) * 1e-4 * len(x) + 1e-9 * np.eye(5)
    return np.asarray(terms @ np.linalg.solve(normal, x.T @ y), np.float32)


def _residual(seen: F32, expected: F32, zone: Mask, side: Index, valid: Mask) -> tuple[F32, F32]:
    """What the picture does not explain (N, T, 3), and its sd inside the panel (N,)."""
    zones = np.flatnonzero(zone)
    deep = zone & (np.arange(zone.size) < zones[0] + _DEEP_SHARE * zones.size)
    residual = np.zeros_like(seen)
    noise = np.full(len(seen), 1.0, dtype=np.float32)
    for one in np.unique(side):
        rows = np.flatnonzero((side == one) & valid)
        if rows.size < 12:
            continue
        for block in np.array_split(rows, max(1, min(_BLOCKS, rows.size // 12))):
            along = np.linspace(-1, 1, block.size, dtype=np.float32)[:, None, None]
            shape = (*expected[block].shape[:2], 1)
            terms = np.concatenate(
                [
                    np.ones(shape, np.float32),
                    np.broadcast_to(along, shape),
                    expected[block],
                ],
                axis=2,
            )
            left = seen[block] - _explained(terms, seen[block], deep)
            # where the print ends short of the zone, the zone's outer part is not picture
            rough = medians(np.sqrt(np.sum(np.square(left), axis=2)), axis=0)
            usual = max(median(rough[deep]), 0.004)
            own = zone & (rough <= _OWN * usual)
            left = seen[block] - _explained(terms, seen[block], own)
            residual[block] = left
            spread = np.sqrt(np.mean(np.square(left[:, own])) * 3)
            noise[block] = max(float(spread), 0.004)
    return residual, noise
