"""How a photo is taken: the three captures and the spread of each of their properties.

All values are invented for simulation: plausible for a phone or a small station camera, taken from
no maker's data. A pair is the range that a photo's value is drawn from, evenly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Range = tuple[float, float]
Ground = Literal["plain", "wood", "cloth", "clutter"]


@dataclass(frozen=True, slots=True)
class CaptureSpec:
    """One way of taking a photo.

    `fill` is the share of the frame's area that the panel covers. Blurs are Gaussian standard
    deviations in pixels at `width_px`. Light levels are relative to a white coating in even light.
    """

    name: str
    width_px: int
    height_px: int
    tilt_deg: Range
    turn_spread_deg: float
    quarter_turn_chance: float
    fill: Range
    focal_per_long_side: Range
    k1: Range
    k2: Range
    light_slope: Range
    light_bumps: Range
    vignetting: Range
    reflections: tuple[int, int]
    reflection_level: Range
    window_chance: float
    reflection_spill: Range
    lens_blur_px: Range
    defocus_px: Range
    defocus_slope: Range
    shake_px: Range
    white_level: Range
    full_well_e: Range
    read_noise_e: Range
    chroma_denoise_px: Range
    cast: Range
    tone: Range
    sharpen: Range
    sharpen_radius_px: Range
    jpeg_quality: tuple[int, int]
    grounds: tuple[Ground, ...]


CAPTURES: dict[str, CaptureSpec] = {
    "station": CaptureSpec(
        name="station",
        width_px=4000,
        height_px=3000,
        tilt_deg=(0.0, 3.0),
        turn_spread_deg=2.5,
        quarter_turn_chance=0.0,
        fill=(0.5, 0.8),
        focal_per_long_side=(1.0, 1.5),
        k1=(-0.008, 0.006),
        k2=(-0.002, 0.002),
        light_slope=(0.0, 0.08),
        light_bumps=(0.0, 0.03),
        vignetting=(0.02, 0.10),
        reflections=(0, 0),
        reflection_level=(0.0, 0.0),
        window_chance=0.0,
        reflection_spill=(0.0, 0.0),
        lens_blur_px=(0.55, 0.8),
        defocus_px=(0.0, 0.35),
        defocus_slope=(0.0, 0.1),
        shake_px=(0.0, 0.0),
        white_level=(0.68, 0.82),
        full_well_e=(9000.0, 14000.0),
        read_noise_e=(2.5, 4.0),
        chroma_denoise_px=(0.6, 1.0),
        cast=(0.0, 0.02),
        tone=(0.0, 0.2),
        sharpen=(0.2, 0.6),
        sharpen_radius_px=(0.8, 1.2),
        jpeg_quality=(88, 95),
        grounds=("plain",),
    ),
    "handheld": CaptureSpec(
        name="handheld",
        width_px=4000,
        height_px=3000,
        tilt_deg=(3.0, 20.0),
        turn_spread_deg=8.0,
        quarter_turn_chance=0.12,
        fill=(0.35, 0.7),
        focal_per_long_side=(0.7, 0.8),
        k1=(-0.012, 0.012),
        k2=(-0.004, 0.004),
        light_slope=(0.08, 0.30),
        light_bumps=(0.03, 0.10),
        vignetting=(0.08, 0.22),
        reflections=(0, 2),
        reflection_level=(0.03, 0.22),
        window_chance=0.3,
        reflection_spill=(0.0, 0.12),
        lens_blur_px=(0.6, 0.95),
        defocus_px=(0.0, 0.7),
        defocus_slope=(0.0, 0.5),
        shake_px=(0.0, 0.8),
        white_level=(0.55, 0.85),
        full_well_e=(3500.0, 7000.0),
        read_noise_e=(2.5, 5.0),
        chroma_denoise_px=(0.8, 1.4),
        cast=(0.01, 0.05),
        tone=(0.1, 0.4),
        sharpen=(0.3, 0.9),
        sharpen_radius_px=(0.8, 1.4),
        jpeg_quality=(82, 93),
        grounds=("plain", "wood", "cloth"),
    ),
    "customer": CaptureSpec(
        name="customer",
        width_px=2304,
        height_px=1728,
        tilt_deg=(5.0, 35.0),
        turn_spread_deg=12.0,
        quarter_turn_chance=0.15,
        fill=(0.22, 0.55),
        focal_per_long_side=(0.7, 0.85),
        k1=(-0.015, 0.015),
        k2=(-0.005, 0.005),
        light_slope=(0.1, 0.45),
        light_bumps=(0.05, 0.15),
        vignetting=(0.1, 0.28),
        reflections=(1, 3),
        reflection_level=(0.08, 1.1),
        window_chance=0.45,
        reflection_spill=(0.0, 0.2),
        lens_blur_px=(0.6, 1.0),
        defocus_px=(0.0, 0.8),
        defocus_slope=(0.0, 0.6),
        shake_px=(0.0, 1.0),
        white_level=(0.5, 0.85),
        full_well_e=(1800.0, 4000.0),
        read_noise_e=(3.0, 6.0),
        chroma_denoise_px=(1.0, 1.8),
        cast=(0.04, 0.14),
        tone=(0.15, 0.5),
        sharpen=(0.4, 1.1),
        sharpen_radius_px=(0.8, 1.5),
        jpeg_quality=(70, 80),
        grounds=("clutter",),
    ),
}
