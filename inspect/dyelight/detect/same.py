"""Settle what several detectors saw of one and the same thing."""

from __future__ import annotations

from collections.abc import Sequence

from ..records import Candidate
from .shapes import is_mark

_PAD_MM = 0.3
_NEAR_MM = 0.8
_SHARP = 1.8
_SOFT = 2.2
_WIDE_MM = 1.2
_SPECK_MM = 3.5
_THIN_MM = 0.8
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
        and other.features["peak_de00"] > _HALO * mark.features["peak_de00"]
        for other in marks
    )


def without_doubles(found: Sequence[Candidate]) -> list[Candidate]:
    """The candidates with each thing kept once, by the detector that measures it best.

    Marks inside a patch that do not stand alone are its mottle or its rim; so is a mark no stronger
    than the patch as a whole. The halo around a strong mark goes with the mark.
    """
    patches = [c for c in found if c.family == "patch"]
    marks = [c for c in found if is_mark(c)]
    alone = {id(mark) for mark in lone_marks(marks)}
    kept = []
    for candidate in found:
        if is_mark(candidate):
            if _large_and_soft(candidate):
                continue
            around = [p for p in patches if _inside(candidate, p)]
            if id(candidate) not in alone and around:
                continue
            if any(candidate.delta_e00 < 1.5 * p.delta_e00 for p in around):
                continue
            if _is_halo(candidate, marks):
                continue
        kept.append(candidate)
    return kept


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
    """Whether a mark's centre lies in the patch's box, widened a little."""
    x, y = mark.center_mm
    x0, y0, x1, y1 = patch.box_mm
    return x0 - _PAD_MM <= x <= x1 + _PAD_MM and y0 - _PAD_MM <= y <= y1 + _PAD_MM
