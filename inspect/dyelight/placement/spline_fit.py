"""Fit of the whole picture map: homography, lens and stiff spline."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.linalg import cho_solve, cholesky

from ..records import F64
from .frame_fit import (
    Observations,
    OutlinePrior,
    lens_jacobian,
    lens_known,
    moved_by,
    outline_terms,
    robust_weights,
    unit_sd_of,
)
from .picture_map import CONTROL_POINTS, FittedMap

# standard deviations of the control points' second differences, and of the control points, since
# what homography and lens are there for is not left to the spline; shares of the panel's length in
# the photo, chosen among these by how likely they make the measurements
_SD_SHARES = ((2e-6, 2e-5), (1e-5, 1e-4), (1e-5, 6e-4), (5e-5, 6e-4), (2e-4, 6e-4), (6e-4, 6e-4))


@dataclass(frozen=True, slots=True)
class FitResult:
    """A fitted map.

    `weights` (N,) are the robust weights of the observations, `standard_error_px` the median and
    `worst_error_px` the 95th percentile over the picture of a point's standard error, `unit_sd` the
    residual against what the observations' information foretold.
    """

    map: FittedMap
    weights: F64
    standard_error_px: float
    worst_error_px: float
    unit_sd: float


def _second_differences() -> F64:
    n = CONTROL_POINTS
    along = np.diff(np.eye(n), 2, axis=0)
    first = np.diff(np.eye(n), 1, axis=0)
    eye = np.eye(n)
    return np.vstack([np.kron(eye, along), np.kron(along, eye), np.sqrt(2) * np.kron(first, first)])


def fit_spline(
    picture: FittedMap,
    seen: Observations,
    *,
    lens: bool,
    panel_px: float,
    prior: OutlinePrior | None = None,
    stiff: bool = False,
    rounds: int = 4,
) -> FitResult:
    """Fit the stiff spline together with a last step of homography and lens.

    Penalised least squares with the full 2x2 information of each point, Tukey weights, and a
    penalty on second differences (P-splines: Eilers & Marx, Statistical Science 11(2), 1996) whose
    weight maximises the marginal likelihood, or is the greatest with `stiff`. `panel_px` is the
    panel's length in the photo.
    """
    base = picture.without_spline()
    value, jacobian = lens_jacobian(base, seen.points_mm)
    frame = 10 if lens else 8
    design = _joint_design(base, seen.points_mm, jacobian[:, :, :frame])
    target = seen.points_px - value
    information = seen.information
    fixed, pull = np.zeros((frame, frame)), np.zeros(frame)
    if lens:
        known = lens_known(prior)
        fixed[8:, 8:] = known.information
        pull[8:] = known.information @ (known.mean - [base.k1, base.k2])
    if prior is not None:
        more, right = outline_terms(base, prior)
        fixed[:8, :8] += more
        pull[:8] += right
    shares = _SD_SHARES[:1] if stiff else _SD_SHARES
    penalties = [_Penalty.of(bend * panel_px, level * panel_px) for bend, level in shares]
    weights = np.ones(len(target))
    scale = max(unit_sd_of(robust_weights(target, information, 1.0)[1]), 1.0)
    size = design.shape[2]
    flat = design.reshape(-1, size)
    solution, normal, penalty = np.zeros(size), np.eye(size), penalties[0]
    for round_ in range(rounds):
        if round_ > 0:
            residual = target - design @ solution
            scale = max(unit_sd_of(robust_weights(residual, information, 1.0)[1]), 1.0)
            weights, _ = robust_weights(residual, information, scale)
        share = information * (weights / scale**2)[:, None, None]
        weighted = (share @ design).reshape(-1, size)
        normal = flat.T @ weighted
        right = weighted.T @ target.ravel()
        normal[:frame, :frame] += fixed
        right[:frame] += pull
        best = -np.inf
        for one in penalties:
            trial, evidence = _penalised(_with_penalty(normal, one, frame), right, one)
            if evidence > best:
                best, solution, penalty = evidence, trial, one
    covariance = np.asarray(np.linalg.inv(_with_penalty(normal, penalty, frame)), np.float64)
    moved = moved_by(base, solution[:frame])
    control = solution[frame:].reshape(2, CONTROL_POINTS, CONTROL_POINTS).transpose(1, 2, 0)
    median, worst = _point_errors(base, covariance, frame)
    return FitResult(
        replace(moved, control_px=np.ascontiguousarray(control)), weights, median, worst, scale
    )


def _joint_design(picture: FittedMap, points_mm: F64, jacobian: F64) -> F64:
    """Derivatives (N, 2, frame + 98) of photo points by homography, lens and control points."""
    frame = jacobian.shape[2]
    n = CONTROL_POINTS**2
    spline = picture.spline_design(points_mm)
    design = np.zeros((len(points_mm), 2, frame + 2 * n))
    design[:, :, :frame] = jacobian
    design[:, 0, frame : frame + n] = spline
    design[:, 1, frame + n :] = spline
    return design


@dataclass(frozen=True, slots=True)
class _Penalty:
    """What control points of one axis cost (49, 49), and the log of its determinant."""

    matrix: F64
    log_determinant: float

    @classmethod
    def of(cls, bend_sd_px: float, level_sd_px: float) -> _Penalty:
        """For second differences and control points of these standard deviations in px."""
        bending, values = _bending()
        matrix = bending / bend_sd_px**2 + np.eye(CONTROL_POINTS**2) / level_sd_px**2
        return cls(matrix, float(np.sum(np.log(values / bend_sd_px**2 + level_sd_px**-2))))


@cache
def _bending() -> tuple[F64, F64]:
    """The sum of squared second differences as a form in the control points, and its spectrum."""
    differences = _second_differences()
    bending = differences.T @ differences
    return bending, np.maximum(np.linalg.eigvalsh(bending), 0.0)


def _with_penalty(normal: F64, penalty: _Penalty, frame: int) -> F64:
    """The normal matrix with the penalty on both axes' control points."""
    full = normal.copy()
    middle = frame + CONTROL_POINTS**2
    full[frame:middle, frame:middle] += penalty.matrix
    full[middle:, middle:] += penalty.matrix
    full[np.diag_indices(frame)] *= 1 + 1e-9
    full[np.diag_indices(frame)] += 1e-6
    return full


def _penalised(full: F64, right: F64, penalty: _Penalty) -> tuple[F64, float]:
    """Solution and log marginal likelihood up to a constant."""
    factor = cholesky(full, lower=True, check_finite=False)
    solution = np.asarray(cho_solve((factor, True), right, check_finite=False), np.float64)
    log_full = 2 * float(np.sum(np.log(np.diagonal(factor))))
    evidence = 0.5 * float(right @ solution) - 0.5 * log_full + penalty.log_determinant
    return solution, evidence


def _point_errors(picture: FittedMap, covariance: F64, frame: int) -> tuple[float, float]:
    """Median and 95th percentile over the picture of a point's standard error in px."""
    t = np.linspace(0, 1, 11)
    grid = np.stack(np.meshgrid(t, t), axis=-1).reshape(-1, 2)
    points = np.asarray(picture.origin_mm) + grid * np.asarray(picture.span_mm)
    _, jacobian = lens_jacobian(picture, points)
    design = _joint_design(picture, points, jacobian[:, :, :frame])
    variance = np.sum((design @ covariance) * design, axis=(1, 2)) / 2
    error = np.sqrt(np.maximum(variance, 0.0))
    return float(np.median(error)), float(np.percentile(error, 95))
