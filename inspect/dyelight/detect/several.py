"""Several photos of one panel: a reflection moves, a defect stays.

Each photo is looked at by itself, and only a `Sight` of it is kept; here they are merged. Second
images and borders stay as the photo has them that saw them best. The panel's light differs from
photo to photo, so a change of the whole panel stays only where all of them see it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..records import Artwork, Candidate, Capture, NoPlacement, Note, Photo
from .capture import hidden_from_all, merged_capture, nothing_placed, photo_is_usable
from .same import without_doubles
from .several_local import merged_local
from .shapes import boxes_iou, is_mark
from .sight import Member, Sight, counted, joined, moved, mover, views

_VECTOR_MM, _VECTOR_SHARE = 0.3, 0.25
_DOUBLE_SNR = 12.0  # twice what a second image is reported from
_DOUBLE_PX = 4.0  # shift under which a second image passes for blur


@dataclass(frozen=True, slots=True)
class PanelSeen:
    """What all photos saw of the panel. `views` is from how many places they were taken."""

    capture: Capture
    candidates: tuple[Candidate, ...]
    usable: bool
    views: int


def merged(
    sights: Sequence[Sight], unplaced: Sequence[tuple[Photo, NoPlacement]], artwork: Artwork
) -> PanelSeen:
    """What the placed photos saw together; what became of the others stands in notes.

    Places are in panel mm of the first placed photo. Every candidate's feature `photos_seen` counts
    the places that it was seen from. Where no photo was placed, one of another picture decides
    before one that merely could not be placed.
    """
    if not sights:
        return _none_placed(unplaced)
    if len(sights) == 1 and not unplaced:
        only = sights[0]
        candidates = tuple(counted(c, c.snr, 1) for c in only.candidates)
        return PanelSeen(only.capture, candidates, photo_is_usable(only.capture), 1)
    moves = [mover(one, sights[0]) for one in sights]
    members = [
        Member(number, moved(candidate, moves[number]))
        for number, one in enumerate(sights)
        for candidate in one.candidates
    ]
    seen_from = views(sights)
    # what a taught camera judged, photos that do not fit its teaching have no say in
    taught = sum(one.taught for one in sights)
    found = [
        *_doubles([m for m in members if m.candidate.family == "double"], sights, seen_from),
        *_borders([m for m in members if m.candidate.family == "border"], seen_from),
        *_whole([m for m in members if m.candidate.family == "panel"], seen_from, len(sights)),
        *_whole([m for m in members if m.candidate.family == "taught"], seen_from, taught),
        *merged_local([m for m in members if _is_local(m.candidate)], sights, seen_from),
    ]
    polygons = [
        [move(polygon) for polygon in one.capture.hidden_mm]
        for one, move in zip(sights, moves, strict=True)
    ]
    capture = merged_capture(
        [(one.photo, one.capture) for one in sights],
        [(photo.file, nothing_placed(why, photo)[0]) for photo, why in unplaced],
        *hidden_from_all(polygons, artwork),
    )
    capture = replace(capture, notes=(*capture.notes, *_same_place(sights, seen_from)))
    usable = photo_is_usable(capture)
    return PanelSeen(capture, tuple(without_doubles(found)), usable, len(set(seen_from)))


def _none_placed(unplaced: Sequence[tuple[Photo, NoPlacement]]) -> PanelSeen:
    said = [nothing_placed(why, photo) for photo, why in unplaced]
    wrong = [n for n, (_, why) in enumerate(unplaced) if why.reason == "wrong_artwork"]
    capture, candidates, usable = said[wrong[0] if wrong else 0]
    if len(said) > 1:
        files = [photo.file for photo, _ in unplaced]
        captures = [one[0] for one in said]
        capture = merged_capture([], list(zip(files, captures, strict=True)), (), 0.0)
    return PanelSeen(capture, candidates, usable, 1)


def _same_place(sights: Sequence[Sight], seen_from: Sequence[int]) -> list[Note]:
    return [
        Note(
            "same_place",
            f"{one.photo} was taken from the same place as "
            f"{sights[list(seen_from).index(place)].photo}, where a reflection stays as it is. "
            "Take one from another place.",
        )
        for number, (one, place) in enumerate(zip(sights, seen_from, strict=True))
        if place in seen_from[:number]
    ]


def _is_local(candidate: Candidate) -> bool:
    return is_mark(candidate) or candidate.family in ("patch", "chip")


def _doubles(
    members: Sequence[Member], sights: Sequence[Sight], seen_from: Sequence[int]
) -> list[Candidate]:
    """The second image that photos agree on, else the strongest that none of them denies."""
    seeing = {member.photo for member in members}
    for best in sorted(members, key=lambda one: -one.candidate.snr):
        others = {
            one.photo: one.candidate.snr
            for one in members
            if one.photo != best.photo and _same_shift(best.candidate, one.candidate)
        }
        agreed = any(seen_from[number] != seen_from[best.photo] for number in others)
        denied = any(
            number not in seeing and _would_show(best.candidate, sights[best.photo], other)
            for number, other in enumerate(sights)
        )
        if agreed or not denied:
            return [joined(best, others, seen_from)]
    return []


def _same_shift(a: Candidate, b: Candidate) -> bool:
    one, other = (np.array(c.vector_mm or (0.0, 0.0)) for c in (a, b))
    apart, length = float(np.linalg.norm(one - other)), float(np.linalg.norm(one))
    return apart < _VECTOR_MM + _VECTOR_SHARE * length


def _would_show(double: Candidate, own: Sight, other: Sight) -> bool:
    """Whether another photo plainly would have shown a second image."""
    mine, theirs = own.capture.px_per_mm, other.capture.px_per_mm
    if not mine or not theirs:
        return False
    snr = double.snr * min(theirs / mine, 1.0) * (1 - other.capture.hidden_fraction)
    return snr > _DOUBLE_SNR and double.features["shift_mm"] * theirs > _DOUBLE_PX


def _borders(members: Sequence[Member], seen_from: Sequence[int]) -> list[Candidate]:
    """Each side's strip, as the photo that saw it best measured it."""
    out = []
    left = sorted(members, key=lambda one: -one.candidate.snr)
    while left:
        best = left[0]
        like = [one for one in left if one is best or _same_strip(best.candidate, one.candidate)]
        others = {one.photo: one.candidate.snr for one in like if one.photo != best.photo}
        out.append(joined(best, others, seen_from))
        left = [one for one in left if one not in like]
    return out


def _same_strip(a: Candidate, b: Candidate) -> bool:
    """Whether two border strips run along one side and meet."""
    across = [c.box_mm[2] - c.box_mm[0] > c.box_mm[3] - c.box_mm[1] for c in (a, b)]
    return across[0] == across[1] and boxes_iou(a, b) > 0


def _whole(members: Sequence[Member], seen_from: Sequence[int], asked: int) -> list[Candidate]:
    """Changes of the panel's or a zone's colour that all `asked` photos see, as the mildest has
    them."""
    out: list[Candidate] = []
    taken: list[Candidate] = []
    for one in sorted(members, key=lambda one: one.candidate.delta_e00):
        like = [m for m in members if m.photo != one.photo and _same_change(one, m)]
        seeing = {m.photo for m in like} | {one.photo}
        if len(seeing) == asked and not any(one.candidate is c for c in taken):
            out.append(joined(one, {m.photo: m.candidate.snr for m in like}, seen_from))
            taken += [m.candidate for m in like]
    return out


def _same_change(a: Member, b: Member) -> bool:
    one, other = a.candidate, b.candidate
    return (
        one.extent == other.extent
        and one.tone == other.tone
        and (one.extent == "panel" or boxes_iou(one, other) > 0)
    )
