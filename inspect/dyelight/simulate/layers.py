"""Planted defects as layers on the panel's texture: masks, and the making of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from ..records import F32, F64, Kind
from .defects import PlantedDefect
from .fields import blob_outline, blur, filled, line_coverage, smooth_noise, stream
from .sheet import Sheet, Window


@dataclass(frozen=True, slots=True)
class Drawn:
    """A layer whose mask is drawn once over its window, `step` texels a pixel, 0..1."""

    defect: PlantedDefect
    window: Window
    drawn: F32
    per_mm: float
    step: int

    @property
    def reach(self) -> int:
        """How far, in texels, a result depends on its surroundings."""
        return 0

    def mask(self, window: Window) -> F32:
        """How much each texel of `window` is changed, 0..1."""
        out = np.zeros(window.shape, np.float32)
        both = window.cut(self.window)
        if both is not None:
            out[both.within(window)] = self.level(both)
        return out

    def level(self, window: Window) -> F32:
        """The mask (H, W) of a window that lies inside the layer's own."""
        if self.step == 1:
            return self.drawn[window.within(self.window)]
        s = float(self.step)
        first = [
            (window.x0 - self.window.x0 + 0.5) / s - 0.5,
            (window.y0 - self.window.y0 + 0.5) / s - 0.5,
        ]
        rows, cols = window.shape
        out = cv2.warpAffine(
            self.drawn,
            np.array([[1 / s, 0, first[0]], [0, 1 / s, first[1]]]),
            (cols, rows),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        return np.asarray(out, np.float32)

    def dye(self, density: F32, window: Window) -> None:
        """Leave the dye as it is."""

    def coat(self, reflectance: F32, window: Window) -> None:
        """Leave the coating as it is."""


@dataclass(frozen=True, slots=True)
class Panelwide:
    """A layer that covers the panel."""

    defect: PlantedDefect
    window: Window
    sheet: Sheet

    @property
    def reach(self) -> int:
        """How far, in texels, a result depends on its surroundings."""
        return 0

    def mask(self, window: Window) -> F32:
        """Each texel of `window` is changed: 1."""
        return np.ones(window.shape, np.float32)

    def dye(self, density: F32, window: Window) -> None:
        """Leave the dye as it is."""

    def coat(self, reflectance: F32, window: Window) -> None:
        """Leave the coating as it is."""


def box_around(sheet: Sheet, center_mm: tuple[float, float], half_mm: float) -> Window:
    """The window of a square about a point in panel mm, cut to the texture."""
    x, y = center_mm
    return sheet.window_mm(x - half_mm, y - half_mm, x + half_mm, y + half_mm)


def blob(
    sheet: Sheet, defect: PlantedDefect, roughness: float, half_mm: float, step: int = 1
) -> tuple[Window, F32]:
    """A window, and a filled irregular outline of the defect's diameter in it."""
    rng = stream(defect.shape_seed, "outline")
    window = box_around(sheet, defect.center_mm, half_mm)
    center = sheet.texel(np.array([defect.center_mm]))[0] - [window.x0, window.y0]
    outline = blob_outline(rng, roughness) * defect.diameter_mm / 2 * sheet.per_mm
    stretch = float(np.exp(rng.normal(0, 0.15)))
    outline = (outline * [stretch, 1 / stretch] + center + 0.5) / step - 0.5
    shape = (-(-window.shape[0] // step), -(-window.shape[1] // step))
    return window, filled(shape, outline)


def coarse(sheet: Sheet, size_mm: float, pixels: float) -> int:
    """How many texels a mask's pixel may cover, if `pixels` of them shall span `size_mm`."""
    return max(1, int(size_mm * sheet.per_mm / pixels))


def path_mm(defect: PlantedDefect, bend: float, points: int) -> F64:
    """A curve (points, 2) in panel mm of the defect's length about its centre.

    `bend` is the spread of the whole turn along it, in radians.
    """
    rng = stream(defect.shape_seed, "path")
    t = np.linspace(0, 1, points)
    turn = np.deg2rad(defect.angle_deg) + bend * (
        rng.normal() * (t - 0.5) + 0.6 * rng.normal() * np.sin(2 * np.pi * (t + rng.random()))
    )
    step = np.stack([np.cos(turn), np.sin(turn)], axis=1) * defect.diameter_mm / (points - 1)
    walk = np.concatenate([np.zeros((1, 2)), np.cumsum(step[:-1], axis=0)])
    middle = (walk.min(axis=0) + walk.max(axis=0)) / 2
    return np.asarray(walk - middle + defect.center_mm, np.float64)


def line(sheet: Sheet, path: F64, width_mm: F64, spare_mm: float) -> tuple[Window, F32]:
    """A window, and the coverage of a curve in panel mm with a width per point."""
    lo, hi = path.min(axis=0) - spare_mm, path.max(axis=0) + spare_mm
    window = sheet.window_mm(float(lo[0]), float(lo[1]), float(hi[0]), float(hi[1]))
    local = sheet.texel(path) - [window.x0, window.y0]
    return window, line_coverage(window.shape, local, width_mm * sheet.per_mm / 2)


def ghost_shift_mm(
    defect: PlantedDefect, x_mm: F32, y_mm: F32, width_mm: float, height_mm: float
) -> tuple[F32, F32]:
    """The shift of a double image in panel mm at columns x_mm (W,), rows y_mm (H,): two (H, W).

    slip: everywhere the same. hinge: none at one edge, full at the opposite one. growth: away from
    the middle, full at the corners. turn: about a corner, full at the opposite one.
    """
    vx, vy = defect.vector_mm or (0.0, 0.0)
    size = float(np.hypot(vx, vy))
    x, y = np.meshgrid(x_mm, y_mm)
    way = int(stream(defect.shape_seed, "ghost").integers(4))
    if defect.pattern == "hinge":
        share = (x / width_mm, 1 - x / width_mm, y / height_mm, 1 - y / height_mm)[way]
        dx, dy = vx * share, vy * share
    elif defect.pattern == "growth":
        scale = size / (np.hypot(width_mm, height_mm) / 2)
        dx, dy = (x - width_mm / 2) * scale, (y - height_mm / 2) * scale
    elif defect.pattern == "turn":
        scale = size / np.hypot(width_mm, height_mm)
        px, py = width_mm * (way % 2), height_mm * (way // 2)
        dx, dy = -(y - py) * scale, (x - px) * scale
    else:
        dx, dy = np.full_like(x, vx), np.full_like(y, vy)
    return np.asarray(dx, np.float32), np.asarray(dy, np.float32)


def mottled(sheet: Sheet, defect: PlantedDefect) -> tuple[Window, F32, int]:
    """Window, mask and step of a soft, irregular, mottled patch."""
    d = defect.diameter_mm
    step = coarse(sheet, d, 120)
    per_px = sheet.per_mm / step
    window, solid = blob(sheet, defect, 0.42, 1.1 * d + 1.0, step)
    rng = stream(defect.shape_seed, "mottle")
    soft = blur(solid, 0.11 * d * per_px)
    mottle = smooth_noise(
        rng, (solid.shape[0], solid.shape[1]), scale_px=0.3 * d * per_px, octaves=3
    )
    # fine mottle of droplets in the larger patches
    drops = smooth_noise(
        rng, (solid.shape[0], solid.shape[1]), scale_px=max(1.2 * per_px, 2.0), octaves=2
    )
    level = soft * (1 + 0.33 * mottle + 0.12 * drops) - 0.08
    return window, np.clip(level * np.float32(1.15), 0, 1), step


def zone(sheet: Sheet, defect: PlantedDefect) -> tuple[Window, F32, int]:
    """Window, mask and step of one broad zone without an edge."""
    d = defect.diameter_mm
    step = coarse(sheet, d, 60)
    window = box_around(sheet, defect.center_mm, 1.25 * d)
    shape = (-(-window.shape[0] // step), -(-window.shape[1] // step))
    rng = stream(defect.shape_seed, "zone")
    center = sheet.texel(np.array([defect.center_mm]))[0] - [window.x0, window.y0]
    x = (np.arange(shape[1]) + 0.5) * step - 0.5 - center[0]
    y = (np.arange(shape[0]) + 0.5) * step - 0.5 - center[1]
    wide = d * sheet.per_mm / 2.355
    long = float(np.exp(rng.uniform(-0.25, 0.25)))
    r2 = (x[None, :] / (wide * long)) ** 2 + (y[:, None] * long / wide) ** 2
    lumpy = 1 + 0.08 * smooth_noise(rng, shape, scale_px=25)
    return window, np.asarray(np.exp(-r2 / 2) * np.clip(lumpy, 0.7, 1.3), np.float32), step


Maker = Callable[[Sheet, PlantedDefect], Drawn | Panelwide]
Makers = dict[Kind, Maker]
