"""A panel before its camera, and the raw light that the camera takes in."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..records import F32, F64
from .camera import Camera, shaken, upsampled
from .fields import blur, spread, stream
from .measure import measure
from .pose import Pose
from .projection import project
from .sheet import Layer, Sheet, Window
from .truth import Truth

_STRIP = 128
_BAND = 1024
_LOW = 8


@dataclass(frozen=True, slots=True)
class Scene:
    """A panel, still without defects, before its camera.

    `light` (H/8, W/8) and `glare` (H/8, W/8, 3) float32 are raw light per unit of reflectance and
    raw light mirrored by the panel; `ground` (H, W, 3) float32 is the reflectance behind it.
    """

    sheet: Sheet
    pose: Pose
    camera: Camera
    light: F32
    glare: F32
    spill: float
    ground: F32
    frame_px: tuple[int, int]
    mirrored: bool
    seed: int

    def light_at(self, y0: int, y1: int) -> F32:
        """Raw light per unit of reflectance (rows, W, 3) float32; y0 a multiple of 8."""
        level = upsampled(self.light, y0, y1, self.frame_px[0])
        red, green, blue = (float(v) for v in self.camera.cast)
        return np.asarray(cv2.merge([level * red, level * green, level * blue]), np.float32)

    def glare_at(self, y0: int, y1: int) -> F32:
        """Raw mirrored light (rows, W, 3) float32; y0 a multiple of 8."""
        return upsampled(self.glare, y0, y1, self.frame_px[0])

    def _canvas(self, layers: tuple[Layer, ...]) -> F32:
        whole = self.sheet.whole
        canvas = np.empty((*whole.shape, 4), np.float32)
        for y in range(0, whole.y1, _BAND):
            band = Window(y, 0, min(y + _BAND, whole.y1), whole.x1)
            canvas[band.y0 : band.y1] = self.sheet.reflectance(band, layers)
        return canvas

    def raw(self, layers: tuple[Layer, ...]) -> tuple[F32, F32]:
        """Noise-free raw light (H, W, 3), and how far it is hidden (H/8, W/8)."""
        width, height = self.frame_px
        canvas = self._canvas(layers)
        raw = np.empty((height, width, 3), np.float32)
        low_rows = -(-height // _LOW)
        hidden = np.zeros((low_rows, -(-width // _LOW)), np.float32)
        corners = self.corners_px()
        x0 = max(int(corners[:, 0].min()) - 24, 0)
        x1 = min(int(corners[:, 0].max()) + 24, width)
        shade = self._shadow()
        for y in range(0, height, _STRIP):
            y1 = min(y + _STRIP, height)
            rows = slice(y, y1)
            part = self.ground[rows] * spread(upsampled(shade, y, y1, width))
            cover = np.zeros((y1 - y, width), np.float32)
            if y1 > corners[:, 1].min() - 24 and y < corners[:, 1].max() + 24:
                seen = project(
                    self.sheet,
                    canvas,
                    self.sheet.whole,
                    self.pose,
                    (x0, y, x1, y1),
                    self.camera.blur_px,
                )
                cover[:, x0:x1] = seen[..., 3]
                part *= spread(1 - cover)
                part[:, x0:x1] += cv2.cvtColor(seen, cv2.COLOR_RGBA2RGB)
            part *= self.light_at(y, y1)
            if self.glare.any():
                part += self.glare_at(y, y1) * spread(cover + (1 - cover) * np.float32(self.spill))
            raw[rows] = part
            red, green, blue = cv2.split(part)
            mirrored = upsampled(np.ascontiguousarray(self.glare[..., 1]), y, y1, width)
            veil = cv2.max(cv2.max(red, green), blue) > 1
            veil |= mirrored > 0.5 * self.camera.white_level
            lost = (veil & (cover > 0.5)).astype(np.float32)
            small = cv2.resize(
                lost, (hidden.shape[1], -(-(y1 - y) // _LOW)), interpolation=cv2.INTER_AREA
            )
            hidden[y // _LOW : y // _LOW + small.shape[0]] = small
        return self.softened(raw), hidden

    def softened(self, image: F32, x0: int = 0, y0: int = 0) -> F32:
        """A part (h, w, 3) of the photo under shake, and under focus that falls off over the frame.

        (x0, y0) is where the part begins in the photo.
        """
        out = shaken(image, self.camera.shake_px)
        slope = self.camera.defocus_slope
        most = float(np.hypot(*slope))
        if most < 0.05:
            return out
        rows, cols = image.shape[:2]
        x = (np.arange(x0, x0 + cols, dtype=np.float32) + 0.5) / self.frame_px[0] - 0.5
        y = (np.arange(y0, y0 + rows, dtype=np.float32) + 0.5) / self.frame_px[1] - 0.5
        soft = blur(out, 2 * most)
        for row in range(0, rows, _STRIP):
            part = slice(row, min(row + _STRIP, rows))
            share = (x * slope[0])[None, :] + (y[part] * slope[1])[:, None]
            weight = np.clip(0.25 + share / most * 0.5, 0, 1).astype(np.float32)
            out[part] += spread(weight) * (soft[part] - out[part])
        return out

    def _shadow(self) -> F32:
        """What the panel's shadow leaves of the light on the bench (H/8, W/8) float32."""
        rng = stream(self.seed, "shadow")
        width, height = self.frame_px
        cols, rows = -(-width // _LOW), -(-height // _LOW)
        solid = np.zeros((rows, cols), np.uint8)
        q = np.rint(self.corners_px() / _LOW * 16).astype(np.int32)
        cv2.fillPoly(solid, [q], 255, cv2.LINE_AA, 4)
        cover = solid.astype(np.float32) / np.float32(255)
        reach = 2.5 * self.px_per_mm() / _LOW
        way = float(rng.uniform(0, 2 * np.pi))
        far = float(rng.uniform(0.3, 1.2)) * reach
        move = np.array([[1, 0, far * np.cos(way)], [0, 1, far * np.sin(way)]])
        cast = cv2.warpAffine(blur(cover, 0.9 * reach), move, (cols, rows))
        contact = blur(cover, 0.35 * reach)
        depth = float(rng.uniform(0.15, 0.5))
        return np.asarray((1 - depth * cast) * (1 - 0.45 * contact), np.float32)

    def corners_px(self) -> F64:
        """The outline (4, 2) in px, TL, TR, BR, BL as the artwork reads."""
        w, h = self.sheet.width_mm, self.sheet.height_mm
        return self.pose.to_px(np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float64))

    def px_per_mm(self) -> float:
        """Photo pixels per mm at the panel's middle."""
        middle = np.array([[self.sheet.width_mm / 2, self.sheet.height_mm / 2]])
        return float(self.pose.scale(middle)[0])

    def truth(self, layers: tuple[Layer, ...], hidden: F32) -> Truth:
        """What is true about the photo with these defects; `hidden` comes from `raw`."""
        press, sheet = self.sheet.press, self.sheet
        scale = self.px_per_mm()
        gx, gy = np.linspace(0, sheet.width_mm, 9), np.linspace(0, sheet.height_mm, 9)
        grid = np.stack(np.meshgrid(gx, gy), axis=-1).reshape(-1, 2)
        panel_px2 = _polygon_area(self.corners_px())
        lost = (hidden > 0.5).astype(np.uint8)
        outlines, _ = cv2.findContours(lost, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        polygons = tuple(
            (np.asarray(c, np.float64).reshape(-1, 2) + 0.5) * _LOW - 0.5
            for c in outlines
            if len(c) >= 3
        )
        camera = self.camera
        blur_px = float(
            np.sqrt(
                (press.print_blur_mm * scale) ** 2
                + camera.blur_px**2
                + 1 / 12
                + (camera.shake_px**2).sum() / 2
            )
        )
        return Truth(
            defects=tuple(measure(self, layer, hidden) for layer in layers),
            corners_px=self.corners_px(),
            grid=(grid, self.pose.to_px(press.to_panel(grid))),
            drift_mm=press.drift_mm,
            stretch_pct=press.stretch_pct,
            hidden_fraction=float(min(hidden.sum() * _LOW**2 / max(panel_px2, 1), 1)),
            hidden_px=polygons,
            blur_px=blur_px,
            px_per_mm=scale,
            tilt_deg=self.pose.tilt_deg,
            turn_deg=self.pose.turn_deg,
            mirrored=self.mirrored,
            pose=self.pose,
            to_panel=press.affine,
        )


def _polygon_area(q: F64) -> float:
    x, y = q[:, 0], q[:, 1]
    return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2)
