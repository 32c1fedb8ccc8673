"""Which finding speaks of which planted defect.

The rule, in panel mm (artwork mm where the panel's outline was not seen):

- ghosting and off_colour cover the panel and match by kind alone. streaks cover it too, and match
  findings of a line kind (streaks, crease_line, fibre, scratch).
- Another planted defect matches a finding when the finding's centre lies in its box grown by 1 mm,
  or its centre in the finding's box grown by 1 mm, or the grown boxes overlap by a fifth of their
  union; and neither grown box is more than a hundred times the other.
- A long scratch or crease also asks that the finding's centre lies within 1 mm plus a tenth of
  its length of its line, since its box holds much that it never touches.

A planted defect is found when any finding matches it, and rightly named when the matching finding
with the greatest overlap bears its kind. A finding that matches nothing planted is false. Matches
of planted defects that nobody could see (mean dE00 of at most 1, or more than half hidden) are
neither false nor right. Further findings on the same defect are counted as right.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from dyelight.records import F64, Kind, Mask
from dyelight.simulate import DefectTruth, PlantedDefect, Truth, ghost_shift_mm

Visibility = Literal["visible", "faint", "below", "hidden"]

TOLERANCE_MM = 1.0
WIDE_KINDS: tuple[Kind, ...] = ("ghosting", "off_colour", "streaks")
_LINE_KINDS: tuple[Kind, ...] = ("streaks", "crease_line", "fibre", "scratch")
_LEAST_IOU = 0.2
_MOST_RATIO = 100.0


@dataclass(frozen=True, slots=True)
class Planted:
    """A planted defect as matching needs it. `line_mm` (2, 2) are the ends of a long line."""

    kind: Kind
    center_mm: F64
    box_mm: F64
    line_mm: F64 | None
    visibility: Visibility
    delta_e00: float
    snr_ideal: float
    shift_mm: tuple[float, float] | None

    @property
    def counts(self) -> bool:
        """Whether it can be asked for: neither hidden nor under what anybody sees."""
        return self.visibility in ("visible", "faint")


def planted_of(
    truth: Truth,
    defects: Sequence[PlantedDefect],
    size_mm: tuple[float, float],
    *,
    from_outline: bool,
) -> tuple[Planted, ...]:
    """The planted defects, measured from the panel's outline or from the picture.

    A ghost's shift is the mean over the panel of its own shift, which varies for all but a slip.
    """
    return tuple(
        _planted(seen, defect, size_mm, from_outline)
        for seen, defect in zip(truth.defects, defects, strict=True)
    )


def _planted(
    seen: DefectTruth, defect: PlantedDefect, size_mm: tuple[float, float], from_outline: bool
) -> Planted:
    center = np.array(seen.center_panel_mm if from_outline else seen.center_mm)
    box = np.array(seen.box_panel_mm if from_outline else seen.box_mm)
    line = None
    if defect.kind in ("scratch", "crease_line"):
        turn = np.deg2rad(defect.angle_deg)
        half = np.array([np.cos(turn), np.sin(turn)]) * defect.diameter_mm / 2
        middle = np.array(defect.center_mm) + center - np.array(seen.center_panel_mm)
        line = np.stack([middle - half, middle + half])
    shift = None
    if defect.kind == "ghosting":
        x, y = (np.linspace(0, side, 9).astype(np.float32) for side in size_mm)
        dx, dy = ghost_shift_mm(defect, x, y, *size_mm)
        shift = (float(dx.mean()), float(dy.mean()))
    return Planted(
        seen.kind,
        center,
        box,
        line,
        _visibility(seen),
        seen.delta_e00,
        seen.snr_ideal,
        shift,
    )


def _visibility(seen: DefectTruth) -> Visibility:
    if seen.area_mm2 <= 0 or seen.visible is None:
        return "below"
    if seen.hidden_fraction > 0.5:
        return "hidden"
    return "visible" if seen.visible else "faint"


def overlap(boxes_mm: F64, planted: Planted) -> F64:
    """Intersection over union (N,) of boxes (N, 4) and the planted one, all grown by 1 mm."""
    mine = _grown(boxes_mm)
    theirs = _grown(planted.box_mm[None])[0]
    both = np.maximum(np.minimum(mine[:, 2:], theirs[2:]) - np.maximum(mine[:, :2], theirs[:2]), 0)
    shared = both.prod(axis=1)
    union = _area(mine) + _area(theirs[None]) - shared
    return np.asarray(shared / union, np.float64)


def matches(boxes_mm: F64, kinds: Sequence[Kind], planted: Planted) -> Mask:
    """Which boxes (N, 4) of findings of these kinds speak of the planted defect: (N,) bool."""
    if planted.kind in WIDE_KINDS:
        accepted = _LINE_KINDS if planted.kind == "streaks" else (planted.kind,)
        return np.array([kind in accepted for kind in kinds], np.bool_)
    return touches(boxes_mm, planted)


def touches(boxes_mm: F64, planted: Planted) -> Mask:
    """Which boxes (N, 4) lie where a local planted defect lies: (N,) bool."""
    mine = _grown(boxes_mm)
    theirs = _grown(planted.box_mm[None])
    centers = (boxes_mm[:, :2] + boxes_mm[:, 2:]) / 2
    there = _holds(theirs, centers) | _holds(mine, planted.center_mm[None])
    there |= overlap(boxes_mm, planted) >= _LEAST_IOU
    ratio = _area(mine) / _area(theirs)
    there &= (ratio < _MOST_RATIO) & (ratio > 1 / _MOST_RATIO)
    if planted.line_mm is not None:
        reach = TOLERANCE_MM + 0.1 * float(np.linalg.norm(planted.line_mm[1] - planted.line_mm[0]))
        there &= _from_line(centers, planted.line_mm) <= reach
    return np.asarray(there, np.bool_)


def _grown(boxes: F64) -> F64:
    return np.asarray(boxes + np.array([-1, -1, 1, 1]) * TOLERANCE_MM, np.float64)


def _area(boxes: F64) -> F64:
    return np.asarray((boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1]), np.float64)


def _holds(boxes: F64, points: F64) -> Mask:
    return np.asarray(((points >= boxes[:, :2]) & (points <= boxes[:, 2:])).all(axis=1), np.bool_)


def _from_line(points: F64, ends: F64) -> F64:
    along = ends[1] - ends[0]
    share = np.clip((points - ends[0]) @ along / max(float(along @ along), 1e-9), 0, 1)
    return np.asarray(np.linalg.norm(points - ends[0] - share[:, None] * along, axis=1), np.float64)
