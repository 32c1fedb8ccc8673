"""Marks and patches of several photos of one panel, each once.

What photos saw at one place is one thing, measured by the photo that saw it best. What another
photo plainly would have shown and does not show is dropped, and so is what their joint evidence
would not have reported.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from ..records import Candidate, Mask
from .forced import Second, second_look
from .marks import HIGH_BAR as MARK_BAR
from .patches import HIGH_BAR as PATCH_BAR
from .shapes import boxes_iou, is_mark
from .sight import Member, Sight, joined

_EDGE_SHIFT = "edge_shift_px"
_SLACK_MM = 0.3
_UNCERTAINTIES = 3.0
_LEAST_IOU, _WIDE_IOU = 0.2, 0.5
_FAIR_PART = 0.25
_LIKE_AREA = 4.0  # a mark in one photo may be a patch in another that is about as large


@dataclass(frozen=True, slots=True)
class _Asked:
    """A candidate with what the other photos, by number, say of it."""

    member: Member
    seconds: dict[int, Second]

    @property
    def candidate(self) -> Candidate:
        return self.member.candidate

    @property
    def photo(self) -> int:
        return self.member.photo

    def joint_snr(self) -> float:
        """SNR with the other photos' evidence."""
        factor = float(np.prod([second.factor for second in self.seconds.values()]))
        return self.candidate.snr * factor

    def stands(self, partners: set[int], seen_from: Sequence[int]) -> bool:
        """Whether it stays; `partners` are the photos that saw as much there by themselves."""
        words = {number: second.word for number, second in self.seconds.items()}
        backed = [n for n in words if words[n] == "shown"]
        if any(seen_from[n] != seen_from[self.photo] for n in backed):
            return True
        if "absent" in words.values():
            return False
        if any(word == "unnoticed" and n not in partners for n, word in words.items()):
            return False
        bar = MARK_BAR if is_mark(self.candidate) else PATCH_BAR
        return bool(partners) or self.joint_snr() >= bar


def merged_local(
    members: Sequence[Member], sights: Sequence[Sight], seen_from: Sequence[int]
) -> list[Candidate]:
    """Marks and patches, each once, with joint SNR and `photos_seen`.

    `sights` are all photos, `seen_from` the numbers of the places that they were taken from.
    """
    asked = [_asked(member, sights) for member in members]
    same = _same_things(asked, sights)
    stands = [
        a.stands(_accounting(a, [asked[int(j)] for j in np.flatnonzero(row)]), seen_from)
        for a, row in zip(asked, same, strict=True)
    ]
    out = []
    for group in _groups(same):
        alive = [i for i in group if stands[i]]
        if not alive and len({seen_from[asked[i].photo] for i in group}) > 1:
            # each photo holds less than half of what the other saw: light lies on top of a defect
            faintest = min(group, key=lambda i: asked[i].candidate.delta_e00)
            alive = [i for i in group if asked[i].photo == asked[faintest].photo]
        if not alive:
            continue
        best = max(alive, key=lambda i: asked[i].candidate.snr)
        for i in alive:
            if asked[i].photo == asked[best].photo:
                beside = [asked[int(j)] for j in np.flatnonzero(same[i])]
                out.append(_joined(asked[i], beside, seen_from))
    return out


def _accounting(one: _Asked, partners: Sequence[_Asked]) -> set[int]:
    """The photos that saw there, by themselves, a fair part of what this one saw."""
    seen: dict[int, float] = {}
    for partner in partners:
        strength = partner.candidate.delta_e00 * partner.candidate.area_mm2
        seen[partner.photo] = seen.get(partner.photo, 0.0) + strength
    least = _FAIR_PART * one.candidate.delta_e00 * one.candidate.area_mm2
    return {number for number, strength in seen.items() if strength >= least}


def _joined(one: _Asked, partners: Sequence[_Asked], seen_from: Sequence[int]) -> Candidate:
    snr = one.candidate.snr
    others = {
        number: snr * float(np.sqrt(max(second.factor**2 - 1, 0.0)))
        for number, second in one.seconds.items()
        if second.word == "shown"
    }
    # what a photo's own detector says of it goes before what was measured for another
    others |= {
        partner.photo: max(p.candidate.snr for p in partners if p.photo == partner.photo)
        for partner in partners
    }
    # an edge out of place looks so in both photos: the clearer word against it counts
    shifts = [p.candidate.features.get(_EDGE_SHIFT) for p in (one, *partners)]
    known = [shift for shift in shifts if shift is not None]
    features = one.candidate.features | ({_EDGE_SHIFT: max(known)} if known else {})
    best = replace(one.member, candidate=replace(one.candidate, features=features))
    return joined(best, others, seen_from)


def _slack_mm(one: Sight, other: Sight) -> float:
    """How far apart one place may come out in two photos."""
    return _SLACK_MM + _UNCERTAINTIES * (one.uncertainty_mm + other.uncertainty_mm)


def _asked(member: Member, sights: Sequence[Sight]) -> _Asked:
    own = sights[member.photo]
    back = np.linalg.inv(sights[0].panel_from_artwork)
    outline = member.candidate.outline_mm.reshape(1, -1, 2)
    in_artwork = np.asarray(cv2.perspectiveTransform(outline, back)[0], np.float64)
    seconds = {}
    for number, other in enumerate(sights):
        if number != member.photo and own.layers is not None and other.layers is not None:
            slack = _slack_mm(own, other)
            seconds[number] = second_look(
                member.candidate, own.layers, other.layers, in_artwork, slack
            )
    return _Asked(member, seconds)


def _same_things(asked: Sequence[_Asked], sights: Sequence[Sight]) -> Mask:
    """Which candidates (N, N) of different photos are one thing."""
    same = np.zeros((len(asked), len(asked)), bool)
    for i, a in enumerate(asked):
        for j, b in enumerate(asked[:i]):
            if a.photo != b.photo:
                slack = _slack_mm(sights[a.photo], sights[b.photo])
                layers = sights[a.photo].layers
                wide = layers is not None and (layers.wide(a.candidate) or layers.wide(b.candidate))
                one = _one_thing(a.candidate, b.candidate, slack, wide=wide)
                same[i, j] = same[j, i] = one
    return same


def _one_thing(a: Candidate, b: Candidate, slack_mm: float, *, wide: bool) -> bool:
    """Whether marks or patches of two photos lie at one place and are of like sort.

    `wide` ones, which may be light, must cover the same part of the panel.
    """
    if a.tone != b.tone:
        return False
    if wide:
        return boxes_iou(a, b) > _WIDE_IOU
    large, small = max(a.area_mm2, b.area_mm2), min(a.area_mm2, b.area_mm2)
    if is_mark(a) != is_mark(b) and large > _LIKE_AREA * small:
        return False
    return _inside(a, b, slack_mm) or _inside(b, a, slack_mm) or boxes_iou(a, b) > _LEAST_IOU


def _inside(a: Candidate, b: Candidate, slack_mm: float) -> bool:
    """Whether the centre of `a` lies in the box of `b`."""
    (x, y), (x0, y0, x1, y1) = a.center_mm, b.box_mm
    return x0 - slack_mm <= x <= x1 + slack_mm and y0 - slack_mm <= y <= y1 + slack_mm


def _groups(same: Mask) -> list[list[int]]:
    """Candidates that hang together, each group in order."""
    left = list(range(len(same)))
    out = []
    while left:
        group: set[int] = set()
        front = [left[0]]
        while front:
            i = front.pop()
            if i not in group:
                group.add(i)
                front += [int(j) for j in np.flatnonzero(same[i])]
        left = [i for i in left if i not in group]
        out.append(sorted(group))
    return out
