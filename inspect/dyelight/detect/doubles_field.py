"""One field of shifts through the scores of many tiles: a sheet slips, grows, turns as a whole.

Every pattern of a moving sheet is affine in place, d(x) = d0 + M x. Fields are proposed from the
tiles' own best shifts, one tile (slip), two (growth with turn) or three (any) at a time, and each
is judged by what all tiles say to it (random sample consensus, Fischler and Bolles, CACM 24(6),
1981), so that a shift too weak to be seen in any single tile still counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from ..records import F32, F64, Mask
from .doubles_score import ShiftScores, sampled

Index = NDArray[np.intp]

_LOW, _HIGH = -2.0, 5.0  # what one tile may say against and for a field
_PEAK = 3.3
_STRONGEST = 14
_STRAIN = 0.045  # mm of shift per mm of panel that no sheet exceeds
_FAR_MM = 6.8
_RIM_MM = (0.5, 0.7, 1.0, 1.3, 1.6, 2.0, 2.5, 3.0, 3.7, 4.5)
_WAYS = 24
_LOUD_POOL, _LOUD_SHARE, _LOUD_SLIPS = 100.0, 0.5, 9
_EQUAL, _SLIP = 0.85, 0.002


@dataclass(frozen=True, slots=True)
class ShiftField:
    """Shifts d0 + M (x - middle): `mean_mm` (2,), `slope` (2, 2), `middle_mm` (2,).

    `total` is the tiles' joint score, of unit scatter for one field by chance; `support` (T,) their
    own scores at the field, NaN where the field's shift cannot be told there.
    """

    mean_mm: F64
    slope: F64
    middle_mm: F64
    total: float
    support: F64

    def at(self, points_mm: F64) -> F64:
        """Shifts (N, 2) in mm at artwork points (N, 2)."""
        return np.asarray(self.mean_mm + (points_mm - self.middle_mm) @ self.slope.T)


def best_fields(scores: ShiftScores, middle_mm: F64) -> list[ShiftField]:
    """The field of shifts that the tiles speak for most, and the best slip if that is another."""
    soft = np.stack([cv2.GaussianBlur(s, (3, 3), 0.7) for s in scores.score])
    away = scores.centers_mm - middle_mm
    proposals = [_slips(scores, soft), _about_the_middle(away)]
    shifts, owner = _peaks(scores, soft)
    if len(owner) >= 2:
        pairs = np.array(list(combinations(range(len(owner)), 2)))
        pairs = pairs[owner[pairs[:, 0]] != owner[pairs[:, 1]]]
        proposals.append(_similar(away[owner], shifts, pairs))
    if len(owner) >= 3:
        triples = np.array(list(combinations(range(min(len(owner), _STRONGEST)), 3)))
        proposals.append(_affine(away[owner], shifts, triples))
    parameters = np.concatenate(proposals)
    parameters = parameters[_sound(parameters, away)]
    order = np.argsort(-_judge(scores, soft, away, parameters))[:6]
    polished = [_polish(scores, soft, away, parameters[k]) for k in order]
    found = np.stack([*polished, *proposals[0]])
    totals = _judge(scores, soft, away, found)
    said = _said(scores, soft, away, found)
    slips = np.abs(found[:, :, 1:]).max(axis=(1, 2)) < _SLIP
    # a repetitive picture fits as well one repeat further on: the shortest of equals stands
    loud = np.nansum(said, axis=1)
    slip = int(np.argmax(np.where(slips, totals, -np.inf)))
    equal = slips & (totals > _EQUAL * totals[slip]) & (loud > _EQUAL * loud[slip])
    size = np.linalg.norm(found[:, :, 0], axis=1)
    best = int(np.argmax(totals))
    chosen = [int(np.argmin(np.where(equal, size, np.inf)))]
    if not slips[best]:
        chosen.insert(0, best)
    middle = np.asarray(middle_mm, np.float64)
    return [
        ShiftField(found[k, :, 0], found[k, :, 1:], middle, float(totals[k]), said[k])
        for k in chosen
    ]


def loud_slips(scores: ShiftScores, middle_mm: F64) -> list[ShiftField]:
    """The slips that all tiles taken as one speak for, whatever each of them says by itself.

    Of a few long straight edges every shift fits some, so that no tile's score stands out of its
    scatter, however strong the second image. `total` is the pooled score, of unknown scatter.
    """
    axis = scores.axis_mm
    pooled = scores.pooled.copy()
    radius = np.hypot(axis[:, None], axis[None])
    pooled[(radius < scores.near_mm) | (radius > axis[-1])] = 0
    peak = pooled == cv2.dilate(pooled, np.ones((7, 7), np.uint8))
    rows, columns = np.nonzero(peak & (pooled > max(_LOUD_POOL, _LOUD_SHARE * float(pooled.max()))))
    out: list[ShiftField] = []
    for k in np.argsort(-pooled[rows, columns])[:_LOUD_SLIPS]:
        mean = np.array([axis[columns[k]], axis[rows[k]]])
        total = float(pooled[rows[k], columns[k]])
        telling = evidence(scores, np.broadcast_to(mean, (len(scores.score), 2)))[1]
        out.append(ShiftField(mean, np.zeros((2, 2)), np.asarray(middle_mm), total, telling))
    return out


def _slips(scores: ShiftScores, soft: F32) -> F64:
    """The best constant shifts (4, 2, 3): d0 and a slope of zero."""
    axis = scores.axis_mm
    whole = np.clip(soft, _LOW, _HIGH).sum(0)
    radius = np.hypot(axis[:, None], axis[None])
    whole[(radius < scores.near_mm) | (radius > axis[-1])] = -np.inf
    out = np.zeros((4, 2, 3))
    for k in range(4):
        row, column = np.unravel_index(int(np.argmax(whole)), whole.shape)
        out[k, :, 0] = axis[column], axis[row]
        whole[max(row - 2, 0) : row + 3, max(column - 2, 0) : column + 3] = -np.inf
    return out


def _about_the_middle(away: F64) -> F64:
    """Growth and turn about the panel's middle (N, 2, 3), by how far they shift its rim.

    There no single tile need stand out: the middle's shift is too short to be told.
    """
    rim = float(np.linalg.norm(away, axis=1).max())
    size = np.asarray(_RIM_MM)[:, None] / max(rim, 1.0)
    way = np.arange(_WAYS)[None] * (2 * np.pi / _WAYS)
    grow, turn = (size * np.cos(way)).ravel(), (size * np.sin(way)).ravel()
    out = np.zeros((grow.size, 2, 3))
    out[:, 0, 1], out[:, 0, 2] = grow, -turn
    out[:, 1, 1], out[:, 1, 2] = turn, grow
    return out


def _peaks(scores: ShiftScores, soft: F32) -> tuple[F64, Index]:
    """The tiles' best shifts, strongest first: shifts (P, 2) in mm, tile (P,)."""
    axis = scores.axis_mm
    radius = np.hypot(axis[:, None], axis[None])
    shut = (radius < scores.near_mm) | (radius > axis[-1])
    found = []
    for t, score in enumerate(soft):
        left = np.where(shut, -np.inf, score)
        for _ in range(2):
            row, column = np.unravel_index(int(np.argmax(left)), left.shape)
            if left[row, column] < _PEAK:
                break
            found.append((float(left[row, column]), axis[column], axis[row], t))
            left[max(row - 3, 0) : row + 4, max(column - 3, 0) : column + 4] = -np.inf
    found.sort(key=lambda one: -one[0])
    found = found[: 2 * _STRONGEST]
    table = np.array(found, np.float64).reshape(-1, 4)
    return table[:, 1:3], table[:, 3].astype(np.intp)


def _similar(away: F64, shifts: F64, pairs: Index) -> F64:
    """Growth with turn about some point (N, 2, 3) through pairs of tiles' shifts."""
    if not len(pairs):
        return np.zeros((0, 2, 3))
    dx = away[pairs[:, 1]] - away[pairs[:, 0]]
    dd = shifts[pairs[:, 1]] - shifts[pairs[:, 0]]
    size = np.maximum((dx**2).sum(1), 1e-9)
    grow = (dx * dd).sum(1) / size
    turn = (dx[:, 0] * dd[:, 1] - dx[:, 1] * dd[:, 0]) / size
    out = np.empty((len(pairs), 2, 3))
    out[:, 0, 1], out[:, 0, 2] = grow, -turn
    out[:, 1, 1], out[:, 1, 2] = turn, grow
    out[:, :, 0] = shifts[pairs[:, 0]] - np.einsum("nij,nj->ni", out[:, :, 1:], away[pairs[:, 0]])
    return np.asarray(out[np.sqrt(size) > 25.0])


def _affine(away: F64, shifts: F64, triples: Index) -> F64:
    """Any affine field (N, 2, 3) through three tiles' shifts, where these span the panel."""
    rows = np.concatenate([np.ones((len(triples), 3, 1)), away[triples]], axis=2)
    spread = np.abs(np.linalg.det(rows))
    wide = spread > 0.15 * (np.ptp(away[:, 0]) * np.ptp(away[:, 1]) + 1e-9)
    if not wide.any():
        return np.zeros((0, 2, 3))
    solved = np.linalg.solve(rows[wide], shifts[triples[wide]])
    return np.asarray(np.swapaxes(solved, 1, 2))


def _sound(parameters: F64, away: F64) -> Mask:
    """Fields (N,) that a sheet of paper can do."""
    strain = np.linalg.norm(parameters[:, :, 1:], axis=(1, 2))
    size = np.linalg.norm(_predict(parameters, away), axis=2)
    return np.asarray((strain < _STRAIN * np.sqrt(2)) & (np.quantile(size, 0.9, axis=1) < _FAR_MM))


def _predict(parameters: F64, away: F64) -> F64:
    rows = np.concatenate([np.ones((len(away), 1)), away], axis=1)
    return np.asarray(np.einsum("nij,tj->nti", parameters, rows))


def _said(scores: ShiftScores, soft: F32, away: F64, parameters: F64) -> F64:
    """The tiles' scores (N, T) at the fields' shifts, NaN where a shift cannot be told."""
    axis = scores.axis_mm
    shift = _predict(parameters, away)
    at = (shift - axis[0]) / (axis[1] - axis[0])
    out = np.empty(shift.shape[:2])
    for t in range(len(soft)):
        out[:, t] = sampled(soft[t], at[:, t : t + 1].astype(np.float32)).ravel()
    size = np.linalg.norm(shift, axis=2)
    out[(size < scores.near_mm) | (size > axis[-1])] = np.nan
    return out


def evidence(scores: ShiftScores, shifts_mm: F64) -> tuple[F64, F64]:
    """Scores and powers (T,) of the tiles at one shift each (T, 2) in mm, NaN where untold."""
    axis = scores.axis_mm
    at = (shifts_mm - axis[0]) / (axis[1] - axis[0])
    size = np.linalg.norm(shifts_mm, axis=1)
    told = (size >= scores.near_mm) & (size <= axis[-1])
    out = np.full((2, len(shifts_mm)), np.nan)
    for t in np.flatnonzero(told):
        place = np.asarray(at[t : t + 1][None], np.float32)
        for k, image in enumerate((scores.score, scores.power)):
            out[k, t] = float(sampled(cv2.GaussianBlur(image[t], (3, 3), 0.7), place)[0, 0])
    return out[0], out[1]


def _judge(scores: ShiftScores, soft: F32, away: F64, parameters: F64) -> F64:
    """Joint scores (N,), of unit scatter by chance."""
    said = _said(scores, soft, away, parameters)
    told = np.isfinite(said).sum(1)
    joint = np.nansum(np.clip(said, _LOW, _HIGH), axis=1)
    return np.asarray(joint / np.sqrt(np.maximum(told, len(soft) / 3)))


def _polish(scores: ShiftScores, soft: F32, away: F64, start: F64) -> F64:
    """Least squares through the tiles' own maxima next to the field, three rounds."""
    axis, field = scores.axis_mm, start
    pitch = axis[1] - axis[0]
    for _ in range(3):
        shift = _predict(field[None], away)[0]
        rows, values, weights = [], [], []
        for t in range(len(soft)):
            found = _near_peak(soft[t], (shift[t] - axis[0]) / pitch)
            if found is None or np.hypot(*(found[0] * pitch + axis[0])) < scores.near_mm:
                continue
            rows.append([1.0, *away[t]])
            values.append(found[0] * pitch + axis[0])
            weights.append(min(found[1], 2 * _HIGH))
        if len(rows) < 3:
            break
        a, b, w = np.array(rows), np.array(values), np.sqrt(np.array(weights))[:, None]
        # a slope must be borne out by the tiles: held to the last one by about a tile's own error
        hold = 0.5 * np.diag([1e-6, np.ptp(away[:, 0]) / 4, np.ptp(away[:, 1]) / 4])
        left = np.concatenate([a * w, hold])
        right = np.concatenate([b * w, hold @ field.T])
        candidate = np.linalg.lstsq(left, right, rcond=None)[0].T
        both = _judge(scores, soft, away, np.stack([field, candidate]))
        if both[1] < both[0]:
            break
        field = candidate
    return field


def _near_peak(score: F32, at: F64) -> tuple[F64, float] | None:
    """Place (column, row), to a fraction, and height of the maximum within three steps of `at`."""
    column, row = (round(float(v)) for v in at)
    reach = 3
    if not (
        reach < row < score.shape[0] - reach - 1 and reach < column < score.shape[1] - reach - 1
    ):
        return None
    part = score[row - reach : row + reach + 1, column - reach : column + reach + 1]
    j, i = np.unravel_index(int(np.argmax(part)), part.shape)
    if part[j, i] < 2.5 or j in (0, 2 * reach) or i in (0, 2 * reach):
        return None
    y, x = row - reach + int(j), column - reach + int(i)
    out = np.array([x, y], np.float64)
    for k, (a, b, c) in enumerate(
        (
            (score[y, x - 1], score[y, x], score[y, x + 1]),
            (score[y - 1, x], score[y, x], score[y + 1, x]),
        )
    ):
        bend = float(a + c - 2 * b)
        if bend < 0:
            out[k] += float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5))
    return out, float(part[j, i])
