"""Robust fit of the picture map to measured points, each with its own 2x2 information matrix."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.linalg import cho_solve, cholesky

from ..records import F64
from .picture_map import CONTROL_POINTS, FittedMap

# standard deviations of the priors that keep a badly seen direction tame
_K1_SD = 0.02
_K2_SD = 0.01
_MOST_K = 0.25
# second differences of the control points, as a share of the panel's length in the photo: the
# stiffness is chosen among these by how likely it makes the measurements
_BEND_SD_SHARES = (1e-5, 5e-5, 2e-4, 6e-4)
# control points themselves: what homography and lens are there for is not left to the spline
_LEVEL_SD_SHARE = 6e-4


@dataclass(frozen=True, slots=True)
class Observations:
    """Measured picture points.

    `points_mm` (N, 2) in artwork mm, `points_px` (N, 2) in photo px, `information` (N, 2, 2) in
    1/px^2: the inverse covariance of each measured photo point. All float64.
    """

    points_mm: F64
    points_px: F64
    information: F64


@dataclass(frozen=True, slots=True)
class OutlinePrior:
    """What the panel's outline says of the map before any picture point is measured.

    `corners_px` (4, 2) are the panel's corners in the photo, `corners_mm` (4, 2) its corners in mm
    from its own top-left. The print lies on the panel but for the spreads below: `drift_mm`,
    `stretch` and `skew` as shares, `keystone` the change of scale over half a panel.
    """

    corners_px: F64
    corners_mm: F64
    drift_mm: float = 0.6
    stretch: float = 0.002
    skew: float = 0.0012
    keystone: float = 0.0006


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


def capped(information: F64, floor_px: F64) -> F64:
    """Information (N, 2, 2) once an error of `floor_px` (N,) px each way is added: (W^-1 + f^2)^-1.

    W may have rank one.
    """
    extra = np.square(floor_px)[:, None, None] * information
    return np.asarray(np.linalg.solve(np.eye(2) + extra, information), dtype=np.float64)


def _robust_weights(residual: F64, information: F64, unit_sd: float) -> tuple[F64, F64]:
    """Tukey-like weights of the whitened residual lengths, for two degrees of freedom."""
    turned = (information @ residual[:, :, None])[:, :, 0]
    chi = np.sqrt(np.maximum(np.sum(turned * residual, axis=1), 0.0))
    t = chi / max(unit_sd, 1e-12)
    return np.square(np.clip(1 - np.square(t / 5.0), 0.0, 1.0)), chi


def _unit_sd(chi: F64) -> float:
    # the median of a Rayleigh variable is 1.1774 of its sigma
    return float(np.median(chi)) / 1.1774 if chi.size else 1.0


def _lens_jacobian(picture: FittedMap, mm: F64) -> tuple[F64, F64]:
    """Values (N, 2) and derivatives (N, 2, 10) by homography (8, normalised) and k1, k2."""
    center = np.asarray(picture.center_px)
    x0 = np.asarray(picture.origin_mm) + np.asarray(picture.span_mm) / 2
    half = np.asarray(picture.span_mm) / 2
    m = (mm - x0) / half
    h = _normalised(picture)
    one = np.ones(len(m))
    hom = np.stack([m[:, 0], m[:, 1], one], axis=1)
    w = hom @ h[2]
    n = np.stack([hom @ h[0], hom @ h[1]], axis=1) / w[:, None]
    dn = np.zeros((len(m), 2, 8))
    dn[:, 0, 0:3] = hom / w[:, None]
    dn[:, 1, 3:6] = hom / w[:, None]
    dn[:, 0, 6:8] = -n[:, 0:1] * hom[:, :2] / w[:, None]
    dn[:, 1, 6:8] = -n[:, 1:2] * hom[:, :2] / w[:, None]
    r2 = np.sum(n * n, axis=1)
    scale = 1 + r2 * (picture.k1 + r2 * picture.k2)
    outer = n[:, :, None] * n[:, None, :]
    lens = (
        scale[:, None, None] * np.eye(2)
        + outer * (2 * picture.k1 + 4 * picture.k2 * r2)[:, None, None]
    )
    jacobian = np.empty((len(m), 2, 10))
    jacobian[:, :, :8] = lens @ dn
    jacobian[:, :, 8] = n * r2[:, None]
    jacobian[:, :, 9] = n * (r2 * r2)[:, None]
    value = center + picture.radius_px * scale[:, None] * n
    return value, jacobian * picture.radius_px


def _normalised(picture: FittedMap) -> F64:
    """The homography from picture box -1..1 to photo offsets in units of radius_px, h22 = 1."""
    cx, cy = picture.center_px
    to_unit = np.array([[1, 0, -cx], [0, 1, -cy], [0, 0, picture.radius_px]]) / picture.radius_px
    x0 = np.asarray(picture.origin_mm) + np.asarray(picture.span_mm) / 2
    half = np.asarray(picture.span_mm) / 2
    from_unit = np.array([[half[0], 0, x0[0]], [0, half[1], x0[1]], [0, 0, 1.0]])
    h = to_unit @ picture.homography @ from_unit
    return np.asarray(h / h[2, 2], dtype=np.float64)


def _within(value: float, most: float) -> float:
    return float(np.clip(value, -most, most))


def _with_parameters(picture: FittedMap, h: F64, k1: float, k2: float) -> FittedMap:
    cx, cy = picture.center_px
    r = picture.radius_px
    from_unit = np.array([[r, 0, cx], [0, r, cy], [0, 0, 1.0]])
    x0 = np.asarray(picture.origin_mm) + np.asarray(picture.span_mm) / 2
    half = np.asarray(picture.span_mm) / 2
    to_unit = np.array([[1 / half[0], 0, -x0[0] / half[0]], [0, 1 / half[1], -x0[1] / half[1]]])
    to_unit = np.vstack([to_unit, [0, 0, 1.0]])
    full = from_unit @ h @ to_unit
    return replace(picture, homography=full / full[2, 2], k1=k1, k2=k2)


def _outline_terms(picture: FittedMap, prior: OutlinePrior) -> tuple[F64, F64]:
    """Normal matrix (8, 8) and right side (8,) of the outline's prior on the homography."""
    flat = picture.undistorted(prior.corners_px)
    frame = replace(picture, homography=homography_from_corners(prior.corners_mm, flat))
    back = np.linalg.inv(_normalised(frame))
    h = _normalised(picture)

    def deviation(values: F64) -> F64:
        relative = back @ np.append(values, 1.0).reshape(3, 3)
        return np.asarray((relative / relative[2, 2] - np.eye(3)).ravel()[:8], dtype=np.float64)

    start = h.ravel()[:8]
    here = deviation(start)
    step = 1e-6
    jacobian = np.stack([(deviation(start + step * e) - here) / step for e in np.eye(8)], axis=1)
    half_x, half_y = picture.span_mm[0] / 2, picture.span_mm[1] / 2
    sd = np.array(
        [
            prior.stretch,
            prior.skew * half_y / half_x,
            prior.drift_mm / half_x,
            prior.skew * half_x / half_y,
            prior.stretch,
            prior.drift_mm / half_y,
            prior.keystone,
            prior.keystone,
        ]
    )
    whitened = jacobian / sd[:, None]
    return whitened.T @ whitened, -whitened.T @ (here / sd)


def fit_homography_lens(
    start: FittedMap,
    seen: Observations,
    *,
    lens: bool,
    prior: OutlinePrior | None = None,
    rounds: int = 6,
) -> FittedMap:
    """Fit homography and, if `lens`, k1 and k2 by reweighted Gauss-Newton; drop the spline."""
    picture = start.without_spline()
    information = seen.information
    weights = np.ones(len(seen.points_mm))
    n_free = 10 if lens else 8
    for _ in range(rounds):
        value, jacobian = _lens_jacobian(picture, seen.points_mm)
        residual = seen.points_px - value
        chi = _robust_weights(residual, information, 1.0)[1]
        scale = max(_unit_sd(chi), 1e-6)
        weights, _ = _robust_weights(residual, information, scale)
        weighted = information * weights[:, None, None] / scale**2
        j = jacobian[:, :, :n_free]
        jw = (weighted @ j).reshape(-1, n_free)
        normal = jw.T @ j.reshape(-1, n_free)
        right = jw.T @ residual.ravel()
        if lens:
            lens_prior = np.array([1 / _K1_SD**2, 1 / _K2_SD**2])
            normal[[8, 9], [8, 9]] += lens_prior
            right[8:] -= lens_prior * np.array([picture.k1, picture.k2])
        if prior is not None:
            more, pull = _outline_terms(picture, prior)
            normal[:8, :8] += more
            right[:8] += pull
        normal[np.diag_indices(n_free)] += 1e-9 * np.trace(normal) / n_free
        step = np.linalg.solve(normal, right)
        h = _normalised(picture).ravel()
        h[:8] += step[:8]
        k1 = _within(picture.k1 + step[8], _MOST_K) if lens else picture.k1
        k2 = _within(picture.k2 + step[9], _MOST_K) if lens else picture.k2
        picture = _with_parameters(picture, h.reshape(3, 3), k1, k2)
    return picture


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
    rounds: int = 4,
) -> FitResult:
    """Fit the stiff spline together with a last step of homography and lens.

    Penalised least squares with the full 2x2 information of each point, Tukey weights, and a
    penalty on second differences (P-splines: Eilers & Marx, Statistical Science 11(2), 1996) whose
    weight maximises the marginal likelihood. `panel_px` is the panel's length in the photo.
    """
    base = picture.without_spline()
    value, jacobian = _lens_jacobian(base, seen.points_mm)
    frame = 10 if lens else 8
    design = _joint_design(base, seen.points_mm, jacobian[:, :, :frame])
    target = seen.points_px - value
    information = seen.information
    fixed, pull = np.zeros((frame, frame)), np.zeros(frame)
    if lens:
        fixed[[8, 9], [8, 9]] = 1 / _K1_SD**2, 1 / _K2_SD**2
        pull[8:] = -base.k1 / _K1_SD**2, -base.k2 / _K2_SD**2
    if prior is not None:
        more, right = _outline_terms(base, prior)
        fixed[:8, :8] += more
        pull[:8] += right
    penalties = [
        _Penalty.of(share * panel_px, _LEVEL_SD_SHARE * panel_px) for share in _BEND_SD_SHARES
    ]
    weights = np.ones(len(target))
    scale = max(_unit_sd(_robust_weights(target, information, 1.0)[1]), 1.0)
    size = design.shape[2]
    flat = design.reshape(-1, size)
    solution, normal, penalty = np.zeros(size), np.eye(size), penalties[0]
    for round_ in range(rounds):
        if round_ > 0:
            residual = target - design @ solution
            scale = max(_unit_sd(_robust_weights(residual, information, 1.0)[1]), 1.0)
            weights, _ = _robust_weights(residual, information, scale)
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
    h = _normalised(base).ravel()
    h[:8] += solution[:8]
    k1 = _within(base.k1 + solution[8], _MOST_K) if lens else base.k1
    k2 = _within(base.k2 + solution[9], _MOST_K) if lens else base.k2
    moved = _with_parameters(base, h.reshape(3, 3), k1, k2)
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
    _, jacobian = _lens_jacobian(picture, points)
    design = _joint_design(picture, points, jacobian[:, :, :frame])
    variance = np.sum((design @ covariance) * design, axis=(1, 2)) / 2
    error = np.sqrt(np.maximum(variance, 0.0))
    return float(np.median(error)), float(np.percentile(error, 95))


def homography_from_corners(corners_mm: F64, corners_px: F64) -> F64:
    """The homography (3, 3) through four point pairs (4, 2)."""
    rows = []
    for (x, y), (u, v) in zip(corners_mm, corners_px, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y, -u])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y, -v])
    _, _, vt = np.linalg.svd(np.asarray(rows))
    h = vt[-1].reshape(3, 3)
    return np.asarray(h / h[2, 2] if abs(h[2, 2]) > 1e-12 else h, dtype=np.float64)
