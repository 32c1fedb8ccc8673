"""One small inspection in memory: a simulated photo with one speck that must be found."""

from __future__ import annotations

import hashlib
import math

import numpy as np

from ..causes import load_causes
from ..judge import load_acceptance, load_rules
from ..pipeline import inspect_panel
from ..records import U8, Artwork, Photo
from ..simulate import PlantedDefect, simulate_photo

_WIDTH_MM, _HEIGHT_MM = 100.0, 80.0
_SPECK_MM = (62.0, 31.0)
_NEAR_MM = 1.0
_SEED = 20


def drawn_picture(width_px: int, height_px: int, seed: int) -> U8:
    """A picture (H, W, 3) uint8 with details everywhere: overlapping discs on a slope."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:height_px, 0:width_px].astype(np.float32)
    picture = np.stack(
        [90 + 70 * x / width_px, 120 - 50 * y / height_px, 100 + 40 * (x + y) / width_px], axis=2
    )
    for _ in range(90):
        center = rng.uniform((0, 0), (width_px, height_px))
        radius = rng.uniform(0.02, 0.11) * width_px
        edge = np.clip(radius - np.hypot(x - center[0], y - center[1]), 0, 1)[..., None]
        picture = picture * (1 - edge) + rng.uniform(40, 215, 3).astype(np.float32) * edge
    drawn: U8 = np.clip(picture, 0, 255).astype(np.uint8)
    return drawn


def found_speck() -> tuple[bool, str]:
    """Whether the planted speck was found where it lies, and one line about it."""
    pixels = drawn_picture(1000, 800, _SEED)
    planted = PlantedDefect("dust_speck", _SPECK_MM, diameter_mm=1.2, strength=1.0, shape_seed=3)
    shot = simulate_photo(
        pixels,
        width_mm=_WIDTH_MM,
        height_mm=_HEIGHT_MM,
        capture="station",
        defects=(planted,),
        seed=_SEED,
        long_side_px=1400,
    )
    artwork = Artwork(
        file="drawn.png",
        sha256=hashlib.sha256(pixels.tobytes()).hexdigest(),
        pixels=pixels,
        alpha=None,
        width_mm=_WIDTH_MM,
        height_mm=_HEIGHT_MM,
    )
    photo = Photo("simulated.jpg", hashlib.sha256(shot.jpeg).hexdigest(), shot.pixels)
    rules = load_rules()
    inspection = inspect_panel(
        [photo],
        artwork,
        rules=rules,
        acceptance=load_acceptance(None, rules),
        causes=load_causes(None, rules),
    )
    truth = shot.truth.defects[0].center_panel_mm
    for item in inspection.findings:
        apart = math.dist(item.center_mm, truth)
        if item.kind == "dust_speck" and apart <= _NEAR_MM:
            place = f"{apart:.2f} mm from its place, in {inspection.seconds:.1f} s"
            return True, f"a small inspection: the planted speck was found {place}"
    seen = ", ".join(item.kind for item in inspection.findings) or "nothing"
    verdict = inspection.verdict.word
    return False, f"a small inspection: the planted speck was not found (verdict {verdict}; {seen})"
