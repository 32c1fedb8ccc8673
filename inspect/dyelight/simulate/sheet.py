"""The pressed panel as a fine texture in panel millimetres, built window by window.

A texel (column i, row j) lies at panel mm ((i + 0.5) / per_mm - pad, (j + 0.5) / per_mm - pad).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np

from ..records import F32, F64, U8
from .defects import PlantedDefect
from .fields import blur, spread, tiled
from .press import Press

_PAD_MM = 1.0
_LEAST_REACH_MM = 1.8
_BLOCK = 256


@dataclass(frozen=True, slots=True)
class Window:
    """Rows y0..y1 and columns x0..x1 of the texture, upper ends left out."""

    y0: int
    x0: int
    y1: int
    x1: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.y1 - self.y0, self.x1 - self.x0

    def grown(self, margin: int) -> Window:
        """The window with `margin` texels more on each side."""
        return Window(self.y0 - margin, self.x0 - margin, self.y1 + margin, self.x1 + margin)

    def cut(self, other: Window) -> Window | None:
        """The common part of two windows, or None."""
        both = Window(
            max(self.y0, other.y0),
            max(self.x0, other.x0),
            min(self.y1, other.y1),
            min(self.x1, other.x1),
        )
        return both if both.y1 > both.y0 and both.x1 > both.x0 else None

    def within(self, outer: Window) -> tuple[slice, slice]:
        """The slices of this window inside an array that covers `outer`."""
        return (
            slice(self.y0 - outer.y0, self.y1 - outer.y0),
            slice(self.x0 - outer.x0, self.x1 - outer.x0),
        )


class Layer(Protocol):
    """One planted defect on the texture.

    `window` bounds it, `reach` is how many texels beyond a window it looks at. `dye` changes the
    density before the print's blur, `coat` the reflectance after it, both in place.
    """

    @property
    def defect(self) -> PlantedDefect:
        """What was planted."""
        ...

    @property
    def window(self) -> Window:
        """The texels it may change."""
        ...

    @property
    def reach(self) -> int:
        """How far, in texels, a result depends on its surroundings."""
        ...

    def mask(self, window: Window) -> F32:
        """How much each texel of `window` is changed, 0..1."""
        ...

    def dye(self, density: F32, window: Window) -> None:
        """Change the density (H, W, 3) of `window`."""
        ...

    def coat(self, reflectance: F32, window: Window) -> None:
        """Change the reflectance (H, W, 3) of `window`."""
        ...


@dataclass(frozen=True, slots=True)
class Sheet:
    """The panel without defects: artwork, press, size and shape.

    `density` (H, W, 3) float32 covers the artwork with its bleed at `art_per_mm` (across, down),
    not finer than the texture. `metal` (H, W) float32 is the signed distance in mm to the metal's
    edge over the same area, or None for a rectangle with rounded corners.
    """

    width_mm: float
    height_mm: float
    per_mm: float
    press: Press
    density: F32
    art_per_mm: F64
    bleed_mm: float
    metal: F32 | None

    @property
    def whole(self) -> Window:
        """The whole texture."""
        rows = int(np.ceil((self.height_mm + 2 * _PAD_MM) * self.per_mm))
        cols = int(np.ceil((self.width_mm + 2 * _PAD_MM) * self.per_mm))
        return Window(0, 0, rows, cols)

    def texel(self, points_mm: F64) -> F64:
        """Texture coordinates (N, 2), column and row, of panel mm (N, 2)."""
        return (np.asarray(points_mm, np.float64) + _PAD_MM) * self.per_mm - 0.5

    def mm(self, points: F64) -> F64:
        """Panel mm (N, 2) of texture coordinates (N, 2)."""
        return (np.asarray(points, np.float64) + 0.5) / self.per_mm - _PAD_MM

    def axes_mm(self, window: Window) -> tuple[F32, F32]:
        """Panel mm of a window's columns and rows."""
        x = (np.arange(window.x0, window.x1) + 0.5) / self.per_mm - _PAD_MM
        y = (np.arange(window.y0, window.y1) + 0.5) / self.per_mm - _PAD_MM
        return x.astype(np.float32), y.astype(np.float32)

    def window_mm(self, x0: float, y0: float, x1: float, y1: float) -> Window:
        """The window that holds a box in panel mm, cut to the texture."""
        a, b = self.texel(np.array([[x0, y0], [x1, y1]]))
        box = Window(
            int(np.floor(a[1])), int(np.floor(a[0])), int(np.ceil(b[1])) + 1, int(np.ceil(b[0])) + 1
        )
        return box.cut(self.whole) or Window(0, 0, 1, 1)

    def _printed(self, window: Window) -> F32:
        """The transferred dye density of a window, without blur."""
        a, t = self.press.affine[:, :2], self.press.affine[:, 2]
        back = np.linalg.inv(a)
        # texel -> panel mm -> artwork mm -> artwork pixel, all affine
        scale = np.diag(self.art_per_mm)
        m = scale @ back / self.per_mm
        origin = np.array([(window.x0 + 0.5) / self.per_mm, (window.y0 + 0.5) / self.per_mm])
        shift = scale @ (back @ (origin - _PAD_MM - t) + self.bleed_mm) - 0.5
        rows, cols = window.shape
        out = cv2.warpAffine(
            self.density,
            np.column_stack([m, shift]),
            (cols, rows),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REFLECT_101,
        )
        return np.asarray(out, np.float32)

    def reflectance(self, window: Window, layers: tuple[Layer, ...]) -> F32:
        """Linear RGB and coverage (H, W, 4) float32 of a window, colours times coverage."""
        sigma = self.press.print_blur_mm * self.per_mm
        # the same margin with a defect as without, or coordinates round differently far from it
        least = int(_LEAST_REACH_MM * self.per_mm) + 2
        margin = int(np.ceil(3.5 * sigma)) + 2 + max([least, *(x.reach for x in layers)])
        wide = window.grown(margin)
        density = self._printed(wide)
        grain = tiled(self.press.grain, wide.y0, wide.x0, *wide.shape)
        density *= spread(1 + np.float32(self.press.grain_level) * grain)
        for layer in layers:
            both = wide.cut(layer.window)
            if both is not None:
                layer.dye(density[both.within(wide)], both)
        density = np.negative(blur(density, sigma)[window.within(wide)])
        log_base = np.log(self.press.base_rgb)
        density += np.tile(log_base, density.shape[1]).reshape(-1, 3)
        colour = np.exp(density, out=density)
        if self.press.brushed.size > 1:
            brushed = tiled(self.press.brushed, window.y0, window.x0, *window.shape)
            colour *= spread(1 + brushed)
        out = np.asarray(cv2.cvtColor(colour, cv2.COLOR_RGB2RGBA), np.float32)
        for layer in layers:
            both = window.cut(layer.window)
            if both is not None:
                layer.coat(out[..., :3][both.within(window)], both)
        self._trim(out, window)
        return out

    def inside_mm(self, window: Window) -> F32:
        """Distance (H, W) float32 in mm from the metal's edge, positive inside."""
        x, y = self.axes_mm(window)
        if self.metal is not None:
            return self._shape_distance(self.metal, window)
        r = np.float32(self.press.corner_mm)
        qx = np.abs(x - np.float32(self.width_mm / 2)) - np.float32(self.width_mm / 2) + r
        qy = np.abs(y - np.float32(self.height_mm / 2)) - np.float32(self.height_mm / 2) + r
        out = np.maximum(qx[None, :], qy[:, None])
        if r > 0:
            cy, cx = np.flatnonzero(qy > 0), np.flatnonzero(qx > 0)
            if cy.size and cx.size:
                out[np.ix_(cy, cx)] = np.hypot(qx[cx][None, :], qy[cy][:, None])
        return np.asarray(r - out, np.float32)

    def _shape_distance(self, metal: F32, window: Window) -> F32:
        rows, cols = window.shape
        sx = metal.shape[1] / (self.width_mm + 2 * self.bleed_mm)
        sy = metal.shape[0] / (self.height_mm + 2 * self.bleed_mm)
        x0 = (window.x0 + 0.5) / self.per_mm - _PAD_MM + self.bleed_mm
        y0 = (window.y0 + 0.5) / self.per_mm - _PAD_MM + self.bleed_mm
        m = np.array([[sx / self.per_mm, 0, sx * x0 - 0.5], [0, sy / self.per_mm, sy * y0 - 0.5]])
        out = cv2.warpAffine(
            metal,
            m,
            (cols, rows),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        x, y = self.axes_mm(window)
        box_x = np.minimum(x, np.float32(self.width_mm) - x)
        box_y = np.minimum(y, np.float32(self.height_mm) - y)
        box = np.minimum(box_x[None, :], box_y[:, None])
        return np.asarray(np.minimum(out, box), np.float32)

    def _trim(self, canvas: F32, window: Window) -> None:
        """Cut to the metal's outline and draw its rim, in place."""
        inside = self.inside_mm(window)
        level, width_mm = self.press.rim
        for y in range(0, inside.shape[0], _BLOCK):
            for x in range(0, inside.shape[1], _BLOCK):
                block = (slice(y, y + _BLOCK), slice(x, x + _BLOCK))
                near = inside[block]
                if near.min() > 4 * width_mm:
                    continue
                cover = np.clip(near * np.float32(self.per_mm) + np.float32(0.5), 0, 1)
                rim = np.exp(-((np.maximum(near, 0) / np.float32(width_mm)) ** 2))
                canvas[block][..., :3] *= ((1 + np.float32(level) * rim) * cover)[..., None]
                canvas[block][..., 3] = cover


def shape_distance_mm(alpha: U8, width_mm: float) -> F32:
    """Signed distance (H, W) float32 in mm to the edge of the metal, positive on metal.

    `alpha` (H, W) uint8 covers `width_mm` across; its half level is the edge.
    """
    on = (alpha >= 128).astype(np.uint8)
    out = cv2.distanceTransform(on, cv2.DIST_L2, 5) - cv2.distanceTransform(1 - on, cv2.DIST_L2, 5)
    return np.asarray(out * (width_mm / alpha.shape[1]), np.float32)
