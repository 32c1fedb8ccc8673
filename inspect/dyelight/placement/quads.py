"""Quadrilaterals in the photo that could be the panel, from straight edges alone."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..records import F32, F64, Photo
from .lines import distinct, gradient, line_support, straight_lines
from .scaled import shrink

_LONG_SIDE_PX = 640
# lines kept, of any one direction, and quads given; and of a picture that is full of lines
_USUAL = (48, 14, 24)
_WIDE = (96, 40, 200)
_STEEP_PCT, _ASTRAY_DEG = 95.0, 12
# mean support from which an outline is plainly a panel
PLAIN_SUPPORT = 0.8
_LEAST_AREA, _MOST_AREA = 0.05, 0.985
_LEAST_SIDE_SUPPORT = 0.30
_LEAST_MEAN_SUPPORT = 0.50
_LARGER = 0.15
_SAME_PX = 4
# a rectangle seen by a camera whose focal length is one of these shares of the photo's long side
_FOCALS = (0.7, 0.85, 1.1, 1.6)
_ASPECT_TOLERANCE = 0.10
_SQUARE_TOLERANCE = 0.12


@dataclass(frozen=True, slots=True)
class Quad:
    """Four corners (4, 2) in photo px, clockwise as seen, and how well the photo supports them.

    `support` is the mean over the sides, `weakest` the least of them: the share of a side along
    which an edge runs. `upright` tells whether corner 0 to 1 can be the panel's width, `lying`
    whether corner 1 to 2 can.
    """

    corners_px: F64
    support: float
    weakest: float
    upright: bool
    lying: bool


def find_quads(photo: Photo, aspect: float | None, *, wide: bool = False) -> list[Quad]:
    """Candidate outlines of a panel of this width over height, or None for any, best first.

    With `wide` also those that a chequered or striped picture's own lines outdo.
    """
    most_lines, per_sector, most = _WIDE if wide else _USUAL
    factor = min(1.0, _LONG_SIDE_PX / max(photo.width_px, photo.height_px))
    small = shrink(photo.pixels, factor)
    height, width = small.shape[:2]
    if min(height, width) < 32:
        return []
    slope = gradient(small)
    lines = straight_lines(slope, most_lines)
    if wide:
        # where soft stripes fill the picture, the panel's sides are steeper than they
        steep = straight_lines(slope, most_lines, _STEEP_PCT, _ASTRAY_DEG)
        lines = np.concatenate([lines, steep])
    if len(lines) < 4:
        return []
    support = line_support(slope, lines)
    keep = distinct(lines, support.sum(axis=1), most_lines, per_sector)
    quads = _assemble(lines[keep], support[keep], (width, height), aspect, most)
    scale = np.array([photo.width_px / width, photo.height_px / height])
    return [
        Quad((q.corners_px + 0.5) * scale - 0.5, q.support, q.weakest, q.upright, q.lying)
        for q in quads
    ]


def _assemble(
    lines: F64, support: F32, size: tuple[int, int], aspect: float | None, most: int
) -> list[Quad]:
    width, height = size
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    n = len(lines)
    a, b, c = lines[:, 0], lines[:, 1], lines[:, 2]
    cross = a[:, None] * b[None, :] - b[:, None] * a[None, :]
    i, j = np.triu_indices(n, 1)
    steep = np.abs(cross[i, j])
    # sides that face each other differ by less than 40 degrees
    facing = steep < np.sin(np.radians(40.0))
    pi, pj = i[facing], j[facing]
    safe = np.where(np.abs(cross) > 1e-9, cross, 1e-9)
    meet_x = (c[:, None] * b[None, :] - b[:, None] * c[None, :]) / safe
    meet_y = (a[:, None] * c[None, :] - c[:, None] * a[None, :]) / safe
    # thousands of pairs may face each other: what stands too askew is never paired
    across = np.abs(cross[np.ix_(pi, pi)]) > np.sin(np.radians(35.0))
    first, second = np.nonzero(np.triu(across, 1))
    i, j, k, m = pi[first], pj[first], pi[second], pj[second]
    ok = (i != k) & (i != m) & (j != k) & (j != m)
    i, j, k, m = i[ok], j[ok], k[ok], m[ok]
    # corners in order around: i-k, k-j, j-m, m-i
    x = np.stack([meet_x[i, k], meet_x[k, j], meet_x[j, m], meet_x[m, i]], 1)
    y = np.stack([meet_y[i, k], meet_y[k, j], meet_y[j, m], meet_y[m, i]], 1)
    margin = 0.02 * max(size)
    inside = (
        (x > -margin) & (x < width - 1 + margin) & (y > -margin) & (y < height - 1 + margin)
    ).all(axis=1)
    side_x, side_y = np.roll(x, -1, 1) - x, np.roll(y, -1, 1) - y
    turn = side_x * np.roll(side_y, -1, 1) - side_y * np.roll(side_x, -1, 1)
    convex = (turn > 0).all(axis=1) | (turn < 0).all(axis=1)
    area = np.abs(np.sum(x * np.roll(y, -1, 1) - np.roll(x, -1, 1) * y, axis=1)) / 2
    share = area / (width * height)
    ok = inside & convex & (share > _LEAST_AREA) & (share < _MOST_AREA)
    i, j, k, m, x, y = i[ok], j[ok], k[ok], m[ok], x[ok], y[ok]
    if not len(i):
        return []
    total = np.concatenate([np.zeros((n, 1), np.float32), np.cumsum(support, axis=1)], axis=1)
    half = (support.shape[1] - 1) // 2
    scores = np.empty((len(i), 4))
    for number, (line, p, q) in enumerate(((k, 0, 1), (j, 1, 2), (m, 2, 3), (i, 3, 0))):
        at = np.stack([_position(lines, line, x[:, e], y[:, e], centre) for e in (p, q)], 1)
        low = np.clip(np.floor(at.min(axis=1)) + half, 0, 2 * half).astype(np.intp)
        high = np.clip(np.ceil(at.max(axis=1)) + half + 1, 0, 2 * half + 1).astype(np.intp)
        # rounded corners: the ends of a side carry no straight edge
        trim = (0.04 * (high - low)).astype(np.intp)
        low, high = low + trim, np.maximum(high - trim, low + trim + 1)
        scores[:, number] = (total[line, high] - total[line, low]) / (high - low)
    mean, least = scores.mean(axis=1), scores.min(axis=1)
    good = np.flatnonzero((mean > _LEAST_MEAN_SUPPORT) & (least > _LEAST_SIDE_SUPPORT))
    # of two equally clear outlines the larger is the panel, the smaller something inside it
    claim = mean + _LARGER * np.sqrt(share[ok])
    good = good[np.argsort(-claim[good])][:600]
    quads: list[Quad] = []
    for g in good:
        corners = np.stack([x[g], y[g]], 1)
        if np.sum(x[g] * np.roll(y[g], -1) - np.roll(x[g], -1) * y[g]) < 0:
            corners = corners[::-1]
        upright, lying = _could_be(corners, size, aspect)
        if not (upright or lying):
            continue
        if _same([q.corners_px for q in quads], corners):
            continue
        quads.append(Quad(corners, float(mean[g]), float(least[g]), upright, lying))
        if len(quads) >= most:
            break
    return quads


def _same(kept: list[F64], corners: F64) -> bool:
    """Whether corners (4, 2), from whichever they start, lie within a few px of kept ones."""
    if not kept:
        return False
    rolled = np.stack([np.roll(corners, k, axis=0) for k in range(4)])
    off = np.abs(np.stack(kept)[:, None] - rolled).max(axis=(2, 3))
    return bool((off < _SAME_PX).any())


def _position(lines: F64, line: NDArray[np.intp], x: F64, y: F64, centre: F64) -> F64:
    a, b = lines[line, 0], lines[line, 1]
    return np.asarray(-b * (x - centre[0]) + a * (y - centre[1]), dtype=np.float64)


def _could_be(corners: F64, size: tuple[int, int], aspect: float | None) -> tuple[bool, bool]:
    """Whether the corners can be a rectangle of this aspect, or of any, upright or lying.

    From the plane's homography and an assumed focal length (Zhang & He 2007, whiteboard scanning).
    """
    width, height = size
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    h = cv2.getPerspectiveTransform(square.astype(np.float32), corners.astype(np.float32))
    upright = lying = False
    for focal in _FOCALS:
        f = focal * max(size)
        back = np.array(
            [[1 / f, 0, -(width - 1) / 2 / f], [0, 1 / f, -(height - 1) / 2 / f], [0, 0, 1]]
        )
        e, g = back @ h[:, 0], back @ h[:, 1]
        long_e, long_g = float(np.linalg.norm(e)), float(np.linalg.norm(g))
        if min(long_e, long_g) < 1e-12:
            continue
        skew = abs(float(e @ g)) / (long_e * long_g)
        if skew > _SQUARE_TOLERANCE:
            continue
        if aspect is None:
            return True, True
        log_ratio = np.log(long_e / long_g)
        upright |= bool(abs(log_ratio - np.log(aspect)) < _ASPECT_TOLERANCE)
        lying |= bool(abs(log_ratio + np.log(aspect)) < _ASPECT_TOLERANCE)
    return upright, lying
