"""The frozen records that cross from stage to stage.

photo + artwork -> Photo, Artwork -> Placement -> Difference -> Candidate -> Finding -> Verdict
-> Cause -> Inspection

Coordinates. Panel: millimetres from the panel's top-left corner as the artwork reads, x right,
y down. Artwork: the same millimetres, (0, 0) at the top-left of the trimmed part; bleed lies
outside 0..width, 0..height. Photo: pixels, (0, 0) the centre of the first pixel.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]
Mask = NDArray[np.bool_]
Pixels = NDArray[np.uint8] | NDArray[np.uint16]

Kind = Literal[
    "vapour_spot",
    "ghosting",
    "dust_speck",
    "fibre",
    "coating_lift",
    "off_colour",
    "uneven_press",
    "crease_line",
    "bare_edge",
    "streaks",
    "scratch",
    "dent",
    "wrong_artwork",
    "unexplained",
]
Base = Literal["white", "clear", "other"]
VerdictWord = Literal["pass", "review", "remake", "retake"]
Tone = Literal["light", "dark", "mixed"]
Zone = Literal["A", "B", "C"]
DefectClass = Literal["minor", "major", "critical"]
Pattern = Literal["slip", "hinge", "growth", "turn", "mixed"]


@dataclass(frozen=True, slots=True)
class Note:
    """One thing worth saying about a photo: a stable code and one plain sentence."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Photo:
    """A decoded photo, upright, in sRGB encoding.

    `pixels` is (H, W, 3), uint8 or uint16, sRGB-encoded RGB over the type's whole range.
    `icc` names the colour space that the file was converted from, "sRGB" where it held none.
    """

    file: str
    sha256: str
    pixels: Pixels
    icc: str = "sRGB"
    notes: tuple[Note, ...] = ()

    @property
    def width_px(self) -> int:
        """Width of the upright photo in pixels."""
        return int(self.pixels.shape[1])

    @property
    def height_px(self) -> int:
        """Height of the upright photo in pixels."""
        return int(self.pixels.shape[0])


@dataclass(frozen=True, slots=True)
class Artwork:
    """The picture that was printed, and the panel it was printed for.

    `pixels` is (H, W, 3), uint8 or uint16, sRGB-encoded RGB. It covers the trimmed panel plus
    `bleed_mm` on each side. `alpha` is (H, W) uint8, 0 where the panel has no metal (round and
    shaped panels, holes), or None where the panel fills the rectangle. `width_mm`, `height_mm` are
    the trimmed panel's. `size_known` is False where nobody gave a size: then width_mm is 100 and
    every length is in per cent of the panel's width.
    """

    file: str
    sha256: str
    pixels: Pixels
    alpha: U8 | None
    width_mm: float
    height_mm: float
    bleed_mm: float = 0.0
    base: Base = "white"
    finish: str = "gloss"
    size_known: bool = True
    panel_id: str = ""
    notes: tuple[Note, ...] = ()

    @property
    def px_per_mm(self) -> tuple[float, float]:
        """Artwork pixels per millimetre of panel, across and down."""
        return (
            self.pixels.shape[1] / (self.width_mm + 2 * self.bleed_mm),
            self.pixels.shape[0] / (self.height_mm + 2 * self.bleed_mm),
        )


class PictureMap(Protocol):
    """The smooth map between artwork millimetres and photo pixels, both ways."""

    def to_photo(self, points_mm: F64) -> F64:
        """Photo pixels (N, 2) of artwork points (N, 2) in mm."""
        ...

    def to_artwork(self, points_px: F64) -> F64:
        """Artwork mm (N, 2) of photo points (N, 2) in px."""
        ...


@dataclass(frozen=True, slots=True)
class Placement:
    """Where picture and panel lie in the photo.

    `corners_px` (4, 2) float64: the panel's outline in the photo, TL, TR, BR, BL as the artwork
    reads, as if not rounded. `uncertainty_px` is the standard error of a picture point, median over
    the panel. `drift_mm` is how far the print's centre sits off the panel's centre (None where the
    outline is not seen), `stretch_pct` how much larger the print is than the panel, across and
    down.
    """

    picture: PictureMap
    corners_px: F64
    outline_seen: bool
    uncertainty_px: float
    drift_mm: tuple[float, float] | None
    stretch_pct: tuple[float, float] | None
    mirrored: bool
    quarter_turns: int
    method: Literal["features", "outline"]
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class NoPlacement:
    """The panel could not be placed. `reason` decides between retake and wrong_artwork."""

    reason: Literal["no_panel", "wrong_artwork", "too_blurred", "too_dark", "too_bright", "unsure"]
    text: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured value beside the limit that it was held against."""

    rule: str
    value: float
    limit: float
    unit: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """Something that differs from the expected look, measured but not yet named.

    `family` is the detector that saw it. `outline_mm` (N, 2) float64 is its contour on the panel in
    mm. `features` are the measured values that the rules of models/defects.toml speak of, keyed by
    names that carry their unit. `vector_mm`, `strength`, `pattern` belong to double images only.
    """

    family: str
    center_mm: tuple[float, float]
    box_mm: tuple[float, float, float, float]
    outline_mm: F64
    area_mm2: float
    delta_e00: float
    snr: float
    tone: Tone
    features: dict[str, float]
    extent: Literal["local", "panel"] = "local"
    vector_mm: tuple[float, float] | None = None
    strength: float | None = None
    pattern: Pattern | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """A named defect, with the values and limits that named it."""

    id: str
    kind: Kind
    extent: Literal["local", "panel"]
    center_mm: tuple[float, float]
    box_mm: tuple[float, float, float, float]
    outline_mm: F64
    area_mm2: float
    eq_diameter_mm: float
    delta_e00: float
    snr: float
    tone: Tone
    zone: Zone
    vector_mm: tuple[float, float] | None
    strength: float | None
    pattern: Pattern | None
    confidence: float
    severity: DefectClass
    because: tuple[Reading, ...]
    doubts: tuple[str, ...]
    features: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class VerdictReading:
    """One rule of the acceptance spec that decided, with the findings it speaks of."""

    rule: str
    value: float
    limit: float
    unit: str
    findings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Verdict:
    """The panel judged against an acceptance spec."""

    word: VerdictWord
    because: tuple[VerdictReading, ...]


@dataclass(frozen=True, slots=True)
class Cause:
    """A likely process cause, with its reasons and the one thing to try next."""

    cause: str
    title: str
    weight: float
    because: tuple[str, ...]
    try_next: str
    caution: str | None


@dataclass(frozen=True, slots=True)
class Capture:
    """What this photo can carry. Lengths in mm on the panel; None where nothing was placed."""

    px_per_mm: float | None
    blur_px: float | None
    hidden_fraction: float
    hidden_mm: tuple[F64, ...]
    smallest_speck_mm: float | None
    faintest_spot_de00: float | None
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class Pictures:
    """Pictures of the squared-up panel for reports, uint8 sRGB (H, W, 3), `px_per_mm` each way."""

    observed: U8
    expected: U8
    difference: U8
    px_per_mm: float


@dataclass(frozen=True, slots=True)
class PhotoFacts:
    """The facts about a photo that outlive its pixels."""

    file: str
    sha256: str
    width_px: int
    height_px: int


@dataclass(frozen=True, slots=True)
class ArtworkFacts:
    """The facts about an artwork that outlive its pixels."""

    file: str
    sha256: str
    width_mm: float
    height_mm: float
    bleed_mm: float
    base: Base
    finish: str
    size_known: bool
    panel_id: str


@dataclass(frozen=True, slots=True)
class Inspection:
    """The whole answer about one panel: what every report, log and page reads."""

    panel: ArtworkFacts
    photos: tuple[PhotoFacts, ...]
    usable: bool
    capture: Capture
    placement: Placement | None
    findings: tuple[Finding, ...]
    verdict: Verdict
    causes: tuple[Cause, ...]
    rules_sha256: str
    tool_version: str
    seconds: float
    pictures: Pictures | None = None
