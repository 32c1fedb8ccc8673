"""What lies behind the panel: a plain board, drawn wood or cloth, or a cluttered room."""

from __future__ import annotations

import cv2
import numpy as np
from skimage import data as skimage_data

from ..records import F32
from .captures import Ground
from .fields import blur, resize, smooth_noise

_CLUTTER_PICTURES = ("astronaut", "coffee", "chelsea", "rocket")


def _plain(rng: np.random.Generator, width: int, height: int) -> F32:
    level = float(np.exp(rng.uniform(np.log(0.02), np.log(0.22))))
    tint = 1 + rng.normal(0, 0.03, 3)
    noise = smooth_noise(rng, height, width, max(width / 6, 4), 4)
    fine = smooth_noise(rng, height, width, max(width / 800, 1.5))
    grey = level * (1 + 0.04 * noise + 0.03 * fine)
    return np.asarray(grey[..., None] * tint, np.float32)


def _wood(rng: np.random.Generator, width: int, height: int) -> F32:
    yy, xx = np.mgrid[0:height, 0:width].astype(np.float32)
    warp = smooth_noise(rng, height, width, width / 3, 2)
    fine = smooth_noise(rng, height, max(width // 40, 8), max(height / 700, 1.5), 1)
    fibres = resize(fine, width, height)
    plank = height / float(rng.uniform(2, 5))
    rings = np.sin(2 * np.pi * (yy / (height / 24) + 1.6 * warp + 0.3 * np.sin(xx / width * 3)))
    value = 0.5 + 0.16 * rings + 0.10 * fibres
    row = np.floor((yy + 0.1 * plank) / plank)
    shade = np.asarray(0.9 + 0.2 * np.sin(row * 12.9898 + 4.1), np.float32)
    seam = np.abs((yy + 0.1 * plank) / plank - np.rint((yy + 0.1 * plank) / plank)) * plank
    dark = 1 - 0.75 * np.exp(-((seam / max(width / 900, 1)) ** 2))
    light, deep = np.array([0.50, 0.33, 0.19]), np.array([0.20, 0.11, 0.055])
    out = deep + (light - deep) * np.clip(value, 0, 1)[..., None]
    return np.asarray(out * (shade * dark)[..., None] * float(rng.uniform(0.6, 1.2)), np.float32)


def _cloth(rng: np.random.Generator, width: int, height: int) -> F32:
    pitch = float(rng.uniform(0.0022, 0.004)) * width
    yy, xx = np.mgrid[0:height, 0:width].astype(np.float32)
    warp = smooth_noise(rng, height, width, width / 8, 2) * 1.2
    weave = np.sin(2 * np.pi * (xx + warp * 2) / pitch) * np.sin(2 * np.pi * (yy - warp) / pitch)
    folds = smooth_noise(rng, height, width, width / 3, 2)
    colour = rng.uniform(0.05, 0.35, 3)
    grey = 1 + 0.2 * weave + 0.12 * folds
    return np.asarray(colour * grey[..., None], np.float32)


def _clutter(rng: np.random.Generator, width: int, height: int) -> F32:
    base = np.exp(rng.uniform(np.log(0.06), np.log(0.5), 3) * 0.5 + np.log(0.25) * 0.5)
    out = np.ones((height, width, 3), np.float32) * base.astype(np.float32)
    if rng.random() < 0.6:
        out = _wood(rng, width, height) if rng.random() < 0.6 else _cloth(rng, width, height)
    for _ in range(int(rng.integers(5, 12))):
        size = rng.uniform(0.05, 0.35, 2) * width
        at = rng.uniform(-0.1, 1.1, 2) * [width, height]
        angle = float(rng.uniform(0, 180))
        corners = cv2.boxPoints(
            ((float(at[0]), float(at[1])), (float(size[0]), float(size[1])), angle)
        )
        pick = rng.random()
        layer = np.zeros((height, width), np.uint8)
        if pick < 0.45:
            cv2.fillPoly(layer, [np.rint(corners).astype(np.int32)], 255, cv2.LINE_AA)
        elif pick < 0.7:
            cv2.ellipse(
                layer,
                (int(at[0]), int(at[1])),
                (int(size[0] / 2), int(size[1] / 2)),
                angle,
                0,
                360,
                255,
                -1,
                cv2.LINE_AA,
            )
        else:
            stop = at + rng.normal(0, 0.4, 2) * width
            cv2.line(
                layer,
                (int(at[0]), int(at[1])),
                (int(stop[0]), int(stop[1])),
                255,
                max(int(width * rng.uniform(0.002, 0.02)), 1),
                cv2.LINE_AA,
            )
        cover = (layer.astype(np.float32) / 255)[..., None]
        shadow = blur(
            np.roll(cover[..., 0], (int(width * 0.006), int(width * 0.004)), (0, 1)), width * 0.006
        )
        out *= 1 - 0.45 * shadow[..., None]
        colour = np.exp(rng.uniform(np.log(0.03), np.log(0.7), 3)).astype(np.float32)
        shade = 1 + 0.08 * smooth_noise(rng, height, width, width / 5, 2)
        out += cover * (colour * shade[..., None] - out)
    for name in rng.permutation(_CLUTTER_PICTURES)[: int(rng.integers(1, 4))]:
        picture = np.asarray(getattr(skimage_data, str(name))(), np.float32)[..., :3] / 255
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
        cover = cv2.warpPerspective(
            np.ones((h, w), np.float32), warp, (width, height), flags=cv2.INTER_LINEAR
        )[..., None]
        shown = cv2.warpPerspective(picture, warp, (width, height), flags=cv2.INTER_LINEAR)
        out += cover * (0.8 * shown - out)
    return np.asarray(np.maximum(out, 0.004), np.float32)


def draw_ground(rng: np.random.Generator, ground: Ground, width: int, height: int) -> F32:
    """Linear RGB reflectance (H, W, 3) float32 of what lies behind the panel."""
    # drawn at no more than 2000 px: it lies behind, and need not be as sharp as the panel
    share = min(1.0, 2000 / max(width, height))
    w, h = round(width * share), round(height * share)
    makers = {"plain": _plain, "wood": _wood, "cloth": _cloth, "clutter": _clutter}
    out = makers[ground](rng, w, h)
    return out if (w, h) == (width, height) else resize(out, width, height)
