"""Number tags beside outlines, for panels with too many findings for a plate each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from PIL import ImageDraw

from ..records import F64
from .plates import text_font, text_width

_INK = (22, 22, 22)
_PAPER = (255, 255, 255)
Box = tuple[float, float, float, float]


def tag_boxes(
    rings: Mapping[str, F64], numbers: Mapping[str, str], bounds: Box, font_px: int
) -> dict[str, Box]:
    """A place for each number beside its outline: where it covers least of outlines and other tags.

    `rings` are outlines (N, 2) in px by finding id, most important first; `bounds` is the picture.
    Returns x0, y0, x1, y1 in px by finding id.
    """
    edges = {key: (*ring.min(axis=0), *ring.max(axis=0)) for key, ring in rings.items()}
    taken = np.array([edges[key] for key in rings], dtype=np.float64).reshape(-1, 4)
    boxes: dict[str, Box] = {}
    for key in rings:
        width = text_width(numbers[key], font_px) + font_px * 0.7
        options = _around(edges[key], width, font_px * 1.25)
        costs = [_covered(option, taken) + _outside(option, bounds) for option in options]
        best = options[int(np.argmin(costs))]
        boxes[key] = best
        taken = np.vstack([taken, best])
    return boxes


def draw_tags(
    draw: ImageDraw.ImageDraw, boxes: Mapping[str, Box], numbers: Mapping[str, str], font_px: int
) -> None:
    """Draw the numbers, light on dark with a light rim."""
    for key, (x0, y0, x1, y1) in boxes.items():
        draw.rectangle((x0, y0, x1, y1), fill=_INK, outline=_PAPER, width=1)
        middle = ((x0 + x1) / 2, (y0 + y1) / 2)
        draw.text(middle, numbers[key], font=text_font(font_px), fill=_PAPER, anchor="mm")


def number_ranges(numbers: Sequence[str]) -> str:
    """Numbers as a person lists them: '1 to 4, 7, 9 to 12'; what is no number stands by itself."""
    whole = sorted({int(number) for number in numbers if number.isdecimal()})
    others = [number for number in numbers if not number.isdecimal()]
    runs: list[list[int]] = []
    for number in whole:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    parts: list[str] = []
    for run in runs:
        parts += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else [str(number) for number in run]
    return ", ".join(parts + others)


def _around(edge: Box, width: float, height: float) -> list[Box]:
    x0, y0, x1, y1 = edge
    gap = 3.0
    middle_x, middle_y = (x0 + x1 - width) / 2, (y0 + y1 - height) / 2
    corners = [
        (x1 + gap, middle_y),
        (x0 - gap - width, middle_y),
        (middle_x, y0 - gap - height),
        (middle_x, y1 + gap),
        (x1, y0 - height),
        (x1, y1),
        (x0 - width, y0 - height),
        (x0 - width, y1),
    ]
    return [(x, y, x + width, y + height) for x, y in corners]


def _covered(box: Box, taken: F64) -> float:
    wide = np.minimum(box[2], taken[:, 2]) - np.maximum(box[0], taken[:, 0])
    high = np.minimum(box[3], taken[:, 3]) - np.maximum(box[1], taken[:, 1])
    return float((np.maximum(wide, 0) * np.maximum(high, 0)).sum())


def _outside(box: Box, bounds: Box) -> float:
    wide = max(0.0, min(box[2], bounds[2]) - max(box[0], bounds[0]))
    high = max(0.0, min(box[3], bounds[3]) - max(box[1], bounds[1]))
    return 4.0 * ((box[2] - box[0]) * (box[3] - box[1]) - wide * high)
