"""The expected look with a second image laid over it, so that other things show beside it.

A second image of strength s at shift d makes out of the picture's root light a

    a(x + e) (a(x + e - d) / a(x + e)) ** s

since it adds up in density. The first image lies off its place by e, a share of d: lining a photo
up on the picture's edges puts the two images' middle where the artwork says.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from ..imaging import from_cells, sample, strips
from ..placement.picture_map import nodes_between
from ..records import F32, F64
from .frames import Difference, PanelFrame, PhotoFrame
from .render import NODE_PX, photo_light
from .residual import left_over

_EXACT = 4
_STRIP_PX = 240
_DARK = np.float32(0.03)  # root light under which density is mostly camera noise


@dataclass(frozen=True, slots=True)
class SecondImage:
    """`shift_at` gives shifts (N, 2) in mm at artwork points (N, 2) in mm; `strength` 0..1;
    `place_share` of the shift is how far the first image lies off its own place. `box_mm` is the
    part of the artwork that shows it, None for all of it."""

    shift_at: Callable[[F64], F64]
    strength: float
    place_share: float
    box_mm: tuple[float, float, float, float] | None = None

    def sources_mm(self, points_mm: F64) -> tuple[F64, F64]:
        """Artwork points (N, 2) that first and second image show at artwork points (N, 2)."""
        shift = self.shift_at(points_mm)
        if self.box_mm is not None:
            low, high = np.array(self.box_mm[:2]), np.array(self.box_mm[2:])
            shift = shift * ((points_mm >= low) & (points_mm <= high)).all(axis=1, keepdims=True)
        first = points_mm + self.place_share * shift
        return first, first - shift


def with_second_image(difference: Difference, second: SecondImage) -> Difference:
    """The difference against an expectation that shows the second image too."""
    sources = _panel_sources_px(difference.panel, second)
    expected = _doubled(difference.panel.expected, *sources, second.strength)
    return replace(
        difference,
        panel=replace(difference.panel, expected=expected),
        photo=_photo(difference, second),
        due=_doubled(difference.due, *sources, second.strength),
    )


def _doubled(image: F32, first: F32, second: F32, strength: float) -> F32:
    """An image, (H, W) or (H, W, 3), read at px `first` and `second` (h, w, 2) each, the second
    laid over the first."""
    base = np.maximum(sample(image, first), _DARK)
    ratio = np.maximum(sample(image, second), _DARK) / base
    return np.asarray(base * cv2.pow(ratio, strength), np.float32)


def _panel_sources_px(frame: PanelFrame, second: SecondImage) -> tuple[F32, F32]:
    """Frame px (H, W, 2) that first and second image show at each pixel of the panel frame."""
    height, width = frame.inside.shape
    px = np.stack(np.meshgrid(np.arange(width), np.arange(height)), -1).reshape(-1, 2)
    first, other = (
        frame.to_px(mm).reshape(height, width, 2).astype(np.float32)
        for mm in second.sources_mm(frame.to_mm(px.astype(np.float64)))
    )
    return first, other


def _photo(difference: Difference, second: SecondImage) -> PhotoFrame:
    frame = difference.photo
    height, width = frame.residual.shape
    origin = (frame.x0 - 0.5 * (NODE_PX + 1), frame.y0 - 0.5 * (NODE_PX + 1))
    counts = (-(-width // NODE_PX) + 2, -(-height // NODE_PX) + 2)
    mm = nodes_between(difference.picture, origin, NODE_PX, counts, _EXACT)
    nodes = []
    for source in second.sources_mm(np.asarray(mm, np.float64).reshape(-1, 2)):
        px = difference.picture.to_photo(source) - [frame.x0, frame.y0]
        nodes.append(px.reshape(*mm.shape).astype(np.float32))
    expected = np.empty_like(frame.expected)
    across = slice(0, width)
    for rows in strips(height, _STRIP_PX):
        own = slice(rows.start // NODE_PX, -(-rows.stop // NODE_PX) + 2)
        reach = [node[own, :, 1] for node in nodes]
        # no more of the photo than the strip's two images lie on
        top = int(np.clip(min(y.min() for y in reach) - 1, 0, height - 1))
        bottom = int(np.clip(max(y.max() for y in reach) + 3, top + 1, height))
        first, other = (
            from_cells(node, NODE_PX, rows, across) - np.array([0, top], np.float32)
            for node in nodes
        )
        expected[rows] = _doubled(frame.expected[top:bottom], first, other, second.strength)
    frame = replace(frame, expected=expected)
    light, drawn = np.empty_like(frame.residual), np.empty_like(frame.residual)
    for rows in strips(height, _STRIP_PX):
        light[rows] = photo_light(frame.observed[rows])
        drawn[rows] = frame.lit_light(rows, across)
    residual, sigma, coherent, _ = left_over(light, frame.sharpness.apply(drawn), frame.usable)
    return replace(frame, residual=residual, sigma=sigma, coherent=coherent)
