"""Settle what several detectors saw of one and the same thing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from ..records import Candidate
from .shapes import boxes_iou, is_mark

_PAD_MM, _PAD_SHARE = 0.3, 0.1  # a rim's marks lie beside the outline
_NEAR_MM = 0.8
_SHARP = 1.8
_SOFT = 2.2
_WIDE_MM = 1.2
_LINE, _LINE_AS_PATCH = 8.0, 4.5  # length over width; the squared-up panel widens what is thin
_ITSELF = 0.5  # of the boxes around both
_SPECK_MM = 3.5
_THIN_MM = 0.8
_FAR_SMALLER, _FAR_STRONGER = 0.05, 2.0
_FAR_LONGER = 4.0  # than the bite that a line's end makes of the edge
_FLANKS = 0.25  # the weaker flank of a dent over the stronger
_ROUNDED = 2.0  # a dimple has no border
_HALO = 0.3  # a camera's sharpening leaves a halo this strong at most


def lone_marks(marks: Sequence[Candidate]) -> list[Candidate]:
    """Marks that are small, as sharp as the photo allows, and not part of a group.

    A group is the mottle of a soft patch or the rim of a lifted one. The faint halo of opposite
    sign that sharpening draws around a mark is no company.
    """
    return [mark for mark in marks if _small_and_sharp(mark) and not _has_company(mark, marks)]


def _small_and_sharp(mark: Candidate) -> bool:
    small = mark.features["eq_diameter_mm"] < _SPECK_MM or mark.features["width_mm"] < _THIN_MM
    return small and mark.features["edge_blur_ratio"] < _SHARP


def _has_company(mark: Candidate, marks: Sequence[Candidate]) -> bool:
    return any(
        other is not mark
        and _boxes_meet(mark, other, _NEAR_MM)
        and not _is_the_same(mark, other)
        and other.features["peak_de00"] > _HALO * mark.features["peak_de00"]
        for other in marks
    )


def _is_the_same(a: Candidate, b: Candidate) -> bool:
    """Whether two filters saw one mark."""
    return a.tone == b.tone and boxes_iou(a, b) > _ITSELF


def without_doubles(found: Sequence[Candidate]) -> list[Candidate]:
    """The candidates with each thing kept once, by the detector that measures it best; but a line
    that a patch shows too is kept as both, since only its name tells which measures it better.

    Marks inside a patch that do not stand alone are its mottle or its rim; so is a mark no stronger
    than the patch as a whole, unless it is a lone sharp speck in a far wider one, as glare is, or a
    lone dark one in a light patch. The halo around a strong mark goes with the mark, and where a
    line runs over the edge of the panel goes with the line.
    """
    patches = [c for c in found if c.family == "patch"]
    marks = [c for c in found if is_mark(c)]
    alone = {id(mark) for mark in lone_marks(marks)}
    kept = []
    for candidate in found:
        if is_mark(candidate):
            if _large_and_soft(candidate):
                continue
            around = [p for p in patches if _inside(candidate, p) and not _one_line(candidate, p)]
            parts_of = [p for p in around if _may_be_part(candidate, p)]
            if id(candidate) in alone:
                around = [p for p in parts_of if p.tone in (candidate.tone, "mixed")]
            elif parts_of:
                continue
            if any(candidate.delta_e00 < 1.5 * p.delta_e00 for p in around):
                continue
            if _is_halo(candidate, marks):
                continue
        if candidate.family == "chip" and any(_runs_on(candidate, other) for other in found):
            continue
        kept.append(candidate)
    return kept


def _runs_on(chip: Candidate, other: Candidate) -> bool:
    """Whether a bite of the edge is the end of a line that runs on over the panel."""
    drawn_out = is_mark(other) and other.features["elongation"] > _LINE
    drawn_out |= other.family == "patch" and other.features["elongation"] > _LINE_AS_PATCH
    if not drawn_out or other.tone != chip.tone or not _boxes_meet(chip, other, _NEAR_MM):
        return False
    x0, y0, x1, y1 = chip.box_mm
    return other.features["length_mm"] > _FAR_LONGER * max(x1 - x0, y1 - y0)


def with_dents_whole(found: Sequence[Candidate]) -> list[Candidate]:
    """The candidates with the two flanks of a dimple, one lit and one dark, as one.

    The stronger flank stands for both, in the box around both.
    """
    flanks = [
        c
        for c in found
        if c.family == "patch"
        and c.features.get("opposite_lobe", 0.0) >= _FLANKS
        and c.features.get("edge_blur_ratio", 0.0) >= _ROUNDED
    ]
    flanks.sort(key=lambda c: -c.snr)
    gone: set[int] = set()
    whole: dict[int, Candidate] = {}
    for i, one in enumerate(flanks):
        if id(one) in gone:
            continue
        for other in flanks[i + 1 :]:
            if id(other) in gone or other.tone == one.tone or not _boxes_meet(one, other, _NEAR_MM):
                continue
            gone.add(id(other))
            whole[id(one)] = around_both(one, other)
            break
    return [whole.get(id(c), c) for c in found if id(c) not in gone]


def around_both(one: Candidate, other: Candidate) -> Candidate:
    """The first candidate, standing for both in the box around them."""
    a, b = one.box_mm, other.box_mm
    box = (min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3]))
    area = one.area_mm2 + other.area_mm2
    return replace(
        one,
        box_mm=box,
        center_mm=((box[0] + box[2]) / 2, (box[1] + box[3]) / 2),
        area_mm2=area,
        tone="mixed",
        features=one.features | {"area_mm2": area},
    )


def _may_be_part(mark: Candidate, patch: Candidate) -> bool:
    """Whether a mark may be a patch's mottle or rim, or print that ran in it.

    Not where it is far stronger than the patch, nor where it is sharp and small beside it.
    """
    if "washed_out" in patch.features:
        return True
    if mark.delta_e00 > _FAR_STRONGER * patch.delta_e00:
        return False
    small = mark.features["eq_diameter_mm"] < _FAR_SMALLER * patch.features["eq_diameter_mm"]
    return not (small and _small_and_sharp(mark))


def _one_line(mark: Candidate, patch: Candidate) -> bool:
    """Whether mark and patch are both a line: the photo's own pixels measure that better."""
    drawn_out = patch.features["elongation"] > _LINE_AS_PATCH
    return mark.features["elongation"] > _LINE and drawn_out


def _large_and_soft(mark: Candidate) -> bool:
    """Whether a mark is wide and fades out: the patches answer for such things."""
    return mark.features["edge_blur_ratio"] > _SOFT and mark.features["eq_diameter_mm"] > _WIDE_MM


def _is_halo(mark: Candidate, marks: Sequence[Candidate]) -> bool:
    return any(
        other.tone != mark.tone
        and _boxes_meet(mark, other, _NEAR_MM)
        and mark.features["peak_de00"] <= _HALO * other.features["peak_de00"]
        for other in marks
    )


def _boxes_meet(a: Candidate, b: Candidate, pad_mm: float) -> bool:
    ax0, ay0, ax1, ay1 = a.box_mm
    bx0, by0, bx1, by1 = b.box_mm
    return ax0 - pad_mm < bx1 and bx0 - pad_mm < ax1 and ay0 - pad_mm < by1 and by0 - pad_mm < ay1


def _inside(mark: Candidate, patch: Candidate) -> bool:
    """Whether a mark's centre lies within a patch's outline, or just beside it."""
    outline = patch.outline_mm.astype(np.float32).reshape(-1, 1, 2)
    beside_mm = _PAD_MM + _PAD_SHARE * patch.features["eq_diameter_mm"]
    return cv2.pointPolygonTest(outline, mark.center_mm, True) >= -beside_mm
