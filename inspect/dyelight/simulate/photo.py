"""Simulated photos of pressed panels, with what is true about them."""

from __future__ import annotations

import io
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image

from ..records import U8, Base
from .background import draw_ground
from .camera import develop, draw_camera, light_field, reflections, to_jpeg
from .captures import CAPTURES, CaptureSpec
from .coat_layers import draw_layers
from .defects import PlantedDefect
from .fields import stream
from .fixed import FixedStation
from .pose import draw_pose
from .press import draw_press
from .scene import Scene
from .sheet import Layer, Sheet, shape_distance_mm
from .truth import Truth

_LOW = 8


@dataclass(frozen=True, slots=True)
class SimulatedPhoto:
    """A simulated photo: its file's bytes, those decoded to (H, W, 3) uint8 sRGB, and the truth."""

    jpeg: bytes
    pixels: U8
    truth: Truth


def _shoot(scene: Scene, layers: tuple[Layer, ...]) -> SimulatedPhoto:
    raw, hidden = scene.raw(layers)
    jpeg = to_jpeg(develop(raw, scene.camera, scene.seed), scene.camera.jpeg_quality)
    with Image.open(io.BytesIO(jpeg)) as picture:
        decoded = np.asarray(picture.convert("RGB"), np.uint8)
    return SimulatedPhoto(jpeg, decoded, scene.truth(layers, hidden))


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
    press_seed: int | None,
    station: FixedStation | None,
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
    if station is None:
        pose = draw_pose(
            stream(seed, "pose"),
            spec,
            width_mm=width_mm,
            height_mm=height_mm,
            frame_px=frame,
            mirrored=mirrored,
            fill=fill,
            tilt_deg=tilt_deg,
            turn_deg=turn_deg,
        )
    else:
        pose = station.pose(spec, frame, (width_mm, height_mm), seed, mirrored=mirrored)
    corners = np.array([[0, 0], [width_mm, 0], [width_mm, height_mm], [0, height_mm]], np.float64)
    middle = np.array([[width_mm / 2, height_mm / 2]])
    per_mm = float(max(1.7 * pose.scale(middle)[0], 1.3 * pose.scale(corners).max()))
    pressing = stream(seed if press_seed is None else press_seed, "press")
    press = draw_press(pressing, base, width_mm, height_mm, per_mm)
    if station is not None:
        shop = draw_press(station.press_stream(), base, width_mm, height_mm, per_mm)
        press = station.press(press, shop, seed if press_seed is None else press_seed)
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
    if station is None:
        camera = draw_camera(stream(seed, "camera"), spec, scale)
        light = light_field(stream(seed, "light"), spec, *frame)
        on_panel = np.rint(pose.to_px(corners) / _LOW).astype(np.int32)
        where = np.zeros(light.shape, np.uint8)
        cv2.fillPoly(where, [on_panel], 1)
        mean_light = float(light[where > 0].mean()) if where.any() else 1.0
        light = light * np.float32(camera.white_level / 0.88 / mean_light)
    else:
        camera = station.cast(station.camera(spec, scale), seed)
        light = station.light(spec, frame, camera.white_level, seed)
    glare, spill = reflections(stream(seed, "reflections"), spec, *frame, pose.to_px(corners))
    ground_rng = stream(seed if station is None else station.seed, "ground")
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
    press_seed: int | None = None,
    station: FixedStation | None = None,
) -> SimulatedPhoto:
    """A simulated photo of one pressed panel.

    `artwork_rgb` (H, W, 3) uint8 sRGB covers the trimmed panel plus `bleed_mm` on each side.
    `alpha` (H, W) uint8 is 0 where there is no metal. `mirrored` presses the picture the wrong way
    round. `long_side_px` makes a smaller photo, `fill` sets the share of the frame's area that the
    panel covers (lowered where it would not fit), `tilt_deg`, `turn_deg` the pose; None draws each
    from the capture. Photos with one `press_seed` show one and the same panel; photos with one
    `station` are taken by one fixed camera of this capture, which has a pose of its own. The same
    `seed` gives the same bytes. Raises ValueError for an artwork of another type, a size not above
    0, an unknown capture, or a kind that cannot be planted.
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
        press_seed=press_seed,
        station=station,
    )
    return _shoot(scene, draw_layers(scene.sheet, tuple(defects)))


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
    press_seed: int | None = None,
    station: FixedStation | None = None,
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
        press_seed=press_seed,
        station=station,
    )
    return _shoot(scene, draw_layers(scene.sheet, tuple(defects))), _shoot(scene, ())
