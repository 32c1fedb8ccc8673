"""What a fixed camera was taught, as one record."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..records import F64, Base
from .look import TaughtLook
from .verdicts import Spread

Way = Literal["panels", "blank", "signed_off"]


@dataclass(frozen=True, slots=True)
class TaughtPanel:
    """One photo that a teaching rests on: its file's name and hash, its artwork's hash."""

    photo: str
    sha256: str
    artwork_sha256: str


@dataclass(frozen=True, slots=True)
class TaughtCapture:
    """What the camera does. `plane` (3, 3) takes photo px to mm on the bench; a panel's size and
    shape on it scatter by `size_scatter` and `shape_scatter` (shares). `bench` (36, 48, 3) is the
    ln light around panels, NaN where it was never seen, `bench_scatter` (36, 48) its own, and
    `tilt_scatter` what its light leans by from panel to panel. `noise` (6,) is root light's by
    brightness, NaN where unknown. `covered` (36, 48) counts the taught panels that lay there.
    `lens` is k1, k2; `flicker` one standard deviation of the exposure in ln light, None where no
    bench shows."""

    width_px: int
    height_px: int
    plane: F64
    size_scatter: float
    shape_scatter: float
    bench: F64
    bench_scatter: F64
    tilt_scatter: float
    noise: F64
    covered: F64
    lens: tuple[float, float]
    flicker: float | None


@dataclass(frozen=True, slots=True)
class Teaching:
    """All that one file of `dyelight teach` holds.

    `way` says what was taught from: good panels; a blank panel, which leaves colours unknown; one
    signed-off panel, a reference for its own artwork. `colour_error` (4,) is what the look errs by
    in one colour, ln light, dark to light; `colours` (343,) counts the panels that had each colour,
    by `changes.colour_code`. `taught_at` is a date. `sha256` is the file's, "" while
    it was not written.
    """

    way: Way
    base: Base
    finish: str
    look: TaughtLook
    capture: TaughtCapture
    spread: Spread
    colour_error: F64
    colours: NDArray[np.intp]
    panels: tuple[TaughtPanel, ...]
    left_out: tuple[str, ...]
    taught_at: str
    tool_version: str
    file: str = ""
    sha256: str = ""
