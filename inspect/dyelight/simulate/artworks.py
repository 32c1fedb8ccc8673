"""Drawn pictures to press: the hard and the empty ones that photographs seldom give."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from ..records import F32, U8
from .fields import smooth_noise, stream

_WORDS = (
    "harbour",
    "lantern",
    "meadow",
    "copper",
    "drift",
    "violet",
    "gravel",
    "summer",
    "thread",
    "willow",
    "marble",
    "signal",
    "candle",
    "orchard",
    "ribbon",
    "thunder",
    "saddle",
    "pebble",
    "mirror",
    "barley",
)


def artwork_size_mm(width_px: int, height_px: int, long_mm: float = 254.0) -> tuple[float, float]:
    """Panel width and height in mm of a picture whose long side is pressed `long_mm` long."""
    scale = long_mm / max(width_px, height_px)
    return width_px * scale, height_px * scale


def _text(rng: np.random.Generator, w: int, h: int) -> U8:
    page = np.full((h, w, 3), (250, 248, 242), np.uint8)
    size, margin = h / 28, 0.07 * w
    y = 0.1 * h
    ink = tuple(int(v) for v in rng.integers(5, 50, 3))
    heading = " ".join(str(rng.choice(_WORDS)) for _ in range(2)).title()
    cv2.putText(page, heading, (int(margin), int(y)), 2, size / 16, ink, max(int(size / 9), 1), 16)
    y += 2 * size
    while y < 0.93 * h:
        words = ""
        while cv2.getTextSize(words, 3, size / 40, 1)[0][0] < w - 2.6 * margin:
            words += str(rng.choice(_WORDS)) + " "
        thick = max(int(size / 26), 1)
        cv2.putText(page, words, (int(margin), int(y)), 3, size / 40, ink, thick, cv2.LINE_AA)
        y += size * (1.9 if rng.random() < 0.15 else 1.15)
    return page


def _line_art(rng: np.random.Generator, w: int, h: int) -> U8:
    page = np.full((h, w, 3), 252, np.uint8)
    t = np.linspace(0, 1, 400)
    for _ in range(26):
        a = rng.normal(0, 0.3, (2, 4)) / np.arange(1, 5)
        at = rng.uniform(0.15, 0.85, 2)
        wave = np.stack([np.sin(2 * np.pi * k * (t + rng.random())) for k in range(1, 5)])
        curve = (at[:, None] + a @ wave) * np.array([[w], [h]])
        thick = max(1, int(h * rng.uniform(0.0008, 0.005)))
        pts = np.rint(curve.T * 16).astype(np.int32)
        colour = tuple(int(v) for v in rng.integers(0, 90, 3))
        cv2.polylines(page, [pts], bool(rng.random() < 0.5), colour, thick, cv2.LINE_AA, 4)
    return page


def _gradient(rng: np.random.Generator, w: int, h: int) -> U8:
    corner = rng.uniform(0.1, 0.95, (4, 3))
    s, t = np.meshgrid(np.linspace(0, 1, w), np.linspace(0, 1, h))
    s, t = s[..., None], t[..., None]
    mix = (1 - t) * ((1 - s) * corner[0] + s * corner[1]) + t * (
        (1 - s) * corner[3] + s * corner[2]
    )
    return _dithered(rng, mix.astype(np.float32))


def _logo(rng: np.random.Generator, w: int, h: int) -> U8:
    page = np.full((h, w, 3), 255, np.uint8)
    colour = tuple(int(v) for v in rng.integers(10, 200, 3))
    second = tuple(int(v) for v in rng.integers(10, 200, 3))
    middle, r = (w // 2, int(0.44 * h)), int(0.13 * h)
    cv2.circle(page, middle, r, colour, -1, cv2.LINE_AA)
    wedge = np.array([[0, -0.8], [0.75, 0.5], [-0.75, 0.5]]) * r + middle
    cv2.fillPoly(page, [np.rint(wedge).astype(np.int32)], (255, 255, 255), cv2.LINE_AA)
    cv2.circle(page, middle, r // 4, second, -1, cv2.LINE_AA)
    name = str(rng.choice(_WORDS)).title()
    scale = h / 500
    span = cv2.getTextSize(name, 2, scale, max(int(3 * scale), 1))[0][0]
    at = (middle[0] - span // 2, int(0.68 * h))
    cv2.putText(page, name, at, 2, scale, colour, max(int(3 * scale), 1), cv2.LINE_AA)
    return page


def _stars(rng: np.random.Generator, w: int, h: int) -> U8:
    glow = np.clip(smooth_noise(rng, (h, w), w / 4, 3) * 0.03 + 0.05, 0, 1)
    sky = glow[..., None] * np.array([0.6, 0.7, 1.2], np.float32)
    for _ in range(900):
        x, y = rng.uniform(0, w), rng.uniform(0, h)
        spread = float(rng.uniform(0.0003, 0.0012)) * w
        level = float(np.exp(rng.uniform(-2, 0)))
        r = int(4 * spread) + 1
        x0, y0, x1, y1 = max(int(x) - r, 0), max(int(y) - r, 0), int(x) + r + 1, int(y) + r + 1
        view = sky[y0:y1, x0:x1]
        yy, xx = np.mgrid[y0 : y0 + view.shape[0], x0 : x0 + view.shape[1]]
        spot = level * np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / (2 * spread**2))
        view += (spot[..., None] * (1 + rng.normal(0, 0.1, 3))).astype(np.float32)
    return _dithered(rng, sky.astype(np.float32))


def _sky(rng: np.random.Generator, w: int, h: int) -> U8:
    t = np.linspace(0, 1, h)[:, None, None]
    top, low = np.array([0.16, 0.38, 0.75]), np.array([0.75, 0.86, 0.96])
    haze = smooth_noise(rng, (h, w), w / 2, 2)[..., None] * 0.012
    return _dithered(rng, (top + (low - top) * t**1.3 + haze).astype(np.float32))


def _checker(rng: np.random.Generator, w: int, h: int) -> U8:
    cell = h / 14
    yy, xx = np.mgrid[0:h, 0:w]
    odd = ((xx // cell).astype(int) + (yy // cell).astype(int)) % 2
    light, dark = rng.uniform(190, 250, 3), rng.uniform(10, 90, 3)
    return np.asarray(np.where(odd[..., None] == 1, light, dark), np.uint8)


def _fabric(rng: np.random.Generator, w: int, h: int) -> U8:
    pitch = max(h / 160, 4.0)
    yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
    bend = smooth_noise(rng, (h, w), w / 10, 2) * pitch * 0.25
    weave = np.sin(2 * np.pi * (xx + bend) / pitch) * np.sin(2 * np.pi * (yy + bend) / pitch)
    uneven = smooth_noise(rng, (h, w), 3 * pitch, 2)
    colour = rng.uniform(0.25, 0.7, 3)
    value = colour * (1 + 0.16 * weave + 0.06 * uneven)[..., None]
    return _dithered(rng, value.astype(np.float32))


def _hair(rng: np.random.Generator, w: int, h: int) -> U8:
    base = rng.uniform(0.25, 0.5) * np.array([1.0, 0.75, 0.55])
    shade = 1 + 0.25 * smooth_noise(rng, (h, w), w / 4, 2)
    page = np.asarray(np.clip(base * shade[..., None] * 255, 0, 255), np.uint8)
    t = np.linspace(0, 1, 40)
    for _ in range(1600):
        start = np.array([rng.uniform(-0.1, 1.1) * w, rng.uniform(-0.3, 1.0) * h])
        sway = rng.normal(0, 0.03, 2)
        x = start[0] + w * (sway[0] * t + 0.03 * np.sin(2 * np.pi * t + start[0] / w * 7))
        y = start[1] + h * rng.uniform(0.3, 0.8) * t
        tone = float(np.exp(rng.normal(0, 0.5)))
        colour = tuple(int(v) for v in np.clip(base * tone * 255, 0, 255))
        pts = np.rint(np.stack([x, y], axis=1) * 16).astype(np.int32)
        cv2.polylines(page, [pts], False, colour, max(1, w // 1200), cv2.LINE_AA, 4)
    return page


def _dithered(rng: np.random.Generator, value: F32) -> U8:
    # half a code of noise, as picture editors add, so that gradients show no steps
    noise = rng.random(value.shape, dtype=np.float32)
    return np.asarray(np.clip(np.floor(value * 255 + noise), 0, 255), np.uint8)


_DRAWERS: dict[str, Callable[[np.random.Generator, int, int], U8]] = {
    "text": _text,
    "line_art": _line_art,
    "gradient": _gradient,
    "logo": _logo,
    "stars": _stars,
    "sky": _sky,
    "checker": _checker,
    "fabric": _fabric,
    "hair": _hair,
}
DRAWN: tuple[str, ...] = tuple(_DRAWERS)


def drawn_artwork(name: str, width_px: int = 2400, height_px: int = 1800, seed: int = 0) -> U8:
    """A drawn picture (height_px, width_px, 3) uint8 sRGB; `name` is one of DRAWN.

    Raises ValueError for another name.
    """
    if name not in _DRAWERS:
        raise ValueError(f"no drawn picture is named {name!r}; there are {', '.join(DRAWN)}.")
    return _DRAWERS[name](stream(seed, name), width_px, height_px)
