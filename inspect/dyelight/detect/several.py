"""Several photos of one panel: a reflection moves, a defect stays.

Each photo is looked at by itself, and only a `Sight` of it is kept. What photos saw at one place is
one thing, measured by the photo that saw it best; what another photo plainly would have shown and
does not show was light or lay loose, and is dropped; what no other photo can judge stays, with the
doubts that one photo leaves. The panel's light differs from photo to photo, so a change of the
whole panel stays only where all of them see it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from ..look import Difference
from ..records import F64, Artwork, Candidate, Capture, NoPlacement, Photo, Placement
from .capture import (
    capture_facts,
    hidden_from_all,
    merged_capture,
    nothing_placed,
    photo_is_usable,
)
from .detection import Detection
from .forced import Layers, shown
from .same import without_doubles
from .shapes import is_mark

PHOTOS_SEEN = "photos_seen"

_SLACK_MM = 0.3
_UNCERTAINTIES = 3.0
_LEAST_IOU = 0.2
_LIKE_AREA = 4.0  # a mark in one photo may be a patch in another that is about as large
_VECTOR_MM, _VECTOR_SHARE = 0.3, 0.25
_DOUBLE_SNR = 12.0  # twice what a second image is reported from
_DOUBLE_PX = 4.0  # shift under which a second image passes for blur
_SAME_PLACE = 0.02  # of the photo's long side


@dataclass(frozen=True, slots=True)
class Sight:
    """What is kept of one placed photo.

    `view` (4, 2) are the panel's corners over the photo's long side, which tell where the photo was
    taken from. `layers` is None where no other photo asks.
    """

    photo: str
    candidates: tuple[Candidate, ...]
    capture: Capture
    panel_from_artwork: F64
    view: F64
    uncertainty_mm: float
    layers: Layers | None


@dataclass(frozen=True, slots=True)
class PanelSeen:
    """What all photos saw of the panel. `views` is from how many places they were taken."""

    capture: Capture
    candidates: tuple[Candidate, ...]
    usable: bool
    views: int


@dataclass(frozen=True, slots=True)
class _Member:
    """A candidate of one photo, in panel mm of the first one, and its SNR in photos that show it."""

    photo: int
    candidate: Candidate
    shown_in: dict[int, float]
    absent: bool = False


def sight(
    difference: Difference, seen: Detection, placement: Placement, photo: Photo, *, alone: bool
) -> Sight:
    """What merging needs of one photo; `alone` where it is the only one."""
    return Sight(
        photo=photo.file,
        candidates=seen.candidates,
        capture=capture_facts(difference, seen, placement, photo),
        panel_from_artwork=difference.panel_from_artwork,
        view=placement.corners_px / max(photo.width_px, photo.height_px),
        uncertainty_mm=placement.uncertainty_px / difference.photo.px_per_mm,
        layers=None if alone else Layers.of(difference),
    )


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
        return PanelSeen(
            only.capture,
            tuple(_counted(c, c.snr, 1) for c in only.candidates),
            photo_is_usable(only.capture),
            1,
        )
    moves = [_mover(one, sights[0]) for one in sights]
    views = _views(sights)
    members = [
        _Member(number, _moved(candidate, moves[number]), {})
        for number, one in enumerate(sights)
        for candidate in one.candidates
    ]
    found = [
        *_merged_doubles([m for m in members if m.candidate.family == "double"], sights, views),
        *_merged_borders([m for m in members if m.candidate.family == "border"], views),
        *_merged_whole([m for m in members if m.candidate.family == "panel"], views),
        *_merged_local([m for m in members if _is_local(m.candidate)], sights, views),
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
    return PanelSeen(
        capture, tuple(without_doubles(found)), photo_is_usable(capture), max(views) + 1
    )


def _none_placed(unplaced: Sequence[tuple[Photo, NoPlacement]]) -> PanelSeen:
    said = [nothing_placed(why, photo) for photo, why in unplaced]
    wrong = [n for n, (_, why) in enumerate(unplaced) if why.reason == "wrong_artwork"]
    capture, candidates, usable = said[wrong[0] if wrong else 0]
    if len(said) > 1:
        files = [photo.file for photo, _ in unplaced]
        captures = [one[0] for one in said]
        capture = merged_capture([], list(zip(files, captures, strict=True)), (), 0.0)
    return PanelSeen(capture, candidates, usable, 1)


def _views(sights: Sequence[Sight]) -> list[int]:
    """For each photo the number of the place that it was taken from, counted from 0."""
    first: list[F64] = []
    out = []
    for one in sights:
        near = [n for n, v in enumerate(first) if np.abs(one.view - v).max() < _SAME_PLACE]
        out.append(near[0] if near else len(first))
        if not near:
            first.append(one.view)
    return out


def _mover(one: Sight, reference: Sight) -> Callable[[F64], F64]:
    """From panel mm of one photo to those of another, by way of the picture that both show."""
    across = reference.panel_from_artwork @ np.linalg.inv(one.panel_from_artwork)
    return lambda mm: np.asarray(cv2.perspectiveTransform(mm.reshape(1, -1, 2), across)[0])


def _moved(candidate: Candidate, move: Callable[[F64], F64]) -> Candidate:
    # borders and the whole panel are measured from the outline, not from the picture
    if candidate.family == "border" or candidate.extent == "panel":
        return candidate
    x0, y0, x1, y1 = candidate.box_mm
    box = move(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
    low, high = box.min(0), box.max(0)
    x, y = move(np.array([candidate.center_mm]))[0]
    return replace(
        candidate,
        center_mm=(float(x), float(y)),
        box_mm=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        outline_mm=move(candidate.outline_mm),
    )


def _counted(candidate: Candidate, snr: float, photos_seen: int) -> Candidate:
    features = candidate.features | {"snr": snr, PHOTOS_SEEN: float(photos_seen)}
    return replace(candidate, snr=snr, features=features)


def _joined(best: _Member, others: dict[int, float], views: Sequence[int]) -> Candidate:
    """A candidate with what other photos add to its evidence: SNRs add in quadrature."""
    snr = float(np.sqrt(best.candidate.snr**2 + sum(value**2 for value in others.values())))
    return _counted(best.candidate, snr, len({views[n] for n in (best.photo, *others)}))


def _is_local(candidate: Candidate) -> bool:
    return is_mark(candidate) or candidate.family == "patch"


def _merged_local(
    members: Sequence[_Member], sights: Sequence[Sight], views: Sequence[int]
) -> list[Candidate]:
    """Marks and patches, each once."""
    judged = [_judged(member, sights, views) for member in members]
    count = len(judged)
    same = np.zeros((count, count), bool)
    for i in range(count):
        for j in range(i):
            a, b = judged[i], judged[j]
            if a.photo != b.photo:
                slack = _slack_mm(sights[a.photo], sights[b.photo])
                same[i, j] = same[j, i] = _one_thing(a.candidate, b.candidate, slack)
    out = []
    for group in _groups(same):
        alive = [i for i in group if not judged[i].absent]
        if not alive and len({views[judged[i].photo] for i in group}) > 1:
            # each says that the other is too weak: light on top of a defect, which is in both
            faintest = min(group, key=lambda i: abs(judged[i].candidate.delta_e00))
            alive = [i for i in group if judged[i].photo == judged[faintest].photo]
        if not alive:
            continue
        best = max(alive, key=lambda i: judged[i].candidate.snr)
        for i in alive:
            if judged[i].photo != judged[best].photo:
                continue
            others = dict(judged[i].shown_in)
            for j in group:
                if same[i, j]:
                    snr = judged[j].candidate.snr
                    others[judged[j].photo] = max(others.get(judged[j].photo, 0.0), snr)
            out.append(_joined(judged[i], others, views))
    return out


def _slack_mm(one: Sight, other: Sight) -> float:
    return _SLACK_MM + _UNCERTAINTIES * (one.uncertainty_mm + other.uncertainty_mm)


def _judged(member: _Member, sights: Sequence[Sight], views: Sequence[int]) -> _Member:
    """A mark or patch with the photos that show it too, and whether another one denies it."""
    own = sights[member.photo]
    back = np.linalg.inv(sights[0].panel_from_artwork)
    outline = member.candidate.outline_mm.reshape(1, -1, 2)
    in_artwork = np.asarray(cv2.perspectiveTransform(outline, back)[0], np.float64)
    shown_in: dict[int, float] = {}
    denied = False
    for number, other in enumerate(sights):
        if number == member.photo or own.layers is None or other.layers is None:
            continue
        slack = _slack_mm(own, other)
        word, snr = shown(member.candidate, own.layers, other.layers, in_artwork, slack)
        if word == "shown":
            shown_in[number] = snr
        denied |= word == "absent"
    elsewhere = any(views[number] != views[member.photo] for number in shown_in)
    return replace(member, shown_in=shown_in, absent=denied and not elsewhere)


def _one_thing(a: Candidate, b: Candidate, slack_mm: float) -> bool:
    """Whether marks or patches of two photos lie at one place and are of like sort."""
    if a.tone != b.tone:
        return False
    large, small = max(a.area_mm2, b.area_mm2), min(a.area_mm2, b.area_mm2)
    if is_mark(a) != is_mark(b) and large > _LIKE_AREA * small:
        return False
    return _inside(a, b, slack_mm) or _inside(b, a, slack_mm) or _iou(a, b) > _LEAST_IOU


def _inside(a: Candidate, b: Candidate, slack_mm: float) -> bool:
    (x, y), (x0, y0, x1, y1) = a.center_mm, b.box_mm
    return x0 - slack_mm <= x <= x1 + slack_mm and y0 - slack_mm <= y <= y1 + slack_mm


def _iou(a: Candidate, b: Candidate) -> float:
    """Intersection over union of two boxes."""
    one, other = np.array(a.box_mm), np.array(b.box_mm)
    sides = np.minimum(one[2:], other[2:]) - np.maximum(one[:2], other[:2])
    shared = float(np.maximum(sides, 0).prod())
    union = float((one[2:] - one[:2]).prod() + (other[2:] - other[:2]).prod()) - shared
    return shared / max(union, 1e-9)


def _groups(same: F64 | np.ndarray) -> list[list[int]]:
    """Members that hang together, each group in order."""
    left = list(range(len(same)))
    out = []
    while left:
        group, front = [], [left[0]]
        while front:
            i = front.pop()
            if i in group:
                continue
            group.append(i)
            front += [int(j) for j in np.flatnonzero(same[i])]
        left = [i for i in left if i not in group]
        out.append(sorted(group))
    return out


def _merged_doubles(
    members: Sequence[_Member], sights: Sequence[Sight], views: Sequence[int]
) -> list[Candidate]:
    """The second image that photos agree on, else the strongest that none of them denies."""
    seeing = {member.photo for member in members}
    for best in sorted(members, key=lambda one: -one.candidate.snr):
        others = {
            one.photo: one.candidate.snr
            for one in members
            if one.photo != best.photo and _same_shift(best.candidate, one.candidate)
        }
        agreed = any(views[number] != views[best.photo] for number in others)
        denied = any(
            number not in seeing and _would_show_double(best.candidate, sights[best.photo], other)
            for number, other in enumerate(sights)
        )
        if agreed or not denied:
            return [_joined(best, others, views)]
    return []


def _same_shift(a: Candidate, b: Candidate) -> bool:
    one, other = (np.array(c.vector_mm if c.vector_mm else (0.0, 0.0)) for c in (a, b))
    apart, length = float(np.linalg.norm(one - other)), float(np.linalg.norm(one))
    return apart < _VECTOR_MM + _VECTOR_SHARE * length


def _would_show_double(double: Candidate, own: Sight, other: Sight) -> bool:
    mine, theirs = own.capture.px_per_mm, other.capture.px_per_mm
    if not mine or not theirs:
        return False
    snr = double.snr * min(theirs / mine, 1.0) * (1 - other.capture.hidden_fraction)
    return snr > _DOUBLE_SNR and double.features["shift_mm"] * theirs > _DOUBLE_PX


def _merged_borders(members: Sequence[_Member], views: Sequence[int]) -> list[Candidate]:
    """Each side's strip, as the photo that saw it best measured it."""
    out = []
    left = sorted(members, key=lambda one: -one.candidate.snr)
    while left:
        best = left[0]
        like = [one for one in left if _same_side(best.candidate, one.candidate)]
        others = {one.photo: one.candidate.snr for one in like if one.photo != best.photo}
        out.append(_joined(best, others, views))
        left = [one for one in left if one not in like]
    return out


def _same_side(a: Candidate, b: Candidate) -> bool:
    """Whether two border strips run along one side and meet."""

    def lies(candidate: Candidate) -> bool:
        x0, y0, x1, y1 = candidate.box_mm
        return x1 - x0 > y1 - y0

    return lies(a) == lies(b) and _iou(a, b) > 0


def _merged_whole(members: Sequence[_Member], views: Sequence[int]) -> list[Candidate]:
    """Changes of the panel's colour, or of one zone, that every photo sees, as the mildest has it."""
    out = []
    for one in members:
        like = [m for m in members if m.photo != one.photo and _same_change(one, m)]
        seeing = {m.photo for m in like} | {one.photo}
        mildest = all(one.candidate.delta_e00 <= m.candidate.delta_e00 for m in like)
        if len(seeing) == len(views) and mildest:
            others = {m.photo: m.candidate.snr for m in like}
            out.append(_joined(one, others, views))
    return out


def _same_change(a: _Member, b: _Member) -> bool:
    one, other = a.candidate, b.candidate
    return (
        one.extent == other.extent
        and one.tone == other.tone
        and (one.extent == "panel" or _iou(one, other) > 0)
    )
