"""Simulated photos of pressed panels, with what is true about them."""

from __future__ import annotations

import io
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image

from ..records import F32, F64, U8, Base
from .background import draw_ground
from .camera import (
    Camera,
    develop,
    draw_camera,
    light_field,
    reflections,
    shaken,
    to_jpeg,
    upsampled,
)
from .captures import CAPTURES, CaptureSpec
from .defects import PlantedDefect
from .fields import blur, stream
from .coat_layers import draw_layers
from .measure import measure
from .pose import Pose, draw_pose
from .press import draw_press
from .projection import project
from .sheet import Layer, Sheet, Window, shape_distance_mm
from .truth import Truth

_STRIP = 256
_BAND = 768
_LOW = 8


@dataclass(frozen=True, slots=True)
class SimulatedPhoto:
    """A simulated photo: its file's bytes, those decoded to (H, W, 3) uint8 sRGB, and the truth."""

    jpeg: bytes
    pixels: U8
    truth: Truth


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

    def shoot(self, layers: tuple[Layer, ...]) -> SimulatedPhoto:
        """The photo with these defects."""
        raw, hidden = self._raw(layers)
        pixels = develop(raw, self.camera, self.seed)
        jpeg = to_jpeg(pixels, self.camera.jpeg_quality)
        with Image.open(io.BytesIO(jpeg)) as picture:
            decoded = np.asarray(picture.convert("RGB"), np.uint8)
        return SimulatedPhoto(jpeg, decoded, self._truth(layers, hidden))

    def light_at(self, y0: int, y1: int) -> F32:
        """Raw light per unit of reflectance (rows, W, 3) float32; y0 a multiple of 8."""
        return upsampled(self.light, y0, y1, self.frame_px[0])[..., None] * self.camera.cast

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

    def _raw(self, layers: tuple[Layer, ...]) -> tuple[F32, F32]:
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
            part = self.ground[rows] * upsampled(shade, y, y1, width)[..., None]
            cover = np.zeros((y1 - y, width, 1), np.float32)
            if y1 > corners[:, 1].min() - 24 and y < corners[:, 1].max() + 24:
                seen = project(
                    self.sheet,
                    canvas,
                    self.sheet.whole,
                    self.pose,
                    (x0, y, x1, y1),
                    self.camera.blur_px,
                )
                cover[:, x0:x1, 0] = seen[..., 3]
                part[:, x0:x1] *= 1 - seen[..., 3:]
                part[:, x0:x1] += seen[..., :3]
            part *= self.light_at(y, y1)
            glare = self.glare_at(y, y1) * (cover + (1 - cover) * np.float32(self.spill))
            part += glare
            raw[rows] = part
            brightest = np.maximum(np.maximum(part[..., 0], part[..., 1]), part[..., 2])
            veil = (brightest > 1) | (glare[..., 1] > 0.5 * self.camera.white_level)
            lost = np.float32(veil) * (cover[..., 0] > 0.5)
            small = cv2.resize(
                lost, (hidden.shape[1], -(-(y1 - y) // _LOW)), interpolation=cv2.INTER_AREA
            )
            hidden[y // _LOW : y // _LOW + small.shape[0]] = small
        return self._softened(raw), hidden

    def _softened(self, raw: F32) -> F32:
        """Shake, and focus that falls off over the frame."""
        out = shaken(raw, self.camera.shake_px)
        slope = self.camera.defocus_slope
        most = float(np.hypot(*slope))
        if most > 0.05:
            width, height = self.frame_px
            x = (np.arange(width, dtype=np.float32) + 0.5) / width - 0.5
            y = (np.arange(height, dtype=np.float32) + 0.5) / height - 0.5
            soft = blur(out, 2 * most)
            for row in range(0, height, _STRIP):
                rows = slice(row, min(row + _STRIP, height))
                share = (x * slope[0])[None, :] + (y[rows] * slope[1])[:, None]
                weight = np.clip(0.25 + share / most * 0.5, 0, 1).astype(np.float32)
                out[rows] += weight[..., None] * (soft[rows] - out[rows])
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

    def _truth(self, layers: tuple[Layer, ...], hidden: F32) -> Truth:
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


def _scene(
    artwork_rgb: U8,
    *,
    width_mm: float,
    height_mm: float,
    bleed_mm: float,
    capture: str | CaptureSpec,
    seed: int,
    base: Base,
    alpha: U8 | None,
    mirrored: bool,
    long_side_px: int | None,
    fill: float | None,
    tilt_deg: float | None,
    turn_deg: float | None,
) -> Scene:
    if artwork_rgb.dtype != np.uint8 or artwork_rgb.ndim != 3 or artwork_rgb.shape[2] != 3:
        raise ValueError("artwork_rgb must be uint8 with the shape (H, W, 3).")
    if width_mm <= 0 or height_mm <= 0 or bleed_mm < 0:
        raise ValueError("width_mm and height_mm must be above 0, and bleed_mm not below 0.")
    if isinstance(capture, str) and capture not in CAPTURES:
        raise ValueError(f"no capture is named {capture!r}; there are {', '.join(CAPTURES)}.")
    spec = CAPTURES[capture] if isinstance(capture, str) else capture
    scale = 1.0 if long_side_px is None else long_side_px / spec.width_px
    frame = (round(spec.width_px * scale), round(spec.height_px * scale))
    pose_rng = stream(seed, "pose")
    pose = draw_pose(
        pose_rng,
        spec,
        width_mm=width_mm,
        height_mm=height_mm,
        frame_px=frame,
        mirrored=mirrored,
        fill=fill,
        tilt_deg=tilt_deg,
        turn_deg=turn_deg,
    )
    corners = np.array([[0, 0], [width_mm, 0], [width_mm, height_mm], [0, height_mm]], np.float64)
    middle = np.array([[width_mm / 2, height_mm / 2]])
    per_mm = float(max(1.7 * pose.scale(middle)[0], 1.3 * pose.scale(corners).max()))
    press = draw_press(stream(seed, "press"), base, width_mm, height_mm, per_mm)
    density = press.density(artwork_rgb)
    # area averages where the file is finer than the texture, so that nothing aliases
    full = np.array([width_mm, height_mm]) + 2 * bleed_mm
    size = np.array([artwork_rgb.shape[1], artwork_rgb.shape[0]])
    wanted = np.minimum(size, np.ceil(full * per_mm)).astype(int)
    if (wanted < size).any():
        density = np.asarray(
            cv2.resize(density, (int(wanted[0]), int(wanted[1])), interpolation=cv2.INTER_AREA),
            np.float32,
        )
    sheet = Sheet(
        width_mm=width_mm,
        height_mm=height_mm,
        per_mm=per_mm,
        press=press,
        density=density,
        art_per_mm=np.array([density.shape[1], density.shape[0]]) / full,
        bleed_mm=bleed_mm,
        metal=None if alpha is None else shape_distance_mm(alpha, full[0]),
    )
    camera = draw_camera(stream(seed, "camera"), spec, scale)
    light = light_field(stream(seed, "light"), spec, *frame)
    on_panel = np.rint(pose.to_px(corners) / _LOW).astype(np.int32)
    where = np.zeros(light.shape, np.uint8)
    cv2.fillPoly(where, [on_panel], 1)
    mean_light = float(light[where > 0].mean()) if where.any() else 1.0
    light = light * np.float32(camera.white_level / 0.88 / mean_light)
    glare, spill = reflections(stream(seed, "reflections"), spec, *frame, pose.to_px(corners))
    ground_rng = stream(seed, "ground")
    ground = draw_ground(
        ground_rng, spec.grounds[int(ground_rng.integers(len(spec.grounds)))], *frame
    )
    glare = glare * np.float32(camera.white_level)
    return Scene(sheet, pose, camera, light, glare, spill, ground, frame, mirrored, seed)


def simulate_photo(
    artwork_rgb: U8,
    *,
    width_mm: float,
    height_mm: float,
    bleed_mm: float = 0.0,
    capture: str | CaptureSpec,
    defects: tuple[PlantedDefect, ...] = (),
    seed: int,
    base: Base = "white",
    alpha: U8 | None = None,
    mirrored: bool = False,
    long_side_px: int | None = None,
    fill: float | None = None,
    tilt_deg: float | None = None,
    turn_deg: float | None = None,
) -> SimulatedPhoto:
    """A simulated photo of one pressed panel.

    `artwork_rgb` (H, W, 3) uint8 sRGB covers the trimmed panel plus `bleed_mm` on each side.
    `alpha` (H, W) uint8 is 0 where there is no metal. `mirrored` presses the picture the wrong way
    round. `long_side_px` makes a smaller photo, `fill` sets the share of the frame's area that the
    panel covers (lowered where it would not fit), `tilt_deg`, `turn_deg` the pose; None draws each
    from the capture. The same `seed` gives the same bytes. Raises ValueError for an artwork of
    another type, a size not above 0, an unknown capture, or a kind that cannot be planted.
    """
    scene = _scene(
        artwork_rgb,
        width_mm=width_mm,
        height_mm=height_mm,
        bleed_mm=bleed_mm,
        capture=capture,
        seed=seed,
        base=base,
        alpha=alpha,
        mirrored=mirrored,
        long_side_px=long_side_px,
        fill=fill,
        tilt_deg=tilt_deg,
        turn_deg=turn_deg,
    )
    return scene.shoot(draw_layers(scene.sheet, tuple(defects)))


def simulate_pair(
    artwork_rgb: U8,
    *,
    width_mm: float,
    height_mm: float,
    bleed_mm: float = 0.0,
    capture: str | CaptureSpec,
    defects: tuple[PlantedDefect, ...] = (),
    seed: int,
    base: Base = "white",
    alpha: U8 | None = None,
    mirrored: bool = False,
    long_side_px: int | None = None,
    fill: float | None = None,
    tilt_deg: float | None = None,
    turn_deg: float | None = None,
) -> tuple[SimulatedPhoto, SimulatedPhoto]:
    """The same photo with the defects and without them, under the same noise.

    Takes and raises what `simulate_photo` does.
    """
    scene = _scene(
        artwork_rgb,
        width_mm=width_mm,
        height_mm=height_mm,
        bleed_mm=bleed_mm,
        capture=capture,
        seed=seed,
        base=base,
        alpha=alpha,
        mirrored=mirrored,
        long_side_px=long_side_px,
        fill=fill,
        tilt_deg=tilt_deg,
        turn_deg=turn_deg,
    )
    return scene.shoot(draw_layers(scene.sheet, tuple(defects))), scene.shoot(())
