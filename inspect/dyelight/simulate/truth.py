"""What is known about a simulated photo, and the ideal measures of each planted defect."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..records import F64, Kind, Pattern, Tone
from .pose import Pose


@dataclass(frozen=True, slots=True)
class DefectTruth:
    """One planted defect as it lies in the picture.

    `center_mm`, `box_mm` (x0, y0, x1, y1) are in artwork mm, where the map from picture to photo
    puts them; `center_panel_mm`, `box_panel_mm` are the same from the panel's own corner.
    `delta_e00` is the mean CIEDE2000 over the defect's mask between the noise-free photo of a clean
    camera with and without it, at photo resolution; for ghosting over the tenth of the panel where
    it shows most. `snr_ideal` is the ideal observer's
    d' = sqrt(sum((s / sigma)^2)) over raw pixels and channels, light and defects else known.
    `visible` is True from 3 up (6 for specks and fibres), False from over 1 up to that, else None.
    `hidden_fraction` is the share of the mask that reflection or clipping hides.
    """

    kind: Kind
    center_mm: tuple[float, float]
    box_mm: tuple[float, float, float, float]
    center_panel_mm: tuple[float, float]
    box_panel_mm: tuple[float, float, float, float]
    box_px: tuple[float, float, float, float]
    area_mm2: float
    delta_e00: float
    snr_ideal: float
    visible: bool | None
    hidden_fraction: float
    tone: Tone
    strength: float
    vector_mm: tuple[float, float] | None
    pattern: Pattern | None


@dataclass(frozen=True, slots=True)
class Truth:
    """Where everything lies in a simulated photo.

    `corners_px` (4, 2): the panel's outline TL, TR, BR, BL as the artwork reads, as if not rounded.
    `blur_px` is the standard deviation of print blur, lens, focus and pixel together, at the
    panel's middle. `hidden_fraction` of the panel is hidden by reflection or clipping, inside
    `hidden_px`, polygons (N, 2). `to_panel` (2, 3) takes artwork mm to panel mm.
    """

    defects: tuple[DefectTruth, ...]
    corners_px: F64
    grid: tuple[F64, F64]
    drift_mm: tuple[float, float]
    stretch_pct: tuple[float, float]
    hidden_fraction: float
    hidden_px: tuple[F64, ...]
    blur_px: float
    px_per_mm: float
    tilt_deg: float
    turn_deg: float
    mirrored: bool
    pose: Pose
    to_panel: F64

    def panel_from_mm(self, points_mm: F64) -> F64:
        """Panel mm (N, 2) of artwork mm (N, 2)."""
        return np.asarray(points_mm, np.float64) @ self.to_panel[:, :2].T + self.to_panel[:, 2]

    def px_from_mm(self, points_mm: F64) -> F64:
        """Photo px (N, 2) of artwork mm (N, 2): where the picture lies."""
        return self.pose.to_px(self.panel_from_mm(points_mm))

    def px_from_panel_mm(self, points_mm: F64) -> F64:
        """Photo px (N, 2) of panel mm (N, 2): where the metal lies."""
        return self.pose.to_px(points_mm)

    def mm_from_px(self, points_px: F64) -> F64:
        """Artwork mm (N, 2) of photo px (N, 2)."""
        back = np.linalg.inv(self.to_panel[:, :2])
        return (self.pose.to_mm(points_px) - self.to_panel[:, 2]) @ back.T
