"""A fixed camera over a bench: what stays the same from panel to panel, and what flickers.

All values are invented for simulation. One camera, one light, one bench and one shop's colour
response are drawn from a seed; every panel then lies a little elsewhere under them, and exposure,
lamp and press scatter a little from one to the next.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..records import F32, F64
from .camera import Camera, draw_camera, light_field
from .captures import CaptureSpec
from .fields import stream
from .pose import Pose, draw_pose
from .press import Press

# natural log, one standard deviation: exposure, each channel's own, the lamp's tilt over the photo
_LEVEL, _OWN, _TILT = 0.008, 0.003, 0.004
# share, one standard deviation: dye that comes over, the bare coating's level
_DYE, _BASE = 0.012, 0.003
_MOVED, _TURNED_DEG = 0.02, 0.6  # of the reference panel's long side; one standard deviation each


@dataclass(frozen=True, slots=True)
class FixedStation:
    """A station with a camera that stays where it is.

    Everything follows from `seed`. `light_seed` and `pose_seed` draw the lamp or the camera's place
    anew, `shop_seed` press, paper and panel base; None leaves them as they were. `reference_mm` is
    the largest panel that fits into the frame. `exposure` scales all light.
    """

    seed: int
    reference_mm: tuple[float, float]
    light_seed: int | None = None
    pose_seed: int | None = None
    shop_seed: int | None = None
    exposure: float = 1.0

    def camera(self, spec: CaptureSpec, scale: float) -> Camera:
        """The one camera."""
        return draw_camera(stream(self.seed, "camera"), spec, scale)

    def press(self, own: Press, shop: Press, panel_seed: int) -> Press:
        """This panel's press: the shop's response with this panel's own scatter and place."""
        rng = stream(panel_seed, "shop scatter")
        dye = 1 + _DYE * float(rng.standard_normal())
        base = 1 + _BASE * float(rng.standard_normal())
        return replace(
            shop,
            crosstalk=shop.crosstalk * dye,
            base_rgb=shop.base_rgb * np.float32(base),
            grain=own.grain,
            brushed=own.brushed,
            affine=own.affine,
            drift_mm=own.drift_mm,
            stretch_pct=own.stretch_pct,
        )

    def press_stream(self) -> np.random.Generator:
        """Draws the shop's press."""
        return stream(self.seed if self.shop_seed is None else self.shop_seed, "press")

    def light(
        self, spec: CaptureSpec, frame_px: tuple[int, int], white_level: float, seed: int
    ) -> F32:
        """Raw light (H/8, W/8) float32 per unit of reflectance, flickering from photo to photo."""
        at = self.seed if self.light_seed is None else self.light_seed
        light = light_field(stream(at, "light"), spec, *frame_px)
        rng = stream(seed, "flicker")
        rows, columns = light.shape
        x = np.linspace(-1, 1, columns)[None, :]
        y = np.linspace(-1, 1, rows)[:, None]
        level, across, down = rng.standard_normal(3) * [_LEVEL, _TILT, _TILT]
        flicker = np.exp(level + across * x + down * y)
        return np.asarray(light * flicker * (self.exposure * white_level / 0.88), np.float32)

    def cast(self, camera: Camera, seed: int) -> Camera:
        """The camera with this photo's flicker of colour."""
        own = np.exp(_OWN * stream(seed, "flicker colour").standard_normal(3))
        return replace(camera, cast=np.asarray(camera.cast * own, np.float32))

    def pose(
        self,
        spec: CaptureSpec,
        frame_px: tuple[int, int],
        size_mm: tuple[float, float],
        seed: int,
        *,
        mirrored: bool = False,
    ) -> Pose:
        """Where this panel lies: about the middle of the bench, moved and turned a little."""
        at = self.seed if self.pose_seed is None else self.pose_seed
        wide, tall = self.reference_mm
        bench = draw_pose(
            stream(at, "pose"),
            spec,
            width_mm=wide,
            height_mm=tall,
            frame_px=frame_px,
            mirrored=False,
            fill=0.62,
            tilt_deg=None,
            turn_deg=None,
        )
        rng = stream(seed, "pose")
        turn = np.deg2rad(_TURNED_DEG * float(rng.standard_normal()))
        move = _MOVED * max(wide, tall) * np.clip(rng.standard_normal(2), -1.5, 1.5)
        return replace(
            bench, homography=bench.homography @ _moved(size_mm, (wide, tall), turn, move, mirrored)
        )


def _moved(
    size_mm: tuple[float, float],
    bench_mm: tuple[float, float],
    turn: float,
    move_mm: F64,
    mirrored: bool,
) -> F64:
    """From panel mm to mm of the bench (3, 3): the panel's middle moved from the bench's middle."""
    flip = -1.0 if mirrored else 1.0
    to_middle = np.array([[flip, 0, -flip * size_mm[0] / 2], [0, 1, -size_mm[1] / 2], [0, 0, 1.0]])
    c, s = float(np.cos(turn)), float(np.sin(turn))
    x, y = bench_mm[0] / 2 + move_mm[0], bench_mm[1] / 2 + move_mm[1]
    return np.asarray(np.array([[c, -s, x], [s, c, y], [0, 0, 1.0]]) @ to_middle, np.float64)
