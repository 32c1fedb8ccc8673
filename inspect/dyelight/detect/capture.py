"""What this photo can carry, in the words and figures of the result."""

from __future__ import annotations

import numpy as np

from ..look import Difference
from ..records import Candidate, Capture, NoPlacement, Note, Photo, Placement
from .detection import Detection

_RETAKE_HIDDEN = 0.5
_RETAKE_SPECK_MM = 1.5
_HINT_HIDDEN = 0.03
_HINT_SPECK_MM = 0.5


def capture_facts(
    difference: Difference, seen: Detection, placement: Placement, photo: Photo
) -> Capture:
    """Resolution, blur, hidden share and limits of sight of a placed photo, with its notes."""
    notes = [*photo.notes, *difference.artwork.notes, *placement.notes]
    frame = difference.photo
    if not placement.outline_seen:
        notes.append(
            Note(
                "outline_unseen",
                "The panel's outline could not be seen; its edges are taken from the picture.",
            )
        )
    if placement.mirrored:
        notes.append(
            Note(
                "mirrored",
                "The photo shows the file mirrored. That is right for a file mirrored for "
                "printing; else the panel reads backwards.",
            )
        )
    if seen.hidden_fraction > _HINT_HIDDEN:
        notes.append(
            Note(
                "hidden",
                "Part of the panel is hidden by reflections or cut off. Turn the light or the "
                "panel and take a second photo.",
            )
        )
    if seen.smallest_speck_mm is None or seen.smallest_speck_mm > _HINT_SPECK_MM:
        notes.append(
            Note(
                "small_marks_unseen",
                "Specks under half a millimetre may go unseen. Go closer or use a sharper photo.",
            )
        )
    return Capture(
        px_per_mm=frame.px_per_mm,
        blur_px=frame.blur_px,
        hidden_fraction=seen.hidden_fraction,
        hidden_mm=seen.hidden_mm,
        smallest_speck_mm=seen.smallest_speck_mm,
        faintest_spot_de00=seen.faintest_spot_de00,
        notes=tuple(notes),
    )


def photo_is_usable(capture: Capture) -> bool:
    """Whether the photo can carry a verdict at all."""
    return (
        capture.hidden_fraction <= _RETAKE_HIDDEN
        and capture.smallest_speck_mm is not None
        and capture.smallest_speck_mm <= _RETAKE_SPECK_MM
    )


def nothing_placed(why: NoPlacement, photo: Photo) -> tuple[Capture, tuple[Candidate, ...], bool]:
    """Capture, candidates and usability where the picture was not found in the photo."""
    notes = (*photo.notes, Note(why.reason, f"{why.text} {why.remedy}"))
    capture = Capture(None, None, 0.0, (), None, None, notes)
    if why.reason != "wrong_artwork":
        return capture, (), False
    other = Candidate(
        family="panel",
        center_mm=(0.0, 0.0),
        box_mm=(0.0, 0.0, 0.0, 0.0),
        outline_mm=np.zeros((0, 2)),
        area_mm2=0.0,
        delta_e00=0.0,
        snr=20.0,
        tone="mixed",
        features={"artwork_match": 0.0},
        extent="panel",
    )
    return capture, (other,), True
