"""Quadrilaterals in the photo that could be the panel, from straight edges alone."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..records import F32, F64, Photo
from .scaled import shrink

_LONG_SIDE_PX = 640
_LINES = 48
# mean support from which an outline is plainly a panel
PLAIN_SUPPORT = 0.8
_SECTORS = 6
_LINES_PER_SECTOR = 14
_LEAST_AREA, _MOST_AREA = 0.05, 0.985
_LEAST_SIDE_SUPPORT = 0.30
_LEAST_MEAN_SUPPORT = 0.50
_LARGER = 0.15
_MOST = 24
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


def find_quads(photo: Photo, width_mm: float, height_mm: float) -> list[Quad]:
    """Candidate outlines of a width_mm x height_mm panel, best first."""
    factor = min(1.0, _LONG_SIDE_PX / max(photo.width_px, photo.height_px))
    small = shrink(photo.pixels, factor)
    height, width = small.shape[:2]
    if min(height, width) < 32:
        return []
    gradient = _gradient(small)
    lines = _lines(gradient)
    if len(lines) < 4:
        return []
    support = _line_support(gradient, lines)
    keep = _distinct(lines, support.sum(axis=1))
    quads = _assemble(lines[keep], support[keep], (width, height), width_mm / height_mm)
    scale = np.array([photo.width_px / width, photo.height_px / height])
    return [
        Quad((q.corners_px + 0.5) * scale - 0.5, q.support, q.weakest, q.upright, q.lying)
        for q in quads
    ]


def _gradient(small: NDArray[np.uint8] | NDArray[np.uint16]) -> F32:
    """Gradient (h, w, 2) float32 of the channel that changes most, in units of its noise."""
    top = 65535.0 if small.dtype == np.uint16 else 255.0
    image = cv2.GaussianBlur(small.astype(np.float32) * np.float32(1 / top), (0, 0), 1.0)
    # shadows and dark rooms: equal steps of brightness ratio count alike
    image = np.sqrt(np.maximum(image, 0.0))
    dx = cv2.Scharr(image, cv2.CV_32F, 1, 0, scale=1 / 32)
    dy = cv2.Scharr(image, cv2.CV_32F, 0, 1, scale=1 / 32)
    pick = (dx * dx + dy * dy).argmax(axis=2)[..., None]
    out = np.concatenate(
        [np.take_along_axis(dx, pick, axis=2), np.take_along_axis(dy, pick, axis=2)], axis=2
    )
    return np.asarray(out, dtype=np.float32)


def _lines(gradient: F32) -> F64:
    """Lines (N, 3): cos, sin, offset of x cos + y sin = offset, by a gradient-directed Hough."""
    size = np.hypot(gradient[..., 0], gradient[..., 1])
    floor = max(float(np.percentile(size, 60)), 0.004)
    # only ridges of the gradient vote
    ridge = size >= cv2.dilate(size, np.ones((3, 1), np.uint8))
    ridge |= size >= cv2.dilate(size, np.ones((1, 3), np.uint8))
    ys, xs = np.nonzero(ridge & (size > floor))
    if xs.size < 40:
        return np.zeros((0, 3))
    gx, gy = gradient[ys, xs, 0], gradient[ys, xs, 1]
    angle = np.arctan2(gy, gx) % np.pi
    bins = 180
    vote = np.minimum(size[ys, xs] / (3 * floor), 1.0)
    diagonal = int(np.hypot(*size.shape)) + 2
    hough = np.zeros((bins, 2 * diagonal), dtype=np.float32)
    for spread in range(-2, 3):
        k = (np.round(angle / np.pi * bins).astype(np.intp) + spread) % bins
        theta = k * np.pi / bins
        rho = xs * np.cos(theta) + ys * np.sin(theta)
        at = np.round(rho).astype(np.intp) + diagonal
        np.add.at(hough, (k, at), vote)
    smooth = cv2.GaussianBlur(hough, (0, 0), 0.8)
    lines = []
    left = smooth.copy()
    for _ in range(4 * _LINES):
        k, r = np.unravel_index(int(left.argmax()), left.shape)
        if left[k, r] < 0.03 * max(size.shape):
            break
        theta = float(k) * np.pi / bins
        lines.append((np.cos(theta), np.sin(theta), float(r) - diagonal))
        for dk in range(-2, 3):
            kk = int(k) + dk
            rr = int(r)
            if not 0 <= kk < bins:
                kk %= bins
                rr = 2 * diagonal - rr
            left[kk, max(0, rr - 3) : rr + 4] = 0.0
    return _sharpened(np.asarray(lines).reshape(-1, 3), xs, ys, angle, vote)


def _sharpened(
    lines: F64, xs: NDArray[np.intp], ys: NDArray[np.intp], angle: F64, vote: F64
) -> F64:
    """Each line fitted to the edge points near it."""
    out = []
    for cos, sin, offset in lines:
        a, b, c = cos, sin, offset
        for reach in (3.0, 2.0):
            distance = xs * a + ys * b - c
            turn = np.abs((angle - np.arctan2(b, a) + np.pi / 2) % np.pi - np.pi / 2)
            near = (np.abs(distance) < reach) & (turn < 0.25)
            if near.sum() < 12:
                break
            w = vote[near]
            x, y = xs[near], ys[near]
            mx, my = np.average(x, weights=w), np.average(y, weights=w)
            dx, dy = x - mx, y - my
            cov = np.array([[np.sum(w * dx * dx), np.sum(w * dx * dy)], [0.0, np.sum(w * dy * dy)]])
            cov[1, 0] = cov[0, 1]
            _, vectors = np.linalg.eigh(cov)
            a, b = vectors[:, 0]
            c = a * mx + b * my
        out.append((a, b, c))
    return np.asarray(out, dtype=np.float64).reshape(-1, 3)


def _line_support(gradient: F32, lines: F64) -> F32:
    """Edge evidence 0..1 at every px along each line (N, S), from its foot point outwards.

    Sample s lies s - S/2 px from the point of the line nearest the image's centre.
    """
    height, width = gradient.shape[:2]
    reach = int(np.hypot(height, width) / 2) + 8
    s = np.arange(-reach, reach + 1, dtype=np.float64)
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    a, b, c = lines[:, 0], lines[:, 1], lines[:, 2]
    lift = c - (a * centre[0] + b * centre[1])
    foot = centre + np.stack([a * lift, b * lift], 1)
    x = foot[:, :1] - b[:, None] * s
    y = foot[:, 1:] + a[:, None] * s
    size = np.hypot(gradient[..., 0], gradient[..., 1])
    tau = max(float(np.median(size)) * 2.0, 0.005)
    best = np.zeros(x.shape, dtype=np.float32)
    for shift in (-1.5, 0.0, 1.5):
        ix = np.round(x + a[:, None] * shift).astype(np.intp)
        iy = np.round(y + b[:, None] * shift).astype(np.intp)
        inside = (ix >= 0) & (iy >= 0) & (ix < width) & (iy < height)
        ix, iy = np.where(inside, ix, 0), np.where(inside, iy, 0)
        along = np.abs(gradient[iy, ix, 0] * a[:, None] + gradient[iy, ix, 1] * b[:, None])
        aligned = along > 0.9 * size[iy, ix]
        value = np.where(inside & aligned, along**2 / (along**2 + tau**2), 0.0)
        best = np.maximum(best, value.astype(np.float32))
    return best


def _distinct(lines: F64, strength: F64 | F32) -> list[int]:
    """Indices of the strongest lines, leaving out near doubles, shared out over the directions.

    A picture full of parallel lines must not crowd out the panel's other two sides.
    """
    kept: list[int] = []
    sector = (np.arctan2(lines[:, 1], lines[:, 0]) % np.pi / np.pi * _SECTORS).astype(np.intp)
    room = [_LINES_PER_SECTOR] * (_SECTORS + 1)
    for i in np.argsort(-strength):
        a, b, c = lines[i]
        double = room[sector[i]] == 0
        for j in kept:
            p, q, r = lines[j]
            dot = a * p + b * q
            sign = 1.0 if dot > 0 else -1.0
            if abs(dot) > 0.9998 and abs(c - sign * r) < 2.5:
                double = True
                break
        if not double:
            kept.append(int(i))
            room[sector[i]] -= 1
        if len(kept) == _LINES:
            break
    return kept


def _assemble(lines: F64, support: F32, size: tuple[int, int], aspect: float) -> list[Quad]:
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
    first, second = np.triu_indices(len(pi), 1)
    i, j, k, m = pi[first], pj[first], pi[second], pj[second]
    distinct = (i != k) & (i != m) & (j != k) & (j != m)
    wide = np.abs(cross[i, k]) > np.sin(np.radians(35.0))
    ok = distinct & wide
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
        if any(np.abs(_aligned(q.corners_px, corners) - q.corners_px).max() < 4 for q in quads):
            continue
        quads.append(Quad(corners, float(mean[g]), float(least[g]), upright, lying))
        if len(quads) >= _MOST:
            break
    return quads


def _aligned(reference: F64, corners: F64) -> F64:
    """Corners rolled so that they lie nearest to the reference's."""
    tries = [np.roll(corners, k, axis=0) for k in range(4)]
    return min(tries, key=lambda t: float(np.abs(t - reference).max()))


def _position(lines: F64, line: NDArray[np.intp], x: F64, y: F64, centre: F64) -> F64:
    a, b = lines[line, 0], lines[line, 1]
    return np.asarray(-b * (x - centre[0]) + a * (y - centre[1]), dtype=np.float64)


def _could_be(corners: F64, size: tuple[int, int], aspect: float) -> tuple[bool, bool]:
    """Whether the corners can be a rectangle of this aspect, upright or lying.

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
        log_ratio = np.log(long_e / long_g)
        upright |= bool(abs(log_ratio - np.log(aspect)) < _ASPECT_TOLERANCE)
        lying |= bool(abs(log_ratio + np.log(aspect)) < _ASPECT_TOLERANCE)
    return upright, lying
