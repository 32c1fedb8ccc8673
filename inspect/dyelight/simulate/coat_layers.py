"""Defects of coating and metal, planted in reflectance after the print's blur."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..records import F32
from .defects import PlantedDefect
from .dye_layers import DYE_MAKERS
from .fields import blur, smooth_noise, stream
from .layers import Drawn, Makers, box_around, coarse, line, path_mm
from .sheet import Layer, Sheet, Window

# linear RGB of bare metal in even light, relative to a perfect white
_METAL = np.array([0.40, 0.40, 0.41], np.float32)


@dataclass(frozen=True, slots=True)
class _Lift(Drawn):
    bare: F32
    shade: F32

    def coat(self, reflectance: F32, window: Window) -> None:
        """Coating gone to the metal, its edge raised: lit on one side, dark on the other."""
        part = window.within(self.window)
        bare = self.bare[part][..., None]
        reflectance += self.level(window)[..., None] * (bare * _METAL - reflectance)
        shade = self.shade[part][..., None]
        reflectance *= np.clip(1 + shade, 0.15, 1.6)
        reflectance += np.float32(0.25) * np.maximum(shade, 0) ** 2


@dataclass(frozen=True, slots=True)
class _Scratch(Drawn):
    def coat(self, reflectance: F32, window: Window) -> None:
        """A cut that glints."""
        m = self.level(window)[..., None] * np.float32(self.defect.strength)
        reflectance += m * (np.float32(0.92) - reflectance)


@dataclass(frozen=True, slots=True)
class _Dent(Drawn):
    shade: F32

    def coat(self, reflectance: F32, window: Window) -> None:
        """A dimple turns the face to and from the light."""
        part = Drawn(self.defect, self.window, self.shade, self.per_mm, self.step).level(window)
        reflectance *= 1 + part[..., None]
        reflectance += np.float32(0.12) * np.maximum(part, 0)[..., None]


def _ragged(sheet: Sheet, defect: PlantedDefect) -> tuple[Window, F32]:
    """A window, and the coverage of one torn-off patch: a disc whose coast noise has eaten."""
    rng = stream(defect.shape_seed, "outline")
    d = defect.diameter_mm
    window = box_around(sheet, defect.center_mm, 0.9 * d + 1.5)
    center = sheet.texel(np.array([defect.center_mm]))[0] - [window.x0, window.y0]
    long = float(np.exp(rng.normal(0, 0.25)))
    way = float(rng.uniform(0, np.pi))
    x = (np.arange(window.shape[1]) - center[0]).astype(np.float32)[None, :]
    y = (np.arange(window.shape[0]) - center[1]).astype(np.float32)[:, None]
    along, across = x * np.cos(way) + y * np.sin(way), y * np.cos(way) - x * np.sin(way)
    radius = np.hypot(along / long, across * long) / (d / 2 * sheet.per_mm)
    coast = smooth_noise(rng, window.shape, 0.45 * d * sheet.per_mm, 5)
    level = (1 - radius + 0.2 * coast).astype(np.float32)
    _, parts = cv2.connectedComponents((level > 0).astype(np.uint8))
    # of the islands only the largest: a lift is one piece
    sizes = np.bincount(parts.ravel())
    sizes[0] = 0
    on = (parts == int(sizes.argmax())).astype(np.float32)
    return window, np.clip(blur(on, 0.7) * 2 - 0.5, 0, 1)


def _lift(sheet: Sheet, defect: PlantedDefect) -> Drawn:
    rng = stream(defect.shape_seed, "lift")
    window, solid = _ragged(sheet, defect)
    on = (solid > 0.5).astype(np.uint8)
    away = cv2.distanceTransform(1 - on, cv2.DIST_L2, 5) - cv2.distanceTransform(on, cv2.DIST_L2, 5)
    rim_px = float(rng.uniform(0.15, 0.4)) * sheet.per_mm
    # coating outside the break curls up towards it
    height = blur(
        np.asarray(np.exp(-((np.maximum(away, 0) / (1.6 * rim_px)) ** 2)), np.float32)
        * (1 - solid),
        0.25 * rim_px,
    )
    slope_y, slope_x = np.gradient(height)
    turn = np.deg2rad(defect.angle_deg)
    lit = -(slope_x * np.cos(turn) + slope_y * np.sin(turn)) * rim_px
    shade = np.asarray(lit * float(rng.uniform(0.6, 1.2)), np.float32)
    level = float(rng.uniform(0.75, 1.3))
    worn = smooth_noise(
        rng, (solid.shape[0], solid.shape[1]), scale_px=0.8 * sheet.per_mm, octaves=3
    )
    rolled = cv2.blur(rng.standard_normal(solid.shape, dtype=np.float32), (61, 3))
    bare = level * (1 + 0.06 * worn + 0.5 * np.asarray(rolled, np.float32))
    return _Lift(
        defect, window, solid, sheet.per_mm, 1, np.asarray(np.maximum(bare, 0.2), np.float32), shade
    )


def _scratch(sheet: Sheet, defect: PlantedDefect) -> Drawn:
    rng = stream(defect.shape_seed, "cut")
    path = path_mm(defect, 0.12, 120)
    depth = 0.8 + 0.3 * smooth_noise(rng, (1, 120), 20.0, 2)[0]
    taper = np.clip(np.minimum(np.arange(120), np.arange(120)[::-1]) / 10, 0.3, 1)
    width = defect.width_mm * np.clip(depth * taper, 0.05, 1.3)
    window, mask = line(sheet, path, width.astype(np.float64), 0.5)
    return _Scratch(defect, window, mask, sheet.per_mm, 1)


def _dent(sheet: Sheet, defect: PlantedDefect) -> Drawn:
    d = defect.diameter_mm
    step = coarse(sheet, d, 150)
    window = box_around(sheet, defect.center_mm, 1.3 * d)
    center = sheet.texel(np.array([defect.center_mm]))[0] - [window.x0, window.y0]
    shape = (-(-window.shape[0] // step), -(-window.shape[1] // step))
    unit = d * sheet.per_mm / 4
    x = ((np.arange(shape[1]) + 0.5) * step - 0.5 - center[0]) / unit
    y = ((np.arange(shape[0]) + 0.5) * step - 0.5 - center[1]) / unit
    long = float(np.exp(stream(defect.shape_seed, "dent").uniform(-0.3, 0.3)))
    bowl = np.exp(-((x[None, :] / long) ** 2 + (y[:, None] * long) ** 2) / 2)
    turn = np.deg2rad(defect.angle_deg)
    tip = (np.cos(turn) * x[None, :] + np.sin(turn) * y[:, None]) * bowl
    shade = np.asarray(defect.strength * tip / np.exp(-0.5), np.float32)
    return _Dent(defect, window, np.asarray(bowl, np.float32), sheet.per_mm, step, shade)


_MAKERS: Makers = {**DYE_MAKERS, "coating_lift": _lift, "scratch": _scratch, "dent": _dent}


def draw_layers(sheet: Sheet, defects: tuple[PlantedDefect, ...]) -> tuple[Layer, ...]:
    """One layer for each defect, in their order.

    Raises ValueError for a kind that cannot be planted.
    """
    out: list[Layer] = []
    for defect in defects:
        if defect.kind not in _MAKERS:
            raise ValueError(f"{defect.kind} cannot be planted; {', '.join(_MAKERS)} can.")
        out.append(_MAKERS[defect.kind](sheet, defect))
    return tuple(out)
