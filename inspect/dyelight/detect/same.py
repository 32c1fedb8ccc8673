"""Settle what several detectors saw of one and the same thing."""

from __future__ import annotations

from collections.abc import Sequence

from ..records import Candidate

_PAD_MM = 0.3


def without_doubles(found: Sequence[Candidate]) -> list[Candidate]:
    """The candidates with each thing kept once, by the detector that measures it best.

    A patch no larger than a few marks inside it is those marks, measured in the photo's own pixels;
    marks inside a larger patch are its mottle, unless they stand out of it by themselves.
    """
    patches = [c for c in found if c.family == "patch"]
    marks = [c for c in found if c.family in ("point", "line")]
    others = [c for c in found if c.family not in ("patch", "point", "line")]
    kept_marks = []
    dropped_patches: set[int] = set()
    for mark in marks:
        owner = None
        for index, patch in enumerate(patches):
            if not _inside(mark, patch):
                continue
            if patch.area_mm2 < 4 * max(mark.area_mm2, 0.3):
                dropped_patches.add(index)
            elif _peak(mark) < 1.8 * max(_peak(patch), 1.0):
                owner = index
        if owner is None or owner in dropped_patches:
            kept_marks.append(mark)
    kept_patches = [p for i, p in enumerate(patches) if i not in dropped_patches]
    return others + kept_patches + kept_marks


def _peak(candidate: Candidate) -> float:
    return candidate.features.get("peak_de00", candidate.delta_e00)


def _inside(mark: Candidate, patch: Candidate) -> bool:
    """Whether a mark's centre lies in the patch's box, widened a little."""
    x, y = mark.center_mm
    x0, y0, x1, y1 = patch.box_mm
    return x0 - _PAD_MM <= x <= x1 + _PAD_MM and y0 - _PAD_MM <= y <= y1 + _PAD_MM
