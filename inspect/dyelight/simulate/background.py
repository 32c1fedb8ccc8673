"""What lies behind the panel: a plain board, drawn wood or cloth, or a cluttered room."""

from __future__ import annotations

import cv2
import numpy as np
from skimage import data as skimage_data

from ..records import F32, U8
from .captures import Ground
from .fields import blur, resize, smooth_noise

_CLUTTER_PICTURES = ("astronaut", "coffee", "chelsea", "rocket")


def _plain(rng: np.random.Generator, width: int, height: int) -> F32:
    level = float(np.exp(rng.uniform(np.log(0.02), np.log(0.22))))
    tint = 1 + rng.normal(0, 0.03, 3)
    noise = smooth_noise(rng, (height, width), max(width / 6, 4), 4)
    fine = smooth_noise(rng, (height, width), max(width / 800, 1.5))
    grey = level * (1 + 0.02 * noise + 0.03 * fine)
    return np.asarray(grey[..., None] * tint, np.float32)


def _stretched(rng: np.random.Generator, width: int, height: int, long: float, fine: float) -> F32:
    """Noise that runs `long` px along x and `fine` px along y."""
    return resize(
        smooth_noise(rng, (height, max(round(width * fine / long), 8)), fine), width, height
    )


def _wood(rng: np.random.Generator, width: int, height: int) -> F32:
    value = np.empty((height, width), np.float32)
    seams = np.ones((height, 1), np.float32)
    tall = int(height / rng.uniform(2, 5))
    gap = max(width / 900, 1.0)
    for y in range(-int(rng.integers(tall)), height, tall):
        top, bottom = max(y, 0), min(y + tall, height)
        if bottom <= top:
            continue
        rows = bottom - top
        bands = _stretched(rng, width, rows, width / 1.5, height / 22)
        fibres = _stretched(rng, width, rows, width / 30, max(height / 900, 1.5))
        rings = np.sin(5.5 * bands + 0.4 * fibres)
        shade = float(rng.normal(0, 0.07))
        value[top:bottom] = 0.5 + shade + 0.07 * rings + 0.10 * bands + 0.07 * fibres
        away = np.abs(np.arange(top, bottom) - y)[:, None]
        seams[top:bottom] = 1 - 0.75 * np.exp(-((away / gap) ** 2))
    light, deep = np.array([0.50, 0.34, 0.20]), np.array([0.19, 0.105, 0.055])
    out = deep + (light - deep) * np.clip(value, 0, 1)[..., None]
    return np.asarray(out * seams[..., None] * float(rng.uniform(0.6, 1.2)), np.float32)


def _cloth(rng: np.random.Generator, width: int, height: int) -> F32:
    pitch = float(rng.uniform(0.0022, 0.004)) * width
    yy, xx = np.mgrid[0:height, 0:width].astype(np.float32)
    warp = smooth_noise(rng, (height, width), width / 8, 2) * 1.2
    weave = np.sin(2 * np.pi * (xx + warp * 2) / pitch) * np.sin(2 * np.pi * (yy - warp) / pitch)
    folds = smooth_noise(rng, (height, width), width / 3, 2)
    colour = _muted(rng, 0.05, 0.35)
    grey = 1 + 0.2 * weave + 0.12 * folds
    return np.asarray(colour * grey[..., None], np.float32)


def _muted(rng: np.random.Generator, low: float, high: float) -> F32:
    """A colour as things at home have it: mostly greyish, now and then a strong one."""
    level = np.exp(rng.uniform(np.log(low), np.log(high)))
    spread = 0.7 if rng.random() < 0.2 else 0.18
    return np.asarray(np.clip(level * np.exp(rng.normal(0, spread, 3)), 0.01, 0.85), np.float32)


def _thing(rng: np.random.Generator, width: int, height: int) -> U8:
    """The outline of one object, drawn full (H, W)."""
    layer = np.zeros((height, width), np.uint8)
    size = rng.uniform(0.05, 0.35, 2) * width
    at = rng.uniform(-0.1, 1.1, 2) * [width, height]
    angle = float(rng.normal(0, 12) + 90 * rng.integers(2))
    pick = rng.random()
    if pick < 0.55:
        box = ((float(at[0]), float(at[1])), (float(size[0]), float(size[1])), angle)
        corners = np.rint(cv2.boxPoints(box)).astype(np.int32)
        cv2.fillPoly(layer, [corners], 255, cv2.LINE_AA)
    elif pick < 0.7:
        round_px = float(size.mean()) / 2
        axes = (int(round_px), int(round_px * rng.uniform(0.6, 1)))
        cv2.ellipse(layer, (int(at[0]), int(at[1])), axes, 0, 0, 360, 255, -1, cv2.LINE_AA)
    else:
        # a cable or a pen
        t = np.linspace(0, 1, 40)[:, None]
        stop = at + rng.normal(0, 0.35, 2) * width
        sag = rng.normal(0, 0.08, 2) * width
        curve = np.rint(at + (stop - at) * t + sag * np.sin(np.pi * t)).astype(np.int32)
        thick = max(int(width * rng.uniform(0.002, 0.012)), 1)
        cv2.polylines(layer, [curve], False, 255, thick, cv2.LINE_AA)
    return layer


def _shadow_of(cover: F32, width: int) -> F32:
    move = np.array([[1, 0, width * 0.004], [0, 1, width * 0.006]])
    shifted = cv2.warpAffine(cover, move, (cover.shape[1], cover.shape[0]))
    return blur(np.asarray(shifted, np.float32), width * 0.006)


def _clutter(rng: np.random.Generator, width: int, height: int) -> F32:
    pick = rng.random()
    if pick < 0.4:
        out = _wood(rng, width, height)
    elif pick < 0.7:
        out = _cloth(rng, width, height)
    else:
        out = _plain(rng, width, height) * float(rng.uniform(1, 4))
    for _ in range(int(rng.integers(5, 12))):
        cover = np.asarray(_thing(rng, width, height) / 255.0, np.float32)
        shade = 1 + 0.10 * smooth_noise(rng, (height, width), width / 4, 3)
        out *= 1 - 0.5 * _shadow_of(cover, width)[..., None]
        out += cover[..., None] * (_muted(rng, 0.03, 0.7) * shade[..., None] - out)
    names = [str(name) for name in rng.permutation(_CLUTTER_PICTURES)]
    for name in names[: int(rng.integers(1, 4))]:
        picture = np.asarray(getattr(skimage_data, name)(), np.float32)[..., :3] / 255
        picture = np.asarray(picture**2.2, np.float32)
        h, w = picture.shape[:2]
        long = float(rng.uniform(0.15, 0.4)) * width
        box = (
            (float(rng.uniform(0, width)), float(rng.uniform(0, height))),
            (long, long * h / w),
            float(rng.uniform(-40, 40)),
        )
        target = cv2.boxPoints(box).astype(np.float32)[[1, 2, 3, 0]]
        source = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32)
        warp = cv2.getPerspectiveTransform(source, target)
        full = np.ones((h, w), np.float32)
        cover = np.asarray(cv2.warpPerspective(full, warp, (width, height)), np.float32)
        shown = np.asarray(cv2.warpPerspective(picture, warp, (width, height)), np.float32)
        out *= 1 - 0.5 * _shadow_of(cover, width)[..., None]
        out += cover[..., None] * (np.float32(0.8) * shown - out)
    return np.asarray(np.maximum(out, 0.004), np.float32)


def draw_ground(rng: np.random.Generator, ground: Ground, width: int, height: int) -> F32:
    """Linear RGB reflectance (H, W, 3) float32 of what lies behind the panel."""
    # drawn at no more than 2000 px: it lies behind, and need not be as sharp as the panel
    share = min(1.0, 2000 / max(width, height))
    w, h = round(width * share), round(height * share)
    makers = {"plain": _plain, "wood": _wood, "cloth": _cloth, "clutter": _clutter}
    out = makers[ground](rng, w, h)
    return out if (w, h) == (width, height) else resize(out, width, height)
