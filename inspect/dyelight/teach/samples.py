"""A spread of a panel's flat places: what the photo shows there, and what was printed."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..look import Difference
from ..look.colour_light import sample_weights
from ..look.panel_frame import gradient
from ..look.rootlight import linear_from_root
from ..records import F32, F64, Mask

_STEP = 3  # panel frame pixels averaged into one place
_EDGE_MM = 2.0
_LEAST = 800
COUNT = 5000
_COLOURS = 10  # cells each way


@dataclass(frozen=True, slots=True)
class PanelSamples:
    """Places of one panel. `light` (N, 3) float64 is the photo's linear light, `artwork` (N, 3)
    float32 root light of the file there, `photo_at` and `panel_at` (N, 2) float64 the place in
    0..1 over photo and panel, across then down."""

    light: F64
    artwork: F32
    photo_at: F64
    panel_at: F64

    def some(self, keep: Mask) -> PanelSamples:
        """Only the places where `keep` (N,) bool holds."""
        return PanelSamples(
            self.light[keep], self.artwork[keep], self.photo_at[keep], self.panel_at[keep]
        )


def sample_panel(
    difference: Difference, photo_size_px: tuple[int, int], spoilt: Mask, *, seed: int = 0
) -> PanelSamples | None:
    """Flat places spread evenly over the panel; None where too few can be used.

    `spoilt` (H, W) bool on the panel frame is left out, as are reflections and what is clipped.
    """
    frame = difference.panel
    usable = frame.inside & frame.printed & ~frame.blown & (frame.edge_mm > _EDGE_MM)
    usable &= ~(difference.hidden | difference.skirt | spoilt)
    height, width = usable.shape
    rows, columns = height // _STEP, width // _STEP
    cut = (slice(0, rows * _STEP), slice(0, columns * _STEP))

    def small(image: F32) -> F32:
        part = np.ascontiguousarray(image[cut])
        return np.asarray(cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA))

    art = small(frame.artwork)
    keep = small(usable.astype(np.float32)) > 0.99
    weight = sample_weights(gradient(art), keep).ravel()
    flat = np.flatnonzero(weight > 0)
    if flat.size < _LEAST:
        return None
    chance = weight[flat] * _evened(art.reshape(-1, 3)[flat])
    chance /= chance.sum()
    rng = np.random.default_rng(seed)
    flat = np.sort(rng.choice(flat, min(COUNT, flat.size // 2), replace=False, p=chance))
    px = np.stack([flat % columns, flat // columns], axis=1).astype(np.float64)
    mm = frame.to_mm((px + 0.5) * _STEP - 0.5)
    art_mm = np.array([difference.artwork.width_mm, difference.artwork.height_mm])
    photo_px = difference.to_photo_px(mm)
    return PanelSamples(
        light=linear_from_root(np.maximum(small(frame.observed).reshape(-1, 3)[flat], 0)).astype(
            np.float64
        ),
        artwork=np.ascontiguousarray(art.reshape(-1, 3)[flat]),
        photo_at=(photo_px + 0.5) / np.array(photo_size_px, np.float64),
        panel_at=np.clip(difference.to_panel_mm(mm) / art_mm, 0, 1),
    )


def _evened(artwork: F32) -> F64:
    """Chances (N,) by which rare colours (N, 3) are taken more often than by their share."""
    cell = np.clip(artwork * _COLOURS, 0, _COLOURS - 1).astype(np.intp)
    code = (cell[:, 0] * _COLOURS + cell[:, 1]) * _COLOURS + cell[:, 2]
    _, index, count = np.unique(code, return_inverse=True, return_counts=True)
    return np.asarray(0.5 + 0.5 * np.sqrt(len(artwork) / len(count) / count)[index], np.float64)
