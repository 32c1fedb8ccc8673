"""Lines, rings, hatching and shapes for the marked-up picture, all readable on any background."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from PIL import ImageDraw

from ..records import F64, U8, VerdictWord
from .plates import text_font

_DARK = (16, 16, 16)
_LIGHT = (255, 255, 255)
_INK = (22, 22, 22)
_SMALLEST_RING_PX = 14
_CLEARANCE_PX = 6
# cv2 takes points in 1/16 px with this shift, which keeps thin outlines smooth
_SHIFT = 4


def _fixed_point(points: F64) -> list[np.ndarray[tuple[int, ...], np.dtype[np.int32]]]:
    return [np.round(points * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2)]


def double_stroke(canvas: U8, ring: F64, thickness_px: int) -> None:
    """Draw a closed outline (N, 2) px as a light line on a dark, wider one."""
    points = _fixed_point(ring)
    cv2.polylines(canvas, points, True, _DARK, thickness_px + 4, cv2.LINE_AA, _SHIFT)
    cv2.polylines(canvas, points, True, _LIGHT, thickness_px, cv2.LINE_AA, _SHIFT)


def double_line(canvas: U8, points: F64, thickness_px: int) -> None:
    """Draw an open line (N, 2) px as a light line on a dark, wider one."""
    fixed = _fixed_point(points)
    cv2.polylines(canvas, fixed, False, _DARK, thickness_px + 3, cv2.LINE_AA, _SHIFT)
    cv2.polylines(canvas, fixed, False, _LIGHT, thickness_px, cv2.LINE_AA, _SHIFT)


def ring_around(outline_px: F64, shape: tuple[int, ...]) -> F64:
    """A closed line (N, 2) px just outside an outline, at least a small circle.

    The line keeps clear of the mark itself, so that what it points at stays visible.
    """
    low, high = outline_px.min(axis=0), outline_px.max(axis=0)
    center = (low + high) / 2
    if float((high - low).max()) < 2 * (_SMALLEST_RING_PX - _CLEARANCE_PX):
        turn = np.linspace(0, 2 * np.pi, 32, endpoint=False)
        circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
        return np.asarray(center + _SMALLEST_RING_PX * circle, dtype=np.float64)
    # widen by drawing the outline filled and growing it: right for bent and thin shapes alike
    pad = _CLEARANCE_PX + 2
    origin = np.floor(low) - 2 * pad
    size = np.ceil(high - origin).astype(int) + 2 * pad + 1
    limit = 2 * max(shape)
    if int(size.max()) > limit:
        return np.asarray(outline_px, dtype=np.float64)
    mask = np.zeros((int(size[1]), int(size[0])), np.uint8)
    points = np.round(outline_px - origin).astype(np.int32)
    cv2.fillPoly(mask, [points], (255,))
    cv2.polylines(mask, [points], True, (255,), 1)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * _CLEARANCE_PX + 1,) * 2)
    grown = cv2.dilate(mask, kernel)
    contours, _ = cv2.findContours(grown, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_TC89_L1)
    largest = max(contours, key=cv2.contourArea)
    return np.asarray(largest.reshape(-1, 2) + origin, dtype=np.float64)


def hatch_polygons(picture: U8, polygons: Sequence[F64], font_px: int) -> None:
    """Hatch areas (N, 2) px of `picture` in place with slanted double lines and an outline."""
    if not polygons:
        return
    height, width = picture.shape[:2]
    mask = np.zeros((height, width), np.uint8)
    rings = [np.round(np.asarray(ring)).astype(np.int32) for ring in polygons]
    cv2.fillPoly(mask, rings, (255,))
    hatched = picture.copy()
    step = max(14, font_px)
    for offset in range(-height, width, step):
        ends = (offset, height), (offset + height, 0)
        cv2.line(hatched, *ends, _DARK, 3, cv2.LINE_AA)
        cv2.line(hatched, *ends, _LIGHT, 1, cv2.LINE_AA)
    inside = mask > 0
    picture[inside] = hatched[inside]
    cv2.polylines(picture, rings, True, _DARK, 3, cv2.LINE_AA)
    cv2.polylines(picture, rings, True, _LIGHT, 1, cv2.LINE_AA)


def bar_length(span: float) -> float:
    """The longest of 1, 2, 5 times a power of ten that is no more than a quarter of `span`."""
    # a span that is round but for its last digit, as of a panel 400 mm wide, is round
    limit = span / 4 * (1 + 1e-9)
    power = 10.0 ** math.floor(math.log10(limit))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= limit)


def scale_bar(
    draw: ImageDraw.ImageDraw,
    at: tuple[int, int],
    px_per_unit: float,
    span_px: int,
    font_px: int,
    unit: str,
) -> None:
    """A bar of a round length in four alternating parts, with its length beside it."""
    length = bar_length(span_px / px_per_unit)
    width = length * px_per_unit
    thick = max(8, font_px // 2)
    x, y = at
    for part in range(4):
        fill = _INK if part % 2 == 0 else _LIGHT
        box = (x + part * width / 4, y, x + (part + 1) * width / 4, y + thick)
        draw.rectangle(box, fill=fill, outline=_INK, width=2)
    label = f"{length:g} {unit}"
    place = (x + width + font_px / 2, y + thick / 2)
    draw.text(place, label, font=text_font(font_px), fill=_INK, anchor="lm")


def verdict_shape(
    draw: ImageDraw.ImageDraw, word: VerdictWord, center: tuple[float, float], radius: float
) -> None:
    """A shape for each verdict: disc with tick, triangle, barred square, open ring."""
    x, y = center
    r = radius
    line = max(2, round(r / 4))
    if word == "pass":
        draw.ellipse((x - r, y - r, x + r, y + r), fill=_INK)
        tick = [
            (x - 0.5 * r, y + 0.02 * r),
            (x - 0.12 * r, y + 0.42 * r),
            (x + 0.55 * r, y - 0.4 * r),
        ]
        draw.line(tick, fill=_LIGHT, width=line, joint="curve")
    elif word == "review":
        draw.polygon(
            [(x, y - r), (x + 1.1 * r, y + 0.85 * r), (x - 1.1 * r, y + 0.85 * r)], fill=_INK
        )
        draw.line([(x, y - 0.4 * r), (x, y + 0.25 * r)], fill=_LIGHT, width=line)
        draw.line([(x, y + 0.45 * r), (x, y + 0.65 * r)], fill=_LIGHT, width=line)
    elif word == "remake":
        draw.rectangle((x - r, y - r, x + r, y + r), fill=_INK)
        draw.line([(x - 0.5 * r, y - 0.5 * r), (x + 0.5 * r, y + 0.5 * r)], fill=_LIGHT, width=line)
        draw.line([(x - 0.5 * r, y + 0.5 * r), (x + 0.5 * r, y - 0.5 * r)], fill=_LIGHT, width=line)
    else:
        draw.ellipse((x - r, y - r, x + r, y + r), outline=_INK, width=line)
        draw.ellipse((x - 0.25 * r, y - 0.25 * r, x + 0.25 * r, y + 0.25 * r), fill=_INK)
