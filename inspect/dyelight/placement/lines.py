"""Straight lines in a photo, and how well it supports them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ..records import F32, F64

_SECTORS = 6


def gradient(small: NDArray[np.uint8] | NDArray[np.uint16]) -> F32:
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


def straight_lines(gradient: F32, most: int, above_pct: float = 60.0, spread_deg: int = 2) -> F64:
    """Lines (N, 3): cos, sin, offset of x cos + y sin = offset, by a gradient-directed Hough.

    Only edges steeper than `above_pct` per cent of the photo have a say. A line may lie up to
    `spread_deg` off the direction that an edge point shows by itself: where a picture's own shading
    runs into the panel's side, that direction is astray.
    """
    size = np.hypot(gradient[..., 0], gradient[..., 1])
    floor = max(float(np.percentile(size, above_pct)), 0.004)
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
    for spread in range(-spread_deg, spread_deg + 1):
        k = (np.round(angle / np.pi * bins).astype(np.intp) + spread) % bins
        theta = k * np.pi / bins
        rho = xs * np.cos(theta) + ys * np.sin(theta)
        at = np.round(rho).astype(np.intp) + diagonal
        np.add.at(hough, (k, at), vote)
    smooth = cv2.GaussianBlur(hough, (0, 0), 0.8)
    lines = []
    left = smooth.copy()
    for _ in range(4 * most):
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


def line_support(gradient: F32, lines: F64) -> F32:
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


def distinct(lines: F64, strength: F64 | F32, most: int, per_sector: int) -> list[int]:
    """Indices of the strongest lines, leaving out near doubles, shared out over the directions.

    A picture full of parallel lines must not crowd out the panel's other two sides.
    """
    kept: list[int] = []
    sector = (np.arctan2(lines[:, 1], lines[:, 0]) % np.pi / np.pi * _SECTORS).astype(np.intp)
    room = [per_sector] * (_SECTORS + 1)
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
        if len(kept) == most:
            break
    return kept
