"""Small pictures for the report: photo, expected look and difference of one place on the panel."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image

from ..records import F64, U8, Finding, Pictures

_CROP_PX = (480, 360)
_LEAST_MM = 7.0
_DETAIL_MM = 32.0
_MOST_GAIN = 20.0
# kinds that cover the panel but are seen in its details, not from afar
_SEEN_CLOSE = ("ghosting", "streaks")
Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Crop:
    """One place seen three ways, as data URIs. `mark` is the finding's box in per cent of the crop.

    `difference` is photo minus expected look on middle grey, `gain` times as strong as it is.
    """

    observed: str
    expected: str
    difference: str
    gain: float
    width_mm: float
    mark: Box | None


def crop_of(item: Finding, pictures: Pictures, shown: tuple[float, float]) -> Crop:
    """Crops around a finding; `shown` is the panel's width and height in mm."""
    box = _window(item, pictures, shown)
    x0, y0, x1, y1 = (edge * pictures.px_per_mm for edge in box)
    rows = slice(max(0, round(y0)), max(round(y0) + 2, round(y1)))
    columns = slice(max(0, round(x0)), max(round(x0) + 2, round(x1)))
    observed = _enlarged(pictures.observed[rows, columns])
    expected = _enlarged(pictures.expected[rows, columns])
    difference, gain = stretched_difference(observed, expected)
    return Crop(
        observed=jpeg_uri(observed),
        expected=jpeg_uri(expected),
        difference=jpeg_uri(difference),
        gain=gain,
        width_mm=box[2] - box[0],
        mark=_mark(item, box),
    )


def stretched_difference(observed: U8, expected: U8) -> tuple[U8, float]:
    """Photo minus expected look on middle grey, and how many times it was made stronger.

    Both (H, W, 3) uint8 of one shape. The gain brings the strongest half per cent to full scale
    and is never under 1.
    """
    signed = observed.astype(np.float32) - expected.astype(np.float32)
    strongest = float(np.percentile(np.abs(signed), 99.5))
    gain = float(np.clip(120.0 / max(strongest, 1.0), 1.0, _MOST_GAIN))
    return np.clip(128 + gain * signed, 0, 255).astype(np.uint8), gain


def jpeg_uri(picture: U8, quality: int = 86) -> str:
    """A picture (H, W, 3) uint8 sRGB as a JPEG data URI without any metadata."""
    data = io.BytesIO()
    Image.fromarray(picture).save(data, "JPEG", quality=quality)
    return "data:image/jpeg;base64," + base64.b64encode(data.getvalue()).decode("ascii")


def _window(item: Finding, pictures: Pictures, shown: tuple[float, float]) -> Box:
    """The part of the panel to show, mm: around the finding with some of its surroundings."""
    aspect = _CROP_PX[0] / _CROP_PX[1]
    if item.extent == "panel":
        if item.kind not in _SEEN_CLOSE:
            return (0.0, 0.0, *shown)
        center, width = _strongest(pictures), _DETAIL_MM
    else:
        x0, y0, x1, y1 = item.box_mm
        center = ((x0 + x1) / 2, (y0 + y1) / 2)
        width = max(1.7 * (x1 - x0), 1.7 * (y1 - y0) * aspect, _LEAST_MM)
    width = min(width, shown[0], shown[1] * aspect)
    height = width / aspect
    left = float(np.clip(center[0] - width / 2, 0, shown[0] - width))
    top = float(np.clip(center[1] - height / 2, 0, shown[1] - height))
    return (left, top, left + width, top + height)


def _strongest(pictures: Pictures) -> tuple[float, float]:
    """Where photo and expected look differ most over an area of some millimetres, in mm."""
    signed = cv2.absdiff(pictures.observed, pictures.expected).max(axis=2)
    scale = min(1.0, 400 / max(signed.shape))
    small = cv2.resize(signed, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    smooth = cv2.GaussianBlur(small, (0, 0), max(2.0, 8 * pictures.px_per_mm * scale / 3))
    row, column = np.unravel_index(int(np.argmax(smooth)), smooth.shape)
    per_mm = scale * pictures.px_per_mm
    return float(column) / per_mm, float(row) / per_mm


def _enlarged(part: U8) -> U8:
    factor = min(_CROP_PX[0] / part.shape[1], _CROP_PX[1] / part.shape[0])
    size = (max(1, round(part.shape[1] * factor)), max(1, round(part.shape[0] * factor)))
    method = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(part, size, interpolation=method), dtype=np.uint8)


def _mark(item: Finding, window: Box) -> Box | None:
    if item.extent == "panel":
        return None
    x0, y0, x1, y1 = window
    wide, high = x1 - x0, y1 - y0
    edges: F64 = np.array(item.box_mm, dtype=np.float64)
    edges[[0, 2]] = 100 * (edges[[0, 2]] - x0) / wide
    edges[[1, 3]] = 100 * (edges[[1, 3]] - y0) / high
    # corners stand clear of the mark, and never closer together than the eye can part
    grow = 3.0
    left, top = float(edges[0] - grow), float(edges[1] - grow)
    right, bottom = float(edges[2] + grow), float(edges[3] + grow)
    return (max(0.5, left), max(0.5, top), min(99.5, right), min(99.5, bottom))
