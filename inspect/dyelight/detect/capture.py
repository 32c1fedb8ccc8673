"""What this photo can carry, in the words and figures of the result."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from ..look import Difference
from ..records import (
    F64,
    Artwork,
    Candidate,
    Capture,
    Mask,
    NoPlacement,
    Note,
    Photo,
    Placement,
)
from .detection import Detection

_RETAKE_HIDDEN = 0.5
_RETAKE_SPECK_MM = 1.5
_HINT_HIDDEN = 0.03
_HINT_SPECK_MM = 0.5
_HIDDEN, _SMALL = "hidden", "small_marks_unseen"
_GRID_PX_PER_MM, _GRID_PX = 4.0, 1000  # fineness of the grid that hidden areas are compared on


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
    notes += _sight_notes(seen.hidden_fraction, seen.smallest_speck_mm)
    return Capture(
        px_per_mm=frame.px_per_mm / frame.scale,
        blur_px=frame.blur_px / frame.scale,
        hidden_fraction=seen.hidden_fraction,
        hidden_mm=seen.hidden_mm,
        smallest_speck_mm=seen.smallest_speck_mm,
        faintest_spot_de00=seen.faintest_spot_de00,
        notes=tuple(notes),
    )


def _sight_notes(hidden_fraction: float, smallest_speck_mm: float | None) -> list[Note]:
    """What to do about a panel that was not seen whole, or not finely enough."""
    notes = []
    if hidden_fraction > _HINT_HIDDEN:
        notes.append(
            Note(
                _HIDDEN,
                "Part of the panel is hidden by reflections or cut off. Turn the light or the "
                "panel and take another photo.",
            )
        )
    if smallest_speck_mm is None or smallest_speck_mm > _HINT_SPECK_MM:
        notes.append(
            Note(
                _SMALL,
                "Specks under half a millimetre may go unseen. Go closer or use a sharper photo.",
            )
        )
    return notes


def merged_capture(
    placed: Sequence[tuple[str, Capture]],
    unplaced: Sequence[tuple[str, Capture]],
    hidden_mm: tuple[F64, ...],
    hidden_fraction: float,
) -> Capture:
    """What several photos, each with its file's name, can carry together.

    Resolution and blur are those of the photo that shows the smallest specks. Notes name the photos
    that they concern; what was hidden or unseen is said of all photos together.
    """
    about: dict[Note, list[str]] = {}
    for file, capture in (*placed, *unplaced):
        for note in capture.notes:
            if note.code not in (_HIDDEN, _SMALL):
                about.setdefault(note, []).append(file)
    notes = [Note(note.code, f"{', '.join(files)}: {note.text}") for note, files in about.items()]
    if not placed:
        return Capture(None, None, 0.0, (), None, None, tuple(notes))
    captures = [capture for _, capture in placed]
    best = min(captures, key=lambda one: one.smallest_speck_mm or np.inf)
    spots = [one.faintest_spot_de00 for one in captures if one.faintest_spot_de00 is not None]
    return Capture(
        px_per_mm=best.px_per_mm,
        blur_px=best.blur_px,
        hidden_fraction=hidden_fraction,
        hidden_mm=hidden_mm,
        smallest_speck_mm=best.smallest_speck_mm,
        faintest_spot_de00=min(spots) if spots else None,
        notes=(*notes, *_sight_notes(hidden_fraction, best.smallest_speck_mm)),
    )


def hidden_from_all(
    polygons_mm: Sequence[Sequence[F64]], artwork: Artwork
) -> tuple[tuple[F64, ...], float]:
    """What no photo shows: outlines (N, 2) in panel mm and their share of the metal.

    `polygons_mm` holds each photo's hidden areas, in panel mm.
    """
    scale = min(_GRID_PX_PER_MM, _GRID_PX / max(artwork.width_mm, artwork.height_mm))
    size = (max(1, round(artwork.width_mm * scale)), max(1, round(artwork.height_mm * scale)))
    hidden: Mask = np.ones((size[1], size[0]), bool)
    for polygons in polygons_mm:
        one = np.zeros(hidden.shape, np.uint8)
        for polygon in polygons:
            # one at a time: polygons of one call cut holes into each other where they overlap
            cv2.fillPoly(one, [np.rint(polygon * scale - 0.5).astype(np.int32)], 1)
        hidden &= one > 0
    metal = _metal(artwork, size)
    hidden &= metal
    contours, _ = cv2.findContours(
        hidden.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE
    )
    outlines = tuple(
        (contour.reshape(-1, 2).astype(np.float64) + 0.5) / scale
        for contour in contours
        if len(contour) >= 3
    )
    return outlines, float(hidden.sum()) / max(float(metal.sum()), 1.0)


def _metal(artwork: Artwork, size: tuple[int, int]) -> Mask:
    """Where there is metal on a grid over the trimmed panel, `size` (width, height)."""
    if artwork.alpha is None:
        return np.ones((size[1], size[0]), bool)
    height, width = artwork.alpha.shape
    x, y = (round(artwork.bleed_mm * scale) for scale in artwork.px_per_mm)
    trimmed = np.ascontiguousarray(artwork.alpha[y : height - y, x : width - x])
    return np.asarray(cv2.resize(trimmed, size, interpolation=cv2.INTER_NEAREST) >= 128)


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
