"""Simulated customer photos in which one place is pointed to, with what is really there."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from pictures import Half, Picture, at_hand, load

from dyelight.colour import ciede2000, decode_srgb, lab_from_encoded
from dyelight.records import F32, U8, Artwork, Kind, Photo
from dyelight.simulate import (
    CAPTURES,
    PlantedDefect,
    SimulatedPhoto,
    artwork_size_mm,
    plan_defects,
    simulate_photo,
)

Really = Literal[
    "defect", "handling", "reflection", "in_file", "cut_edge", "soft_file", "cannot_tell"
]
REALLY: tuple[Really, ...] = (
    "defect",
    "handling",
    "reflection",
    "in_file",
    "cut_edge",
    "soft_file",
    "cannot_tell",
)
_DEFECTS: tuple[Kind, ...] = (
    "vapour_spot",
    "dust_speck",
    "fibre",
    "coating_lift",
    "bare_edge",
    "crease_line",
)
_HANDLING: tuple[Kind, ...] = ("scratch", "dent")
_LONG_MM = (203.0, 254.0, 305.0, 406.0)
_BRIGHT = 10.0  # L* that a reflection adds from which it is plain to see
_SHADED = 0.02
_OVEREXPOSED = (1.1, 1.4)  # light of a white coating, of which 1 is the camera's most
_SMALL_FILE_PX = 420
_PLAIN_EDGE = 10.0  # L* over an edge from which its softness can be seen
_BLEED_MM, _BLED = 3.0, 0.4  # how often a file has one though nothing near an edge is meant
_OFF = 0.0015  # share of the photo's long side that a finger is off by, standard deviation
_TRIES = 40


@dataclass(frozen=True, slots=True)
class PointedShot:
    """One case: the photo, the file, the place in photo px, and what is there.

    `kind` is the planted defect's, None where none was planted at the place. `what` says more.
    """

    really: Really
    what: str
    photo: Photo
    artwork: Artwork
    at_px: tuple[float, float]
    kind: Kind | None = None


def pointed_shot(
    index: int, seed: int, folder: Path | None, half: Half, long_side_px: int
) -> PointedShot | None:
    """Case `index`; None where the picture or the light gives no such case in some tries."""
    really = REALLY[index % len(REALLY)]
    pictures = at_hand(folder, half)
    for again in range(_TRIES if really in ("defect", "handling", "cannot_tell") else 6):
        rng = np.random.default_rng([seed, index, again])
        picture = pictures[int(rng.integers(len(pictures)))]
        made = _case(rng, really, picture, folder, long_side_px, index // len(REALLY))
        if made is not None:
            return _by_hand(made, rng)
    return None


@dataclass(frozen=True, slots=True)
class _Panel:
    pixels: U8
    width_mm: float
    height_mm: float
    bleed_mm: float
    seed: int
    long_side_px: int
    name: str

    @property
    def px_per_mm(self) -> float:
        """Pixels of the file for each mm of print."""
        return float(self.pixels.shape[1]) / (self.width_mm + 2 * self.bleed_mm)

    def place_mm(self, column: float, row: float) -> tuple[float, float]:
        """Where a pixel of the file lies, in artwork mm, which count from the trim."""
        x, y = ((at + 0.5) / self.px_per_mm - self.bleed_mm for at in (column, row))
        return x, y

    def shoot(
        self, *defects: PlantedDefect, lit: bool = True, overexposed: bool = False
    ) -> SimulatedPhoto:
        spec = CAPTURES["customer"]
        if overexposed:
            spec = replace(spec, white_level=_OVEREXPOSED)
        if not lit:
            spec = replace(spec, reflections=(0, 0), reflection_spill=(0.0, 0.0))
        return simulate_photo(
            self.pixels,
            width_mm=self.width_mm,
            height_mm=self.height_mm,
            bleed_mm=self.bleed_mm,
            capture=spec,
            defects=defects,
            seed=self.seed,
            long_side_px=self.long_side_px,
        )

    def shown(
        self,
        really: Really,
        what: str,
        shot: SimulatedPhoto,
        at_px: Sequence[float],
        kind: Kind | None = None,
    ) -> PointedShot:
        artwork = Artwork(
            self.name,
            _sha256(self.pixels.tobytes()),
            self.pixels,
            None,
            self.width_mm,
            self.height_mm,
            self.bleed_mm,
        )
        photo = Photo("simulated.jpg", _sha256(shot.jpeg), shot.pixels)
        return PointedShot(really, what, photo, artwork, (float(at_px[0]), float(at_px[1])), kind)


def _case(
    rng: np.random.Generator,
    really: Really,
    picture: Picture,
    folder: Path | None,
    long_px: int,
    turn: int,
) -> PointedShot | None:
    pixels = load(picture, folder)
    if really == "soft_file":
        pixels = _shrunk(pixels, _SMALL_FILE_PX)
    bleed = _BLEED_MM if really == "cut_edge" or rng.random() < _BLED else 0.0
    long_mm = float(rng.choice(_LONG_MM)) + 2 * bleed
    full = artwork_size_mm(pixels.shape[1], pixels.shape[0], long_mm)
    panel = _Panel(
        pixels,
        full[0] - 2 * bleed,
        full[1] - 2 * bleed,
        bleed,
        int(rng.integers(2**31)),
        long_px,
        picture.name,
    )
    if really in ("defect", "handling"):
        return _planted(rng, panel, really, _DEFECTS if really == "defect" else _HANDLING)
    if really == "cannot_tell":
        return _cannot(rng, panel, turn)
    shot = panel.shoot()
    if really == "reflection":
        return _lit(rng, panel, shot)
    light = _added_light(panel)
    place_mm = {"in_file": _own_mark, "cut_edge": _near_edge, "soft_file": _edge_inside}[really](
        rng, panel
    )
    if place_mm is None:
        return None
    x, y = shot.truth.px_from_mm(np.array([place_mm]))[0]
    height, width = light.shape
    if not (0 < x < width - 1 and 0 < y < height - 1) or light[int(y), int(x)] > _SHADED:
        return None
    return panel.shown(really, picture.name, shot, (x, y))


def _by_hand(shot: PointedShot, rng: np.random.Generator) -> PointedShot:
    """The same case pointed to as nearly as a finger does."""
    height, width = shot.photo.pixels.shape[:2]
    off = np.clip(rng.normal(0, 1, 2), -2, 2) * _OFF * max(height, width)
    x, y = np.clip(np.add(shot.at_px, off), 0, (width - 1, height - 1))
    return replace(shot, at_px=(float(x), float(y)))


def _lit(rng: np.random.Generator, panel: _Panel, shot: SimulatedPhoto) -> PointedShot | None:
    """A place anywhere in the brighter half of a reflection, as the photo shows it."""
    lit, plain = (lab_from_encoded(one.pixels)[..., 0] for one in (shot, panel.shoot(lit=False)))
    added = cv2.GaussianBlur(lit - plain, (0, 0), 4.0)
    added = np.where(_on_panel(shot, added.shape) > 0, added, 0)
    if added.max() < _BRIGHT:
        return None
    rows, columns = np.nonzero(added > max(_BRIGHT, 0.5 * float(added.max())))
    n = int(rng.integers(rows.size))
    what = f"L* +{added[rows[n], columns[n]]:.0f}"
    return panel.shown("reflection", what, shot, (columns[n], rows[n]))


def _planted(
    rng: np.random.Generator, panel: _Panel, really: Really, kinds: tuple[Kind, ...]
) -> PointedShot | None:
    kind = kinds[int(rng.integers(len(kinds)))]
    (defect,) = plan_defects(rng, panel.width_mm, panel.height_mm, 1, (kind,))
    shot = panel.shoot(defect)
    (truth,) = shot.truth.defects
    if not truth.visible or truth.delta_e00 < 2.0 or truth.hidden_fraction > 0.3:
        return None
    at = _where_it_shows(panel, shot, _middle_px(shot, defect, truth.box_px), truth.box_px)
    return panel.shown(really, f"{kind} dE {truth.delta_e00:.1f}", shot, at, kind)


def _cannot(rng: np.random.Generator, panel: _Panel, turn: int) -> PointedShot | None:
    """In turns a mark too small for the photo, a place beside the panel, a place burnt out."""
    if turn % 3 == 0:
        kind: Kind = "dust_speck"
        size = float(rng.uniform(0.05, 0.15))
        place = (panel.width_mm * rng.uniform(0.1, 0.9), panel.height_mm * rng.uniform(0.1, 0.9))
        defect = PlantedDefect(kind, place, size, strength=0.8, shape_seed=1)
        shot = panel.shoot(defect)
        (truth,) = shot.truth.defects
        if truth.snr_ideal > 1.5:
            return None
        x, y = _middle_px(shot, defect, truth.box_px)
        if _added_light(panel)[int(y), int(x)] > _SHADED:
            return None
        return panel.shown("cannot_tell", "too small", shot, (x, y))
    if turn % 3 == 1:
        shot = panel.shoot()
        height, width = shot.pixels.shape[:2]
        at = rng.uniform((5, 5), (width - 6, height - 6))
        gap = cv2.pointPolygonTest(
            shot.truth.corners_px.astype(np.float32), (float(at[0]), float(at[1])), True
        )
        return panel.shown("cannot_tell", "outside", shot, tuple(at)) if gap < -25 else None
    # where a reflection burns the place out, that is the answer; here exposure alone does
    shot = panel.shoot(lit=False, overexposed=True)
    white = np.all(shot.pixels >= 254, axis=2) & (_on_panel(shot, shot.pixels.shape[:2]) > 0)
    rows, columns = np.nonzero(cv2.erode(white.astype(np.uint8), np.ones((25, 25), np.uint8)))
    if not rows.size:
        return None
    n = int(rng.integers(rows.size))
    return panel.shown("cannot_tell", "burnt out", shot, (columns[n], rows[n]))


def _where_it_shows(
    panel: _Panel,
    shot: SimulatedPhoto,
    middle_px: tuple[float, float],
    box_px: tuple[float, float, float, float],
) -> tuple[float, float]:
    """The place nearest to the defect's middle where half of its difference is seen.

    A pale scratch over text shows on the letters, not on the white between them.
    """
    height, width = shot.pixels.shape[:2]
    low = np.clip(np.floor(box_px[:2]).astype(int) - 2, 0, (width - 1, height - 1))
    high = np.clip(np.ceil(box_px[2:]).astype(int) + 3, low + 1, (width, height))
    cut = (slice(low[1], high[1]), slice(low[0], high[0]))
    seen, due = (
        cv2.GaussianBlur(lab_from_encoded(np.ascontiguousarray(one.pixels[cut])), (0, 0), 1.5)
        for one in (shot, panel.shoot())
    )
    apart = ciede2000(seen, due)
    rows, columns = np.nonzero(apart >= 0.5 * float(apart.max()))
    x, y = columns + low[0], rows + low[1]
    n = int(np.argmin(np.hypot(x - middle_px[0], y - middle_px[1])))
    return float(x[n]), float(y[n])


def _middle_px(
    shot: SimulatedPhoto, defect: PlantedDefect, box_px: tuple[float, float, float, float]
) -> tuple[float, float]:
    if defect.kind == "bare_edge":
        x0, y0, x1, y1 = box_px
        return (x0 + x1) / 2, (y0 + y1) / 2
    # the place that was drawn, in panel mm: the middle of a bent line's box need not be on it
    x, y = shot.truth.px_from_panel_mm(np.array([defect.center_mm]))[0]
    return float(x), float(y)


def _added_light(panel: _Panel) -> F32:
    """Light that reflections add (H, W), in shares of the lit white."""
    lit, plain = (decode_srgb(panel.shoot(lit=on).pixels).mean(axis=2) for on in (True, False))
    white = float(np.quantile(plain, 0.98))
    return np.asarray(cv2.GaussianBlur(lit - plain, (0, 0), 4.0) / white, np.float32)


def _on_panel(shot: SimulatedPhoto, shape: tuple[int, ...]) -> U8:
    mask: U8 = np.zeros(shape, np.uint8)
    middle = shot.truth.corners_px.mean(axis=0)
    inner = middle + 0.94 * (shot.truth.corners_px - middle)
    cv2.fillPoly(mask, [np.rint(inner).astype(np.int32)], 1)
    return mask


def _own_mark(rng: np.random.Generator, panel: _Panel) -> tuple[float, float] | None:
    """A spot or line of the picture itself that stands out of its surroundings."""
    grey = cv2.cvtColor(panel.pixels, cv2.COLOR_RGB2GRAY).astype(np.float32)
    per_mm = panel.px_per_mm
    sigma = float(rng.uniform(0.6, 1.5)) * per_mm
    band = np.abs(
        cv2.GaussianBlur(grey, (0, 0), sigma) - cv2.GaussianBlur(grey, (0, 0), 1.6 * sigma)
    )
    around = np.sqrt(cv2.GaussianBlur(band * band, (0, 0), 6 * sigma))
    score = np.where(band > 6, band / (around + 1), 0)
    edge = int(10 * per_mm)
    score[:edge] = score[-edge:] = 0
    score[:, :edge] = score[:, -edge:] = 0
    if score.max() < 3:
        return None
    rows, columns = np.nonzero(score > 0.9 * score.max())
    n = int(rng.integers(rows.size))
    return panel.place_mm(float(columns[n]), float(rows[n]))


def _near_edge(rng: np.random.Generator, panel: _Panel) -> tuple[float, float]:
    along, inside = float(rng.uniform(0.15, 0.85)), float(rng.uniform(0.5, 2.5))
    side = int(rng.integers(4))
    x = (inside, along * panel.width_mm, panel.width_mm - inside, along * panel.width_mm)[side]
    y = (along * panel.height_mm, inside, along * panel.height_mm, panel.height_mm - inside)[side]
    return x, y


def _edge_inside(rng: np.random.Generator, panel: _Panel) -> tuple[float, float] | None:
    """A place at a plain edge within the picture, where softness is seen."""
    grey = cv2.cvtColor(panel.pixels, cv2.COLOR_RGB2GRAY).astype(np.float32)
    lightness = lab_from_encoded(panel.pixels)[..., 0]
    around = np.ones((5, 5), np.uint8)
    rise = cv2.dilate(lightness, around) - cv2.erode(lightness, around)
    per_mm = panel.px_per_mm
    steep = np.hypot(cv2.Scharr(grey, cv2.CV_32F, 1, 0), cv2.Scharr(grey, cv2.CV_32F, 0, 1))
    edge = int(10 * per_mm)
    steep[:edge] = steep[-edge:] = 0
    steep[:, :edge] = steep[:, -edge:] = 0
    rows, columns = np.nonzero((steep > np.quantile(steep, 0.97)) & (rise >= _PLAIN_EDGE))
    if not rows.size:
        return None
    n = int(rng.integers(rows.size))
    return panel.place_mm(float(columns[n]), float(rows[n]))


def _shrunk(pixels: U8, long_px: int) -> U8:
    scale = long_px / max(pixels.shape[:2])
    size = (round(pixels.shape[1] * scale), round(pixels.shape[0] * scale))
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
