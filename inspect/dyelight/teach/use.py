"""Hold a photo against a teaching: does it still fit, and if so, under what light was it taken."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..look import Difference
from ..records import F64, Mask, Note, Photo, Placement
from .capture import (
    BENCH_COLUMNS,
    BENCH_ROWS,
    Ambient,
    against_plane,
    ambient,
    around_panel,
    grid_of,
    noise_of,
)
from .changes import Changes, Doubtful, changes_of, taught_colours
from .limits import teach_limits
from .look import TaughtLook, fit_look
from .record import Teaching
from .samples import PanelSamples, sample_panel
from .verdicts import Spread

# what a photo's level and lean may still be off by once the bench's were taken off (ln light)
LEVEL, TILT = 0.01, 0.006
_OWN_COLOUR = np.full(4, 0.15)  # what a look learnt from the panel itself may err by in a colour
_LEAST_TONES = 3
_AGAIN = "teach the camera again with dyelight teach."


@dataclass(frozen=True, slots=True)
class UnderTaught:
    """A photo that fits its teaching. `around` is how the light around the panel differs from the
    taught one, None where too little of the bench shows. `whole` says whether the teaching knows
    colours, so that the whole panel can be judged; `known` (343,) bool which ones."""

    look: TaughtLook
    spread: Spread
    colour_error: F64
    known: Mask
    photo_px: tuple[int, int]
    around: Ambient | None
    whole: bool

    def changes(self, difference: Difference, spoilt: Mask) -> tuple[PanelSamples, Changes] | None:
        """What the panel's print differs by, with the places it was read from; None where too
        little of the panel can be used. `spoilt` (H, W) bool on the panel frame is left out."""
        samples = sample_panel(difference, self.photo_px, spoilt)
        if samples is None:
            return None
        if self.around is not None:
            light = samples.light * np.exp(-self.around.at(samples.photo_at))
            samples = replace(samples, light=np.asarray(light, np.float64))
        return samples, self.changes_of(samples)

    def changes_of(self, samples: PanelSamples) -> Changes:
        """What a panel's places differ by, under the taught light's own level."""
        look, colour, known = self.look, self.colour_error, self.known
        if not self.whole:
            # the light is known, the colours are not: they are the panel's own
            look, _ = fit_look([samples], held=self.look)
            colour, known = _OWN_COLOUR, np.ones_like(self.known)
        return changes_of(samples, look, Doubtful(LEVEL, TILT, colour, known))


def hold_against(
    teaching: Teaching, photo: Photo, difference: Difference, placement: Placement
) -> UnderTaught | Note:
    """The photo under its teaching; or a note that says what does not fit any more and what to
    do."""
    misfit = _misfit(teaching, photo, difference)
    if misfit is not None:
        return misfit
    capture, limits = teaching.capture, teach_limits()
    around = ambient(
        around_panel(photo.pixels, placement.corners_px), capture.bench, capture.bench_scatter
    )
    if around is not None:
        if around.other_share > limits.surroundings_share.value:
            return Note(
                "taught_surroundings",
                f"The teaching {teaching.file} no longer fits: what lies around the panel looks "
                "other than when it was taught; camera or lamp moved, or the bench is another. "
                f"Clear the bench, or: {_AGAIN}",
            )
        lean = float(np.abs(around.tilt).max())
        level = float(around.level[np.abs(around.level).argmax()])
        if abs(level) > limits.light_level.value:
            return Note(
                "taught_light_changed",
                f"The teaching {teaching.file} no longer fits: the light around the panel is "
                f"{100 * abs(np.expm1(level)):.0f} % {'brighter' if level > 0 else 'darker'} than "
                f"when it was taught. Set lamp and exposure as they were, or: {_AGAIN}",
            )
        moved = lean > max(limits.light_shape.value, 5 * capture.tilt_scatter)
        if moved or around.scatter > limits.light_uneven.value:
            return Note(
                "taught_light_moved",
                f"The teaching {teaching.file} no longer fits: the light is spread differently "
                f"over the bench than when it was taught. Put the lamps back, or: {_AGAIN}",
            )
    return UnderTaught(
        teaching.look,
        teaching.spread,
        teaching.colour_error,
        taught_colours(teaching.colours),
        (photo.width_px, photo.height_px),
        around,
        teaching.way != "blank",
    )


def note_of(teaching: Teaching, *, judged: bool) -> Note:
    """What is said of a photo that fits its teaching, once it is known whether it could be
    `judged` by it."""
    if judged:
        return Note("taught", _used(teaching))
    return Note(
        "taught_too_little",
        f"The teaching {teaching.file} fits, but too little of the panel is flat enough to hold it "
        "against the teaching; its colour is judged as without one.",
    )


def _used(teaching: Teaching) -> str:
    if teaching.way == "blank":
        return (
            f"Evenness was held against the light of {teaching.file}, taught from a blank panel. "
            "The colour of the whole panel can only be suspected."
        )
    if teaching.way == "signed_off":
        return (
            f"Colour and evenness were held against the signed-off panel of {teaching.file}. How "
            "much good panels differ among each other is not known from one."
        )
    return (
        f"Colour and evenness were held against {teaching.file}, taught from "
        f"{len(teaching.panels)} good panels."
    )


def _misfit(teaching: Teaching, photo: Photo, difference: Difference) -> Note | None:
    """What of photo, panel and camera is not as it was taught."""
    capture, limits, artwork = teaching.capture, teach_limits(), difference.artwork

    def note(code: str, what: str, remedy: str) -> Note:
        return Note(code, f"The teaching {teaching.file} does not fit: {what} {remedy}")

    if (photo.width_px, photo.height_px) != (capture.width_px, capture.height_px):
        return note(
            "taught_other_size",
            f"the photo has {photo.width_px} x {photo.height_px} px, taught were "
            f"{capture.width_px} x {capture.height_px}.",
            f"Set the camera as it was, or: {_AGAIN}",
        )
    if (artwork.base, artwork.finish) != (teaching.base, teaching.finish):
        return note(
            "taught_other_base",
            f"this panel's base and finish are {artwork.base} and {artwork.finish}, taught were "
            f"{teaching.base} and {teaching.finish}.",
            "Use a teaching of such panels.",
        )
    signed = teaching.panels[0].artwork_sha256 if teaching.panels else ""
    if teaching.way == "signed_off" and signed != artwork.sha256:
        return note(
            "taught_other_artwork",
            "the signed-off panel shows another artwork.",
            "Use the signed-off panel of this run.",
        )
    if artwork.size_known:
        size, shape = against_plane(grid_of(difference), capture.plane)
        if abs(size) > max(limits.scale_pct.value / 100, 5 * capture.size_scatter):
            return note(
                "taught_camera_moved",
                f"the panel appears {100 * abs(size):.1f} % {'larger' if size > 0 else 'smaller'} "
                "than its size asks for; the camera moved, or the size is wrong.",
                f"Check the size, put the camera back, or: {_AGAIN}",
            )
        if shape > max(limits.shape_pct.value / 100, 5 * capture.shape_scatter):
            return note(
                "taught_camera_moved",
                "the panel's shape in the photo is another; the camera moved or leans otherwise.",
                f"Put the camera back, or: {_AGAIN}",
            )
    share = _covered(difference, capture.covered, (photo.width_px, photo.height_px))
    if share < limits.covered_share.value:
        return note(
            "taught_elsewhere",
            f"{100 * (1 - share):.0f} % of the panel lies where no taught panel lay.",
            "Lay the panel where the others lay, or teach with panels that lie there.",
        )
    ratio = _noise_ratio(noise_of(difference), capture.noise)
    most = limits.noise_ratio.value
    if ratio is not None and not 1 / most < ratio < most:
        return note(
            "taught_noise",
            f"the photo's noise is {ratio:.1f} times the taught; the camera's settings changed.",
            f"Set the camera as it was, or: {_AGAIN}",
        )
    return None


def _covered(difference: Difference, covered: F64, photo_px: tuple[int, int]) -> float:
    """Share of the panel that lies in, or beside, blocks of the photo where taught panels lay."""
    _, px = grid_of(difference)
    at = (px + 0.5) / np.array(photo_px, np.float64)
    padded = np.pad(covered > 0, 1)
    near = np.zeros_like(covered, bool)
    for down in range(3):
        for across in range(3):
            near |= padded[down : down + BENCH_ROWS, across : across + BENCH_COLUMNS]
    column = np.floor(at[:, 0] * BENCH_COLUMNS).astype(np.intp)
    row = np.floor(at[:, 1] * BENCH_ROWS).astype(np.intp)
    inside = (column >= 0) & (column < BENCH_COLUMNS) & (row >= 0) & (row < BENCH_ROWS)
    known = near[np.clip(row, 0, BENCH_ROWS - 1), np.clip(column, 0, BENCH_COLUMNS - 1)]
    return float((known & inside).mean())


def _noise_ratio(noise: F64, taught: F64) -> float | None:
    """Noise over the taught noise in the tone where it changed least; None where too few tell. A
    picture's own lines pass for noise in some tone, a camera's setting changes all of them."""
    both = np.isfinite(noise) & np.isfinite(taught) & (taught > 0)
    if both.sum() < _LEAST_TONES:
        return None
    ratio = np.log(noise[both] / taught[both])
    return float(np.exp(ratio[np.abs(ratio).argmin()]))
