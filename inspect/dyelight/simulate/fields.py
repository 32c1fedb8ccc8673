"""Seeded random fields and shapes that several parts of the simulator draw on."""

from __future__ import annotations

import zlib

import cv2
import numpy as np

from ..records import F32, F64


def stream(seed: int, name: str, index: int = 0) -> np.random.Generator:
    """An own generator for one purpose, so that one draw more in one place shifts no other."""
    return np.random.default_rng([seed & 0xFFFFFFFF, zlib.crc32(name.encode()), index])


def blur(image: F32, sigma_px: float) -> F32:
    """`image` (H, W) or (H, W, C) float32 under a Gaussian of `sigma_px`, in pixels."""
    if sigma_px < 0.05:
        return image
    size = 2 * int(np.ceil(3.5 * sigma_px)) + 1
    out = cv2.GaussianBlur(image, (size, size), sigma_px, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32)


def spread(field: F32) -> F32:
    """A field (H, W) float32 in each of three channels, (H, W, 3)."""
    # numpy broadcasts over a short last axis several times slower
    return np.asarray(cv2.merge([field, field, field]), np.float32)


def resize(image: F32, width_px: int, height_px: int) -> F32:
    """`image` by linear interpolation to another size, pixel edges on pixel edges."""
    out = cv2.resize(image, (width_px, height_px), interpolation=cv2.INTER_LINEAR)
    return np.asarray(out, np.float32)


def smooth_noise(
    rng: np.random.Generator, shape: tuple[int, int], scale_px: float, octaves: int = 1
) -> F32:
    """Smooth noise of `shape` (H, W) float32, zero mean and unit spread.

    `scale_px` is the correlation length of the coarsest octave; each further octave is twice as
    fine and half as strong.
    """
    height_px, width_px = shape
    total = np.zeros(shape, np.float32)
    for octave in range(octaves):
        step = max(scale_px / 2**octave, 1.0)
        rows = int(np.ceil(height_px / step)) + 4
        cols = int(np.ceil(width_px / step)) + 4
        nodes = rng.standard_normal((rows, cols), dtype=np.float32)
        fine = cv2.resize(
            nodes,
            (max(int(cols * step), width_px), max(int(rows * step), height_px)),
            interpolation=cv2.INTER_CUBIC,
        )
        y0, x0 = (fine.shape[0] - height_px) // 2, (fine.shape[1] - width_px) // 2
        total += fine[y0 : y0 + height_px, x0 : x0 + width_px] / 2**octave
    total -= total.mean()
    spread = float(total.std())
    return total / spread if spread > 1e-9 else total


def tileable_noise(rng: np.random.Generator, size_px: int, sigma_px: float) -> F32:
    """Noise (size, size) float32 of unit spread whose opposite sides meet."""
    noise = rng.standard_normal((size_px, size_px), dtype=np.float32)
    pad = int(np.ceil(4 * sigma_px)) + 1
    soft = blur(np.pad(noise, pad, mode="wrap"), sigma_px)[pad:-pad, pad:-pad]
    return np.asarray((soft - soft.mean()) / soft.std(), np.float32)


def tiled(tile: F32, y0: int, x0: int, height: int, width: int) -> F32:
    """The window of the endless tiling of `tile` that starts at row y0, column x0."""
    rows, cols = tile.shape
    oy, ox = y0 % rows, x0 % cols
    reps = ((oy + height - 1) // rows + 1, (ox + width - 1) // cols + 1)
    return np.tile(tile, reps)[oy : oy + height, ox : ox + width]


def blob_outline(rng: np.random.Generator, roughness: float, points: int = 160) -> F64:
    """A closed irregular outline (points, 2) about the origin with root mean square radius 1."""
    angle = np.linspace(0, 2 * np.pi, points, endpoint=False)
    order = np.arange(2, 25)[:, None]
    size = roughness * rng.standard_normal((2, order.size, 1)) / order**0.9
    log_radius = (size[0] * np.cos(order * angle) + size[1] * np.sin(order * angle)).sum(axis=0)
    radius = np.exp(np.clip(log_radius, -0.9, 0.5))
    radius /= np.sqrt((radius**2).mean())
    return np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)


def filled(shape: tuple[int, int], outline_px: F64) -> F32:
    """Coverage 0..1 (H, W) float32 of a polygon, drawn at four times the resolution."""
    big = np.zeros((shape[0] * 4, shape[1] * 4), np.uint8)
    corners = np.round(((outline_px + 0.5) * 4 - 0.5) * 16).astype(np.int32)
    cv2.fillPoly(big, [corners], 255, lineType=cv2.LINE_8, shift=4)
    out = cv2.resize(big, (shape[1], shape[0]), interpolation=cv2.INTER_AREA)
    return out.astype(np.float32) / np.float32(255)


def line_coverage(shape: tuple[int, int], path_px: F64, half_width_px: F64) -> F32:
    """Coverage 0..1 (H, W) float32 of a curve (N, 2) with a half width per point.

    A line thinner than a pixel keeps its true area as a lower coverage.
    """
    out = np.zeros(shape, np.float32)
    for start, stop, half in zip(path_px[:-1], path_px[1:], half_width_px[:-1], strict=True):
        reach = float(half) + 1.5
        x0 = max(int(np.floor(min(start[0], stop[0]) - reach)), 0)
        y0 = max(int(np.floor(min(start[1], stop[1]) - reach)), 0)
        x1 = min(int(np.ceil(max(start[0], stop[0]) + reach)) + 1, shape[1])
        y1 = min(int(np.ceil(max(start[1], stop[1]) + reach)) + 1, shape[0])
        if x1 <= x0 or y1 <= y0:
            continue
        yy, xx = np.mgrid[y0:y1, x0:x1].astype(np.float64)
        span = stop - start
        along = ((xx - start[0]) * span[0] + (yy - start[1]) * span[1]) / max(
            float(span @ span), 1e-12
        )
        along = np.clip(along, 0, 1)
        away = np.hypot(xx - start[0] - along * span[0], yy - start[1] - along * span[1])
        cover = np.clip(half + 0.5 - away, 0, min(1.0, 2.0 * float(half)))
        view = out[y0:y1, x0:x1]
        np.maximum(view, cover.astype(np.float32), out=view)
    return out
