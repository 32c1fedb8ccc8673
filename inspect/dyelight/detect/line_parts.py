"""Pieces of one thin line: a scratch or fibre that the picture, or the light on it, interrupts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from ..records import F64, Candidate
from .linked import linked
from .shapes import box_around, is_mark

_DRAWN_OUT = 2.0  # length over width from which a mark may be a piece
_SHARP = 2.2
_TURN = float(np.sin(np.deg2rad(12)))
_OFFSET_MM = 0.25
_GAP = 0.7  # of both pieces' lengths, which a gap may be
_MOST_GAP_MM = 8.0
_LIKE = 2.5  # how many times as wide, or as strong, one piece may be as the other
_MEANS = (
    "delta_e00", "delta_l", "delta_c", "base_likeness", "picture_share", "dye_share",
    "edge_shift_px", "edge_blur_ratio", "width_mm", "least_width_mm",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Piece:
    """A mark with the ends (2, 2) of its axis in panel mm and the axis' direction (2,)."""

    mark: Candidate
    ends: F64
    along: F64

    @classmethod
    def of(cls, mark: Candidate) -> _Piece:
        middle = mark.outline_mm.mean(axis=0)
        apart = mark.outline_mm - middle
        along = np.linalg.svd(apart, full_matrices=False)[2][0]
        at = apart @ along
        return cls(mark, middle + np.outer([at.min(), at.max()], along), along)

    @property
    def length_mm(self) -> float:
        return float(np.linalg.norm(self.ends[1] - self.ends[0]))


def with_lines_whole(found: Sequence[Candidate]) -> list[Candidate]:
    """The candidates with pieces that run on in one another's direction joined to one line each."""
    pieces = [_Piece.of(c) for c in found if _may_be_piece(c)]
    groups = [
        [pieces[i] for i in group]
        for group in linked(len(pieces), lambda i, j: _run_on(pieces[i], pieces[j]))
    ]
    whole = {id(group[0].mark): _joined(group) for group in groups if len(group) > 1}
    gone = {id(piece.mark) for group in groups for piece in group[1:]}
    return [whole.get(id(c), c) for c in found if id(c) not in gone]


def _may_be_piece(mark: Candidate) -> bool:
    return (
        is_mark(mark)
        and mark.features.get("elongation", 0.0) > _DRAWN_OUT
        and mark.features["edge_blur_ratio"] < _SHARP
        and len(mark.outline_mm) > 2
    )


def _run_on(one: _Piece, other: _Piece) -> bool:
    """Whether two pieces lie on one line, near enough to be parts of it."""
    if one.mark.tone != other.mark.tone or "line" not in (one.mark.family, other.mark.family):
        return False
    for name in ("width_mm", "delta_e00"):
        a, b = one.mark.features[name], other.mark.features[name]
        if max(a, b) > _LIKE * max(min(a, b), 0.05):
            return False
    gaps = np.linalg.norm(one.ends[:, None] - other.ends[None], axis=2)
    i, j = np.unravel_index(int(gaps.argmin()), gaps.shape)
    gap = float(gaps[i, j])
    if gap > min(_GAP * (one.length_mm + other.length_mm), _MOST_GAP_MM):
        return False
    # from the far end of the one to the far end of the other, all of it in both directions
    span = other.ends[1 - j] - one.ends[1 - i]
    length = max(float(np.linalg.norm(span)), 1e-6)
    if length < max(one.length_mm, other.length_mm):
        return False
    across = np.array([-span[1], span[0]]) / length
    if max(abs(float(across @ one.along)), abs(float(across @ other.along))) > _TURN:
        return False
    near = np.stack([one.ends[i], other.ends[j]]) - one.ends[1 - i]
    return bool(np.abs(near @ across).max() < _OFFSET_MM + 0.03 * length)


def _joined(group: Sequence[_Piece]) -> Candidate:
    marks = [piece.mark for piece in group]
    strongest = max(marks, key=lambda mark: mark.snr)
    weight = np.array([max(piece.length_mm, 1e-3) for piece in group])
    weight /= weight.sum()
    points = np.concatenate([mark.outline_mm for mark in marks])
    hull = cv2.convexHull(points.astype(np.float32)).reshape(-1, 2).astype(np.float64)
    box = box_around(hull.min(axis=0), hull.max(axis=0))
    axis = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][0]
    middles = sorted((piece.ends.mean(axis=0) for piece in group), key=lambda p: float(p @ axis))
    at = points @ axis
    first, last = points[at.argmin()], points[at.argmax()]
    path = np.stack([first, *middles, last])
    span = float(np.linalg.norm(last - first))
    run = float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())
    features = strongest.features | {
        name: float(sum(w * mark.features[name] for w, mark in zip(weight, marks, strict=True)))
        for name in _MEANS
    }
    straight = min(span / max(run, 1e-6), *(mark.features["straightness"] for mark in marks))
    area = float(sum(mark.area_mm2 for mark in marks))
    features |= {
        "length_mm": run,
        "straightness": float(min(straight, 1.0)),
        "elongation": run / max(features["width_mm"], 1e-3),
        "peak_de00": max(mark.features["peak_de00"] for mark in marks),
        "snr": float(np.sqrt(sum(mark.snr**2 for mark in marks))),
        "area_mm2": area,
        "eq_diameter_mm": float(2 * np.sqrt(area / np.pi)),
        "fill": area / max((box[2] - box[0]) * (box[3] - box[1]), area),
    }
    return replace(
        strongest,
        family="line",
        center_mm=((box[0] + box[2]) / 2, (box[1] + box[3]) / 2),
        box_mm=box,
        outline_mm=hull,
        area_mm2=area,
        delta_e00=features["delta_e00"],
        snr=features["snr"],
        features=features,
    )
