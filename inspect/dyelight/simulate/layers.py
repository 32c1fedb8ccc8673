"""Planted defects as layers on the panel's texture: masks and what they do to dye and coating."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..records import F32
from .defects import PlantedDefect
from .fields import blob_outline, blur, filled, smooth_noise, stream
from .sheet import Layer, Sheet, Window


@dataclass(frozen=True, slots=True)
class _Raster:
    """A layer with its mask drawn once over its whole window."""

    defect: PlantedDefect
    window: Window
    drawn: F32
    per_mm: float
    reach: int = 0

    def mask(self, window: Window) -> F32:
        """How much each texel of `window` is changed, 0..1."""
        out = np.zeros(window.shape, np.float32)
        both = window.cut(self.window)
        if both is not None:
            out[both.within(window)] = self.drawn[both.within(self.window)]
        return out

    def dye(self, density: F32, window: Window) -> None:
        """Leave the dye as it is."""

    def coat(self, reflectance: F32, window: Window) -> None:
        """Leave the coating as it is."""


@dataclass(frozen=True, slots=True)
class _Vapour(_Raster):
    def dye(self, density: F32, window: Window) -> None:
        """Dye was washed away by steam and what stayed ran: paler, and blurred."""
        m = self.drawn[window.within(self.window)][..., None]
        loss = np.float32(self.defect.strength)
        soft = blur(density, 0.5 * self.per_mm)
        density += np.minimum(2.0 * m, 1.0) * (soft - density)
        density *= 1 - loss * m


@dataclass(frozen=True, slots=True)
class _Blocked(_Raster):
    def dye(self, density: F32, window: Window) -> None:
        """A particle lay between paper and coating and kept dye out."""
        m = self.drawn[window.within(self.window)][..., None]
        density *= 1 - np.float32(self.defect.strength) * m


@dataclass(frozen=True, slots=True)
class _Added(_Raster):
    colour: tuple[float, float, float] = (2.2, 1.9, 1.4)

    def dye(self, density: F32, window: Window) -> None:
        """Lint or loose pigment brought dye in."""
        m = self.drawn[window.within(self.window)][..., None]
        density += np.float32(self.defect.strength) * m * np.asarray(self.colour, np.float32)


def _box(sheet: Sheet, center_mm: tuple[float, float], half_mm: float) -> Window:
    x, y = center_mm
    return sheet.window_mm(x - half_mm, y - half_mm, x + half_mm, y + half_mm)


def _blob(
    sheet: Sheet, defect: PlantedDefect, roughness: float, half_mm: float
) -> tuple[Window, F32]:
    """A filled irregular outline of the defect's diameter, uncut by its window."""
    rng = stream(defect.shape_seed, "outline")
    window = _box(sheet, defect.center_mm, half_mm)
    center = sheet.texel(np.array([defect.center_mm]))[0] - [window.x0, window.y0]
    outline = blob_outline(rng, roughness) * defect.diameter_mm / 2 * sheet.per_mm
    stretch = np.exp(rng.normal(0, 0.15))
    outline = outline * [stretch, 1 / stretch]
    return window, filled(window.shape, outline + center)


def _vapour(sheet: Sheet, defect: PlantedDefect) -> Layer:
    d = defect.diameter_mm
    window, solid = _blob(sheet, defect, 0.5, 0.95 * d + 1.5)
    # drawn at a tenth of the spot's size at the finest, since nothing in it is sharper
    rng = stream(defect.shape_seed, "mottle")
    shape = window.shape
    step = max(1, int(d * sheet.per_mm / 60))
    small = (max(shape[0] // step, 2), max(shape[1] // step, 2))
    low = cv2.resize(solid, (small[1], small[0]), interpolation=cv2.INTER_AREA)
    soft = blur(np.asarray(low, np.float32), 0.13 * d * sheet.per_mm / step)
    mottle = smooth_noise(rng, *small, scale_px=0.28 * d * sheet.per_mm / step, octaves=3)
    drawn = np.clip(soft * (1 + 0.45 * mottle) - 0.06, 0, 1.4) / 1.4
    border = blur(
        np.asarray(
            cv2.copyMakeBorder(
                np.ones((max(small[0] - 4, 1), max(small[1] - 4, 1)), np.float32),
                2,
                small[0] - 2 - max(small[0] - 4, 1),
                2,
                small[1] - 2 - max(small[1] - 4, 1),
                cv2.BORDER_CONSTANT,
                value=0,
            ),
            np.float32,
        ),
        1.0,
    )
    drawn = np.minimum(drawn, 1) * np.minimum(border * 1.5, 1)
    big = cv2.resize(drawn.astype(np.float32), (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    mask = np.clip(np.asarray(big, np.float32) * np.float32(1.6), 0, 1)
    return _Vapour(defect, window, mask, sheet.per_mm, int(2 * sheet.per_mm) + 2)


def _speck(sheet: Sheet, defect: PlantedDefect) -> Layer:
    window, solid = _blob(sheet, defect, 0.8, defect.diameter_mm + 0.6)
    mask = blur(solid, 0.02 * sheet.per_mm)
    if defect.tone == "dark":
        rng = stream(defect.shape_seed, "colour")
        blue = rng.random() < 0.6
        colour = (2.4, 1.7, 0.6) if blue else (2.2, 2.1, 1.9)
        return _Added(defect, window, mask, sheet.per_mm, 0, colour)
    return _Blocked(defect, window, mask, sheet.per_mm)


def draw_layers(sheet: Sheet, defects: tuple[PlantedDefect, ...]) -> tuple[Layer, ...]:
    """One layer for each defect, in their order. Raises ValueError for a kind not plantable."""
    makers = {"vapour_spot": _vapour, "dust_speck": _speck}
    out = []
    for defect in defects:
        maker = makers.get(defect.kind)
        if maker is None:
            raise ValueError(f"{defect.kind} cannot be planted.")
        out.append(maker(sheet, defect))
    return tuple(out)
