"""Where the panel lies before the camera: a pinhole with radial lens distortion.

Pinhole and radial terms as in Brown, "Close-range camera calibration", 1971 (two radial terms).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..records import F32, F64
from .captures import CaptureSpec
from .fields import resize

_NODE_PX = 4
_FRAME_SHARE = 0.975


@dataclass(frozen=True, slots=True)
class Pose:
    """The map from panel millimetres (as the artwork reads) to photo pixels.

    `homography` (3, 3) takes panel mm to pixels of an ideal lens; then a point at distance r from
    `centre_px`, in units of `unit_px`, moves out by the factor 1 + k1 r^2 + k2 r^4.
    """

    homography: F64
    centre_px: F64
    unit_px: float
    k1: float
    k2: float
    tilt_deg: float
    turn_deg: float

    def to_px(self, points_mm: F64) -> F64:
        """Photo pixels (N, 2) of panel points (N, 2) in mm."""
        ideal = _apply(self.homography, np.asarray(points_mm, np.float64))
        off = (ideal - self.centre_px) / self.unit_px
        r2 = (off**2).sum(axis=1, keepdims=True)
        moved = self.centre_px + self.unit_px * off * (1 + self.k1 * r2 + self.k2 * r2**2)
        return np.asarray(moved, np.float64)

    def to_mm(self, points_px: F64) -> F64:
        """Panel mm (N, 2) of photo points (N, 2) in px, by Newton steps on the radius."""
        off = (np.asarray(points_px, np.float64) - self.centre_px) / self.unit_px
        rd = np.hypot(off[:, 0], off[:, 1])
        ru = rd.copy()
        for _ in range(5):
            value = ru * (1 + self.k1 * ru**2 + self.k2 * ru**4) - rd
            ru -= value / (1 + 3 * self.k1 * ru**2 + 5 * self.k2 * ru**4)
        scale = np.where(rd > 1e-12, ru / np.maximum(rd, 1e-12), 1.0)
        ideal = self.centre_px + self.unit_px * off * scale[:, None]
        return _apply(np.asarray(np.linalg.inv(self.homography), np.float64), ideal)

    def mm_grid(self, x0: int, y0: int, width_px: int, height_px: int, fine: int = 1) -> F32:
        """Panel mm (H*fine, W*fine, 2) float32 under each sub-pixel of a window of the photo.

        Exact at nodes 4 px apart and linear between: with the distortion and tilt in use that
        errs less than 0.003 px.
        """
        cols, rows = width_px // _NODE_PX + 3, height_px // _NODE_PX + 3
        nx = x0 + (np.arange(cols) - 1 + 0.5) * _NODE_PX - 0.5
        ny = y0 + (np.arange(rows) - 1 + 0.5) * _NODE_PX - 0.5
        nodes = np.stack(np.meshgrid(nx, ny), axis=-1).reshape(-1, 2)
        mm = self.to_mm(nodes).reshape(rows, cols, 2).astype(np.float32)
        step = _NODE_PX * fine
        full = resize(mm, cols * step, rows * step)
        return full[step : step + height_px * fine, step : step + width_px * fine]

    def scale(self, points_mm: F64) -> F64:
        """Photo pixels per panel mm (N,): the root of the local area ratio."""
        p = np.asarray(points_mm, np.float64)
        step = np.array([0.01, 0.0])
        dx = (self.to_px(p + step) - self.to_px(p - step)) / 0.02
        dy = (self.to_px(p + step[::-1]) - self.to_px(p - step[::-1])) / 0.02
        return np.asarray(np.sqrt(np.abs(dx[:, 0] * dy[:, 1] - dx[:, 1] * dy[:, 0])))


def _apply(homography: F64, points: F64) -> F64:
    h = points @ homography[:, :2].T + homography[:, 2]
    return np.asarray(h[:, :2] / h[:, 2:], np.float64)


def _rotation(turn: float, tilt: float, axis: float) -> F64:
    """Turn in the panel's plane, then tilt about an axis in the image plane."""
    ct, st = np.cos(turn), np.sin(turn)
    rz = np.array([[ct, -st, 0], [st, ct, 0], [0, 0, 1]])
    k = np.array([np.cos(axis), np.sin(axis), 0])
    cross = np.array([[0, -k[2], k[1]], [k[2], 0, -k[0]], [-k[1], k[0], 0]])
    tilted = np.eye(3) + np.sin(tilt) * cross + (1 - np.cos(tilt)) * cross @ cross
    return np.asarray(tilted @ rz)


def _area(q: F64) -> float:
    x, y = q[:, 0], q[:, 1]
    return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2)


def draw_pose(
    rng: np.random.Generator,
    spec: CaptureSpec,
    *,
    width_mm: float,
    height_mm: float,
    frame_px: tuple[int, int],
    mirrored: bool,
    fill: float | None,
    tilt_deg: float | None,
    turn_deg: float | None,
) -> Pose:
    """A random pose of a panel of width_mm by height_mm in a frame (width, height) in px.

    `fill` is the share of the frame's area that the panel covers; it is lowered where the panel
    would not fit into the frame. None draws the value from the capture's range.
    """
    fw, fh = frame_px
    long_px = max(fw, fh)
    tilt = float(rng.uniform(*spec.tilt_deg))
    tilt = tilt if tilt_deg is None else tilt_deg
    axis = float(rng.uniform(0, 2 * np.pi))
    quarter = 90.0 * float(rng.integers(1, 4)) if rng.random() < spec.quarter_turn_chance else 0.0
    turn = float(rng.uniform(-1, 1)) * spec.turn_spread_deg + quarter
    turn = turn if turn_deg is None else turn_deg
    want = float(rng.uniform(*spec.fill))
    want = want if fill is None else fill
    focal = float(rng.uniform(*spec.focal_per_long_side)) * long_px
    jitter = rng.uniform(-1, 1, 2)
    k1, k2 = float(rng.uniform(*spec.k1)), float(rng.uniform(*spec.k2))

    centre = np.array([(fw - 1) / 2, (fh - 1) / 2])
    camera = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1]])
    turned = _rotation(np.deg2rad(turn), np.deg2rad(tilt), axis)
    flip = -1.0 if mirrored else 1.0
    from_panel = np.array([[flip, 0, -flip * width_mm / 2], [0, 1, -height_mm / 2], [0, 0, 1]])
    corners = np.array([[0, 0], [width_mm, 0], [width_mm, height_mm], [0, height_mm]], np.float64)

    def pose(distance: float, shift_mm: F64) -> Pose:
        move = np.array([shift_mm[0], shift_mm[1], distance])
        h = camera @ np.column_stack([turned[:, 0], turned[:, 1], move]) @ from_panel
        return Pose(h / h[2, 2], centre, float(np.hypot(fw, fh) / 2), k1, k2, tilt, turn)

    def centred(distance: float, target: F64) -> Pose:
        shift = np.zeros(2)
        for _ in range(6):
            p = pose(distance, shift)
            q = _apply(p.homography, corners)
            middle = (q.min(axis=0) + q.max(axis=0)) / 2
            shift = shift + (target - middle) * distance / focal
        return pose(distance, shift)

    # sizes by the ideal lens: far outside the frame the radial terms fold over
    diagonal = float(np.hypot(width_mm, height_mm))
    nearest = 0.55 * diagonal * abs(np.sin(np.deg2rad(tilt)))
    near = max(1.05 * nearest, focal * max(width_mm, height_mm) / (3 * long_px))
    far = 100.0 * focal / long_px * max(width_mm, height_mm)
    share = np.array([fw, fh]) * (_FRAME_SHARE if want <= 0.9 else 0.995)
    for _ in range(40):
        middle_z = float(np.sqrt(near * far))
        q = _apply(centred(middle_z, centre).homography, corners)
        size = q.max(axis=0) - q.min(axis=0)
        too_big = bool((size > share).any()) or _area(q) > want * fw * fh
        near, far = (middle_z, far) if too_big else (near, middle_z)
    for _ in range(20):
        q = centred(far, centre).to_px(corners)
        if bool((q.max(axis=0) - q.min(axis=0) <= share).all()):
            break
        far *= 1.004
    slack = (np.array([fw, fh]) - (q.max(axis=0) - q.min(axis=0))) / 2 - 0.01 * long_px
    return centred(far, centre + jitter * 0.7 * np.maximum(slack, 0))
