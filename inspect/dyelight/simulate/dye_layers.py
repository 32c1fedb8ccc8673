"""Defects of the dye, planted in density before the print's blur."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..records import F32
from .defects import PlantedDefect
from .fields import blur, stream
from .layers import (
    Drawn,
    Makers,
    Panelwide,
    blob,
    ghost_shift_mm,
    line,
    mottled,
    path_mm,
    zone,
)
from .sheet import Sheet, Window

# density that heat adds to the coating itself, per unit of strength, linear R, G, B
_BROWN = np.array([0.2, 0.5, 1.2], np.float32)


@dataclass(frozen=True, slots=True)
class _Vapour(Drawn):
    @property
    def reach(self) -> int:
        """How far, in texels, a result depends on its surroundings."""
        return int(1.8 * self.per_mm) + 2

    def dye(self, density: F32, window: Window) -> None:
        """Steam kept dye out, and what came in ran: paler, and soft in detail."""
        m = self.level(window)[..., None]
        soft = blur(density, 0.45 * self.per_mm)
        density += np.minimum(2 * m, 1) * (soft - density)
        density *= 1 - np.float32(self.defect.strength) * m


@dataclass(frozen=True, slots=True)
class _Blocked(Drawn):
    def dye(self, density: F32, window: Window) -> None:
        """Something lay between paper and coating and kept dye out."""
        density *= 1 - np.float32(self.defect.strength) * self.level(window)[..., None]


@dataclass(frozen=True, slots=True)
class _Added(Drawn):
    colour: tuple[float, float, float] = (1.0, 1.0, 1.0)

    def dye(self, density: F32, window: Window) -> None:
        """Something brought dye in."""
        amount = np.asarray(self.colour, np.float32) * np.float32(self.defect.strength)
        density += self.level(window)[..., None] * amount


@dataclass(frozen=True, slots=True)
class _Heat(Drawn):
    def dye(self, density: F32, window: Window) -> None:
        """Hotter: more dye over, and the coating browned."""
        m = self.level(window)[..., None] * np.float32(self.defect.strength)
        density *= 1 + np.float32(0.5) * m
        density += m * (np.float32(0.5) * _BROWN)


@dataclass(frozen=True, slots=True)
class _Ghost(Panelwide):
    @property
    def reach(self) -> int:
        """How far, in texels, a result depends on its surroundings."""
        size = float(np.hypot(*(self.defect.vector_mm or (0.0, 0.0))))
        return int((size + 1.0) * self.sheet.per_mm) + 2

    def dye(self, density: F32, window: Window) -> None:
        """The last share of the dye lands shifted, and as gas a little softer."""
        sheet = self.sheet
        x, y = sheet.axes_mm(window)
        dx, dy = ghost_shift_mm(self.defect, x, y, sheet.width_mm, sheet.height_mm)
        per = np.float32(sheet.per_mm)
        rows, cols = window.shape
        xx = np.arange(cols, dtype=np.float32)[None, :] - dx * per
        yy = np.arange(rows, dtype=np.float32)[:, None] - dy * per
        soft = blur(density, 0.08 * sheet.per_mm)
        moved = cv2.remap(soft, xx, yy, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        density += np.float32(self.defect.strength) * (np.asarray(moved, np.float32) - density)


@dataclass(frozen=True, slots=True)
class _OffColour(Panelwide):
    @property
    def reach(self) -> int:
        """How far, in texels, a result depends on its surroundings."""
        return int(0.6 * self.sheet.per_mm) + 2

    def dye(self, density: F32, window: Window) -> None:
        """Pale from too little heat, time or pressure; browned and soft from too much."""
        strength = np.float32(self.defect.strength)
        if self.defect.tone == "light":
            # the dyes do not go over alike: the slowest stays behind most
            rng = stream(self.defect.shape_seed, "dyes")
            lag = rng.permutation(np.array([0.85, 1.0, 1.15])).astype(np.float32)
            density *= 1 - strength * lag
            return
        density[:] = blur(density, 0.15 * self.sheet.per_mm)
        density += strength * _BROWN


@dataclass(frozen=True, slots=True)
class _Streaks(Panelwide):
    across: F32
    weights: tuple[float, float, float]

    def mask(self, window: Window) -> F32:
        """How much each texel of `window` is changed, 0..1."""
        rows, cols = window.shape
        down = self.defect.angle_deg == 0
        index = np.arange(window.y0, window.y1) if down else np.arange(window.x0, window.x1)
        profile = self.across[np.clip(index, 0, self.across.size - 1)]
        if down:
            return np.repeat(profile[:, None], cols, axis=1)
        return np.repeat(profile[None, :], rows, axis=0)

    def dye(self, density: F32, window: Window) -> None:
        """Blocked nozzles: one ink is missing along thin bands."""
        lost = np.float32(self.defect.strength) * self.mask(window)[..., None]
        density *= 1 - lost * np.asarray(self.weights, np.float32)


def _vapour(sheet: Sheet, defect: PlantedDefect) -> Drawn:
    window, mask, step = mottled(sheet, defect)
    return _Vapour(defect, window, mask, sheet.per_mm, step)


def _speck(sheet: Sheet, defect: PlantedDefect) -> Drawn:
    window, solid = blob(sheet, defect, 0.45, defect.diameter_mm + 0.6)
    mask = blur(solid, 0.02 * sheet.per_mm)
    if defect.tone == "dark":
        blue = stream(defect.shape_seed, "colour").random() < 0.6
        colour = (2.4, 1.7, 0.6) if blue else (2.2, 2.1, 1.9)
        return _Added(defect, window, mask, sheet.per_mm, 1, colour)
    return _Blocked(defect, window, mask, sheet.per_mm, 1)


def _fibre(sheet: Sheet, defect: PlantedDefect) -> Drawn:
    rng = stream(defect.shape_seed, "width")
    path = path_mm(defect, 1.6, 80)
    taper = np.clip(np.minimum(np.arange(80), np.arange(80)[::-1]) / 4, 0.4, 1)
    width = defect.width_mm * taper * (1 + 0.15 * np.sin(np.arange(80) * rng.uniform(0.2, 0.6)))
    window, mask = line(sheet, path, width, 0.6)
    if defect.tone == "dark":
        blue = rng.random() < 0.4
        colour = (1.9, 1.4, 0.7) if blue else (1.7, 1.7, 1.6)
        return _Added(defect, window, mask, sheet.per_mm, 1, colour)
    return _Blocked(defect, window, mask, sheet.per_mm, 1)


def _bare_edge(sheet: Sheet, defect: PlantedDefect) -> Drawn:
    # the transfer ends on a straight cut that is hardly ever parallel to the panel
    rng = stream(defect.shape_seed, "cut")
    lean = float(np.tan(np.deg2rad(rng.normal(0, 0.12))))
    w, h, d = sheet.width_mm, sheet.height_mm, defect.diameter_mm
    side = round(defect.angle_deg / 90) % 4
    deep = d + 0.02 * max(w, h)
    box = [
        (w - deep, -1.0, w + 1.0, h + 1.0),
        (-1.0, h - deep, w + 1.0, h + 1.0),
        (-1.0, -1.0, deep, h + 1.0),
        (-1.0, -1.0, w + 1.0, deep),
    ][side]
    window = sheet.window_mm(*box)
    x, y = sheet.axes_mm(window)
    from_edge = (w - x[None, :], h - y[:, None], x[None, :], y[:, None])[side]
    along = (y[:, None] - h / 2, x[None, :] - w / 2)[side % 2]
    inside = np.float32(d) + np.float32(lean) * along - from_edge
    mask = np.clip(inside * np.float32(sheet.per_mm) + np.float32(0.5), 0, 1)
    return _Blocked(defect, window, np.asarray(mask, np.float32), sheet.per_mm, 1)


def _uneven(sheet: Sheet, defect: PlantedDefect) -> Drawn:
    window, mask, step = zone(sheet, defect)
    kind = _Heat if defect.tone == "dark" else _Blocked
    return kind(defect, window, mask, sheet.per_mm, step)


def _crease(sheet: Sheet, defect: PlantedDefect) -> Drawn:
    path = path_mm(defect, 0.05, 60)
    fade = np.clip(np.minimum(np.arange(60), np.arange(60)[::-1]) / 12, 0.25, 1)
    window, solid = line(sheet, path, defect.width_mm * fade, 1.5 * defect.width_mm + 0.5)
    mask = blur(solid, 0.22 * defect.width_mm * sheet.per_mm)
    if defect.tone == "dark":
        return _Added(defect, window, mask, sheet.per_mm, 1, (0.9, 0.9, 0.9))
    return _Blocked(defect, window, mask, sheet.per_mm, 1)


def _ghost(sheet: Sheet, defect: PlantedDefect) -> Panelwide:
    # the copy may come from the bleed, so the layer looks past the panel
    beyond = int(float(np.hypot(*(defect.vector_mm or (0.0, 0.0)))) * sheet.per_mm) + 1
    return _Ghost(defect, sheet.whole.grown(beyond), sheet)


def _off_colour(sheet: Sheet, defect: PlantedDefect) -> Panelwide:
    return _OffColour(defect, sheet.whole, sheet)


def _streaks(sheet: Sheet, defect: PlantedDefect) -> Panelwide:
    rng = stream(defect.shape_seed, "nozzles")
    down = defect.angle_deg == 0
    x, y = sheet.axes_mm(sheet.whole)
    at = y if down else x
    across = np.zeros(at.shape, np.float32)
    place = float(rng.uniform(0, defect.diameter_mm))
    while place < (sheet.height_mm if down else sheet.width_mm):
        half = defect.width_mm * float(rng.uniform(0.35, 0.65))
        edge = (half - np.abs(at - place)) * sheet.per_mm + 0.5
        across = np.maximum(across, np.clip(edge, 0, 1) * float(rng.uniform(0.5, 1)))
        place += defect.diameter_mm * float(rng.uniform(0.6, 1.4))
    ink = int(rng.integers(4))
    weights = [(1.0, 0.15, 0.05), (0.1, 1.0, 0.15), (0.02, 0.1, 1.0), (0.8, 0.8, 0.8)][ink]
    return _Streaks(defect, sheet.whole, sheet, np.asarray(across, np.float32), weights)


DYE_MAKERS: Makers = {
    "vapour_spot": _vapour,
    "ghosting": _ghost,
    "dust_speck": _speck,
    "fibre": _fibre,
    "bare_edge": _bare_edge,
    "off_colour": _off_colour,
    "uneven_press": _uneven,
    "crease_line": _crease,
    "streaks": _streaks,
}
