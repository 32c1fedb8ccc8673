"""What pattern the shifts of a second image follow: slip, growth, turn, hinge or mixed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..records import F64, Mask, Pattern
from .doubles_fit import SURE, TileFit

_TILE_ERROR_MM = 0.05  # what print and lens leave in any tile's shift
_STRENGTH_ERROR = 0.01  # what colour response and dot gain leave in any tile's strength
_APART_MM = 0.35
_HUBER, _ROUNDS = 1.5, 5
_SAME = 0.3  # a shift that varies by less of itself over the panel is one slip
_MOSTLY = 0.25  # other parts of a field under this share do not make it mixed
_HINGED = 0.35  # at a hinge the shift is less than this share of its largest


@dataclass(frozen=True, slots=True)
class ShiftPattern:
    """Shifts d0 + M (x - middle), (2,), (2, 2) and (2,) in mm, the pattern they follow, the
    strength with its standard error, how many tiles agree and each show it surely, and how far the
    first image lies off its place, as a share of the shift."""

    mean_mm: F64
    slope: F64
    middle_mm: F64
    pattern: Pattern
    strength: float
    strength_error: float
    sure_tiles: int
    place_share: float

    def at(self, points_mm: F64) -> F64:
        """Shifts (N, 2) in mm at artwork points (N, 2)."""
        return np.asarray(self.mean_mm + (points_mm - self.middle_mm) @ self.slope.T)


def follow(fits: list[TileFit], size_mm: tuple[float, float]) -> ShiftPattern | None:
    """The simplest pattern through tiles' shifts by the Bayesian information criterion.

    That is Schwarz, Ann. Stat. 6(2), 1978. None where fewer than three tiles agree on one field.
    `size_mm` is the panel's width and height.
    """
    middle = 0.5 * np.array(size_mm)
    keep = np.ones(len(fits), bool)
    if len(fits) < 3:
        return None
    away = np.stack([f.center_mm for f in fits]) - middle
    shifts = np.stack([f.shift_mm for f in fits])
    weights = np.stack(
        [
            np.linalg.inv(np.linalg.inv(f.information) * 9 + _TILE_ERROR_MM**2 * np.eye(2))
            for f in fits
        ]
    )
    for _ in range(3):
        if keep.sum() < 3:
            return None
        design = _affine_rows(away) if keep.sum() >= 5 else _similar_rows(away)
        parameters = _solve(design, shifts, weights, keep)
        off = np.linalg.norm(design @ parameters - shifts, axis=1)
        worst = np.argmax(np.where(keep, off, -1))
        if off[worst] < _APART_MM:
            break
        keep = off < max(_APART_MM, 2.5 * float(np.median(off[keep])))
        keep[worst] = False
    if keep.sum() < 3:
        return None
    mean, slope, pattern = _choose(away, shifts, weights, keep, middle)
    s = np.array([f.strength for f in fits])[keep]
    error = np.array([f.strength_error for f in fits])[keep]
    share = 1 / (error**2 + _STRENGTH_ERROR**2)
    strength, scatter = _agreed(s, share)
    sure = int((s > SURE * error).sum())
    place = float(np.median([f.place_share for f, kept in zip(fits, keep, strict=True) if kept]))
    return ShiftPattern(mean, slope, middle, pattern, strength, scatter, sure, place)


def _agreed(strengths: F64, share: F64) -> tuple[float, float]:
    """The strength that tiles (T,) agree on and its standard error, by weights `share` (T,).

    A tile of one long edge may be far off and give a small error all the same, so that what lies
    beyond the usual scatter counts less (Huber, Ann. Math. Stat. 35, 1964).
    """
    order = np.argsort(strengths)
    cumulated = np.cumsum(share[order])
    strength = float(strengths[order][np.searchsorted(cumulated, 0.5 * cumulated[-1])])
    many = float(share.sum() ** 2 / (share**2).sum())
    spread = 0.0
    for _ in range(_ROUNDS):
        off = np.abs(strengths - strength)
        usual = max(1.4826 * float(np.median(off[share > 0.5 * share.max()])), _STRENGTH_ERROR)
        weight = share * np.minimum(1.0, _HUBER * usual / np.maximum(off, 1e-9))
        strength = float((strengths * weight).sum() / weight.sum())
        bounded = np.minimum(np.abs(strengths - strength), _HUBER * usual)
        spread = float((bounded**2 * share).sum() / share.sum())
    # what the tiles say apart from each other, not what the noise in each allows, is the error
    return strength, float(np.sqrt(spread / max(many - 1, 0.5) + 1 / share.sum()))


def _affine_rows(away: F64) -> F64:
    """Design (T, 2, 6) of d0 and a full slope."""
    out = np.zeros((len(away), 2, 6))
    out[:, 0, 0] = out[:, 1, 1] = 1
    out[:, 0, 2:4] = away
    out[:, 1, 4:6] = away
    return out


def _similar_rows(away: F64) -> F64:
    """Design (T, 2, 4) of d0, growth and turn."""
    out = np.zeros((len(away), 2, 4))
    out[:, 0, 0] = out[:, 1, 1] = 1
    out[:, 0, 2], out[:, 1, 2] = away[:, 0], away[:, 1]
    out[:, 0, 3], out[:, 1, 3] = -away[:, 1], away[:, 0]
    return out


def _solve(design: F64, shifts: F64, weights: F64, keep: Mask) -> F64:
    size = design.shape[2]
    left = np.einsum("tki,tkl,tlj->ij", design[keep], weights[keep], design[keep])
    right = np.einsum("tki,tkl,tl->i", design[keep], weights[keep], shifts[keep])
    return np.asarray(np.linalg.solve(left + 1e-9 * np.trace(left) * np.eye(size), right))


def _misfit(shifts: F64, modelled: F64, weights: F64, keep: Mask) -> float:
    off = (shifts - modelled)[keep]
    return float(np.einsum("ti,tij,tj->", off, weights[keep], off))


def _choose(
    away: F64, shifts: F64, weights: F64, keep: Mask, middle: F64
) -> tuple[F64, F64, Pattern]:
    similar, affine = _similar_rows(away), _affine_rows(away)
    price = float(np.log(2 * keep.sum()))
    options: list[tuple[float, F64, Pattern]] = []
    for pattern, columns in (("slip", [0, 1]), ("growth", [0, 1, 2]), ("turn", [0, 1, 3])):
        part = similar[:, :, columns]
        solved = np.zeros(4)
        solved[columns] = _solve(part, shifts, weights, keep)
        cost = _misfit(shifts, similar @ solved, weights, keep) + len(columns) * price
        options.append((cost, _field_of(solved), pattern))  # type: ignore[arg-type] # literals above
    if keep.sum() >= 4:
        solved = _solve(similar, shifts, weights, keep)
        cost = _misfit(shifts, similar @ solved, weights, keep) + 4 * price
        options.append((cost, _field_of(solved), "mixed"))
        hinge = _hinge(away, shifts, weights, keep)
        modelled = hinge[:, 0] + away @ hinge[:, 1:].T
        cost = _misfit(shifts, modelled, weights, keep) + 4 * price
        options.append((cost, hinge, "hinge"))
    if keep.sum() >= 5:
        solved = _solve(affine, shifts, weights, keep)
        cost = _misfit(shifts, affine @ solved, weights, keep) + 6 * price
        field = np.stack([np.r_[solved[0], solved[2:4]], np.r_[solved[1], solved[4:6]]])
        options.append((cost, field, "mixed"))
    _, field, pattern = min(options, key=lambda one: one[0])
    return field[:, 0], field[:, 1:], _plain(field, pattern, middle)


def _field_of(similar: F64) -> F64:
    """Field (2, 3) of d0, growth and turn (4,)."""
    x, y, grow, turn = similar
    return np.array([[x, grow, -turn], [y, turn, grow]])


def _hinge(away: F64, shifts: F64, weights: F64, keep: Mask) -> F64:
    """Field (2, 3) whose shifts all lie along one line and change in one direction, alternately."""
    whole = _solve(_affine_rows(away), shifts, weights, keep) if keep.sum() >= 5 else None
    if whole is None:
        along = shifts[keep].mean(0)
    else:
        slope = whole[2:].reshape(2, 2)
        left, size, _ = np.linalg.svd(slope)
        along = left[:, 0] * size[0]
    along = along / max(float(np.linalg.norm(along)), 1e-9)
    rows = np.concatenate([np.ones((len(away), 1)), away], axis=1)
    change = np.zeros(3)
    for _ in range(6):
        design = along[None, :, None] * rows[:, None, :]
        change = _solve(design, shifts, weights, keep)
        reach = rows @ change
        direct = _solve(reach[:, None, None] * np.eye(2), shifts, weights, keep)
        length = float(np.linalg.norm(direct))
        if length < 1e-9:
            break
        along, change = direct / length, change * length
    return np.outer(along, change)


def _plain(field: F64, pattern: Pattern, middle: F64) -> Pattern:
    """The pattern as people use the word: slips vary little, a hinge starts near zero."""
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * middle
    shift = field[:, 0] + corners @ field[:, 1:].T
    size = np.linalg.norm(shift, axis=1)
    varies = float(np.linalg.norm(corners @ field[:, 1:].T, axis=1).max())
    if varies < _SAME * float(np.linalg.norm(field[:, 0])):
        return "slip"
    if pattern == "hinge":
        # along the edges, not in the corners alone: a hinge may run through the panel's corner
        edge = np.concatenate([corners, 0.5 * (corners + np.roll(corners, 1, axis=0))])
        least = float(np.linalg.norm(field[:, 0] + edge @ field[:, 1:].T, axis=1).min())
        return "hinge" if least < _HINGED * float(size.max()) else "mixed"
    if pattern == "mixed":
        slope = field[:, 1:]
        grow, turn = 0.5 * (slope[0, 0] + slope[1, 1]), 0.5 * (slope[1, 0] - slope[0, 1])
        rest = np.hypot(0.5 * (slope[0, 0] - slope[1, 1]), 0.5 * (slope[1, 0] + slope[0, 1]))
        if np.hypot(turn, rest) < _MOSTLY * abs(grow):
            return "growth"
        if np.hypot(grow, rest) < _MOSTLY * abs(turn):
            return "turn"
    return pattern
