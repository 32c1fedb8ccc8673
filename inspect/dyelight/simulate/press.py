"""The shop's print: artwork colours to dye density, with an invented paper, ink and press.

Density here is the natural logarithm of the reflectance lost, per linear RGB channel: dye amounts
add and multiply light down (Beer-Lambert). The response is invented, as no shop's profile is known.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..records import F32, F64, U8, Base
from .fields import tileable_noise

# linear RGB of the bare coating in even light, relative to a perfect white
_BASE_COLOUR: dict[Base, tuple[float, float, float]] = {
    "white": (0.88, 0.885, 0.875),
    "clear": (0.50, 0.51, 0.52),
    "other": (0.80, 0.76, 0.66),
}


@dataclass(frozen=True, slots=True)
class Press:
    """One shop's colour response and the way its print lies on the panel.

    `affine` (2, 3) takes artwork mm to panel mm. `grain` tiles at the texture's resolution.
    """

    floor: float
    gamma: F64
    gain: F64
    crosstalk: F64
    base_rgb: F32
    print_blur_mm: float
    grain_level: float
    grain: F32
    brushed: F32
    affine: F64
    drift_mm: tuple[float, float]
    stretch_pct: tuple[float, float]
    corner_mm: float
    rim: tuple[float, float]

    def to_panel(self, points_mm: F64) -> F64:
        """Panel mm (N, 2) of artwork points (N, 2) in mm."""
        return np.asarray(points_mm, np.float64) @ self.affine[:, :2].T + self.affine[:, 2]

    def to_artwork(self, points_mm: F64) -> F64:
        """Artwork mm (N, 2) of panel points (N, 2) in mm."""
        back = np.linalg.inv(self.affine[:, :2])
        return (np.asarray(points_mm, np.float64) - self.affine[:, 2]) @ back.T

    def density(self, artwork_rgb: U8) -> F32:
        """Dye density (H, W, 3) float32 of sRGB artwork (H, W, 3) uint8."""
        code = np.arange(256) / 255.0
        linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
        full = -np.log(self.floor)
        plain = -np.log(self.floor + (1 - self.floor) * linear) / full
        out = np.empty(artwork_rgb.shape, np.float32)
        for c in range(3):
            # dot gain is largest in the mid tones, as the spread dye covers more white there
            share = plain ** self.gamma[c]
            share = share + self.gain[c] * 4 * share * (1 - share) * (1 - 0.4 * share)
            out[..., c] = (full * share).astype(np.float32)[artwork_rgb[..., c]]
        return np.asarray(cv2.transform(out, self.crosstalk.astype(np.float32)), np.float32)


def draw_press(
    rng: np.random.Generator, base: Base, width_mm: float, height_mm: float, per_mm: float
) -> Press:
    """A random shop and pressing for a panel of width_mm by height_mm, texture at `per_mm`."""
    mix = np.eye(3) + rng.uniform(0.0, 0.07, (3, 3)) * (1 - np.eye(3))
    mix /= mix.sum(axis=1, keepdims=True)
    stretch = rng.uniform(-0.05, 0.30, 2)
    drift = np.clip(rng.normal(0, 0.4, 2), -1, 1)
    skew = float(rng.normal(0, 3e-4))
    rotate = float(rng.normal(0, 1.0e-3))
    a = np.array([[1 + stretch[0] / 100, skew - rotate], [rotate, 1 + stretch[1] / 100]])
    middle = np.array([width_mm / 2, height_mm / 2])
    affine = np.column_stack([a, middle + drift - a @ middle])
    base_rgb = np.asarray(_BASE_COLOUR[base], np.float32) * np.float32(rng.uniform(0.97, 1.03))
    brushed: F32 = np.zeros((1, 1), np.float32)
    if base == "clear":
        # rolled metal: long faint streaks along the sheet
        raw = tileable_noise(rng, 512, 0.5)
        drawn = cv2.blur(np.pad(raw, ((0, 0), (100, 100)), mode="wrap"), (101, 1))[:, 100:-100]
        brushed = np.asarray(drawn / drawn.std() * 0.02, np.float32)
    return Press(
        floor=float(rng.uniform(0.008, 0.018)),
        gamma=rng.uniform(0.92, 1.10, 3),
        gain=rng.uniform(0.0, 0.08, 3),
        crosstalk=mix * rng.uniform(0.92, 1.0),
        base_rgb=base_rgb,
        print_blur_mm=float(rng.uniform(0.04, 0.10)),
        grain_level=float(rng.uniform(0.008, 0.025)),
        grain=tileable_noise(rng, 512, 0.05 * per_mm),
        brushed=brushed,
        affine=affine,
        drift_mm=(float(drift[0]), float(drift[1])),
        stretch_pct=(float(stretch[0]), float(stretch[1])),
        corner_mm=float(rng.choice([0.0, 0.5, 3.0, 3.0, 6.0])),
        rim=(float(rng.uniform(-0.35, 0.6)), float(rng.uniform(0.15, 0.4))),
    )
