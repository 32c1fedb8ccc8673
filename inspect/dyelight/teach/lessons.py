"""Look at the photos that a camera is taught from, one by one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from ..detect import detect
from ..detect.taught import spoilt_by
from ..errors import SettingsError
from ..look import compare, look_beside
from ..placement import place
from ..records import F64, Artwork, NoPlacement, Photo
from .capture import Around, Grid, around_panel, grid_of, lens_of, noise_of
from .limits import teach_limits
from .record import TaughtPanel
from .samples import PanelSamples, sample_panel

_UNSURE_PX = 1.5
_LOCAL_SNR = 8.0
# what to do where there are too few
FEWER_WAYS = (
    "Add photos of good panels, or teach the light alone with --blank, or one panel's run with "
    "--signed-off."
)


@dataclass(frozen=True, slots=True)
class Lesson:
    """One good panel as it was looked at. `photo` is its photo's file as the user named it, which
    is told but not kept."""

    photo: str
    panel: TaughtPanel
    samples: PanelSamples
    around: Around
    grid: Grid
    noise: F64
    lens: tuple[float, float]
    photo_px: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one photo, named as the user named it: taken, or left out and why. `why` names
    no folder."""

    photo: str
    taken: bool
    why: str = ""


class TooFewPanels(SettingsError):
    """Too few panels are good enough to teach from; `outcomes` says what became of each."""

    def __init__(self, good: int, least: int, outcomes: Sequence[Outcome]) -> None:
        self.outcomes = tuple(outcomes)
        super().__init__(
            f"{good} good panel{'s are' if good != 1 else ' is'} too few to teach a camera from; "
            f"{least} are needed.",
            remedy=FEWER_WAYS,
        )


class UnfitReference(SettingsError):
    """Nothing can be learnt from the one signed-off panel."""

    def __init__(self, outcome: Outcome) -> None:
        super().__init__(
            f"nothing can be learnt from this signed-off panel. {outcome.why}",
            file=outcome.photo,
            remedy="Mend that and teach again, or choose another signed-off panel.",
        )


def lesson_of(photo: Photo, artwork: Artwork, *, seed: int = 0) -> Lesson | Outcome:
    """Look at one panel; an `Outcome` that says why where it teaches nothing."""
    limits = teach_limits()
    placed = place(photo, artwork)
    if isinstance(placed, NoPlacement):
        return Outcome(photo.file, False, f"{placed.text} {placed.remedy}")
    if placed.uncertainty_px > _UNSURE_PX:
        return Outcome(photo.file, False, "The picture could not be lined up closely enough.")
    difference = compare(photo, artwork, placed)
    seen = detect(difference, partial(look_beside, photo, artwork, placed))
    if any(c.family == "double" and c.snr > _LOCAL_SNR for c in seen.candidates):
        return Outcome(photo.file, False, "It shows a second image.")
    difference, placed = seen.beside or (difference, placed)
    spoilt = spoilt_by(difference, seen.candidates)
    inside = difference.panel.inside
    share = float((spoilt | difference.hidden)[inside].mean()) if inside.any() else 1.0
    if share > limits.spoilt_share.value:
        return Outcome(
            photo.file,
            False,
            f"{100 * share:.0f} % of it is hidden or spoilt by defects.",
        )
    size = (photo.width_px, photo.height_px)
    samples = sample_panel(difference, size, spoilt, seed=seed)
    if samples is None:
        return Outcome(photo.file, False, "Too little of it is flat enough to learn from.")
    return Lesson(
        photo.file,
        TaughtPanel(Path(photo.file).name, photo.sha256, artwork.sha256),
        samples,
        around_panel(photo.pixels, placed.corners_px),
        grid_of(difference),
        noise_of(difference),
        lens_of(placed),
        size,
    )
