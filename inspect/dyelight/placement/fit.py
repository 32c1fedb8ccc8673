"""Robust fit of the picture map to measured points, each with its own 2x2 information matrix."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..records import F64
from .picture_map import CONTROL_POINTS, FittedMap, project

# standard deviations of the priors that keep a badly seen direction tame
_K1_SD = 0.15
_K2_SD = 0.15
# second differences of the control points, as a share of the panel's length in the photo: the
# stiffness is chosen among these by how likely it makes the measurements
_BEND_SD_SHARES = (2e-5, 1e-4, 4e-4, 1.6e-3)
# first-order part: print stretch and turn that the homography has not taken up
_LEVEL_SD_SHARE = 2e-2


@dataclass(frozen=True, slots=True)
class Observations:
    """Measured picture points.

    `points_mm` (N, 2) in artwork mm, `points_px` (N, 2) in photo px, `information` (N, 2, 2) in 1/px^2:
    the inverse covariance of each measured photo point. All float64.
    """

    points_mm: F64
    points_px: F64
    information: F64


@dataclass(frozen=True, slots=True)
class FitResult:
    """A fitted map, the robust weight (N,) of each observation and the median standard error in px."""

    map: FittedMap
    weights: F64
    standard_error_px: float
    unit_sd: float


def _capped(information: F64, floor_px: float) -> F64:
    """(W^-1 + floor^2 I)^-1 without inverting W, which may have rank one."""
    identity = np.eye(2)
    return np.asarray(
        np.linalg.solve(identity + floor_px**2 * information, information), dtype=np.float64
    )


def _robust_weights(residual: F64, information: F64, unit_sd: float) -> tuple[F64, F64]:
    """Tukey-like weights of the whitened residual lengths, for two degrees of freedom."""
    chi = np.sqrt(np.maximum(np.einsum("ni,nij,nj->n", residual, information, residual), 0.0))
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


def fit_homography_lens(
    start: FittedMap, seen: Observations, *, lens: bool, floor_px: float, rounds: int = 6
) -> tuple[FittedMap, F64]:
    """Fit homography and, if `lens`, k1 and k2 by reweighted Gauss-Newton; the spline is dropped.

    Returns the map and the robust weights (N,).
    """
    picture = start.without_spline()
    information = _capped(seen.information, floor_px)
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
        jw = np.einsum("nik,nij->nkj", j, weighted)
        normal = np.einsum("nkj,njl->kl", jw, j)
        right = np.einsum("nkj,nj->k", jw, residual)
        if lens:
            prior = np.array([1 / _K1_SD**2, 1 / _K2_SD**2])
            normal[8, 8] += prior[0]
            normal[9, 9] += prior[1]
            right[8] -= prior[0] * picture.k1
            right[9] -= prior[1] * picture.k2
        normal[np.diag_indices(n_free)] += 1e-9 * np.trace(normal) / n_free
        step = np.linalg.solve(normal, right)
        h = _normalised(picture).ravel()
        h[:8] += step[:8]
        k1 = picture.k1 + (float(step[8]) if lens else 0.0)
        k2 = picture.k2 + (float(step[9]) if lens else 0.0)
        picture = _with_parameters(picture, h.reshape(3, 3), k1, k2)
    return picture, weights


def _second_differences() -> F64:
    n = CONTROL_POINTS
    along = np.diff(np.eye(n), 2, axis=0)
    first = np.diff(np.eye(n), 1, axis=0)
    eye = np.eye(n)
    return np.vstack([np.kron(eye, along), np.kron(along, eye), np.sqrt(2) * np.kron(first, first)])


def fit_spline(
    picture: FittedMap, seen: Observations, *, floor_px: float, panel_px: float, rounds: int = 4
) -> FitResult:
    """Fit the stiff spline to what homography and lens leave over.

    Penalised least squares with the full 2x2 information of each point, Tukey weights, and a
    penalty on second differences (P-splines: Eilers & Marx, Statistical Science 11(2), 1996) whose
    weight maximises the marginal likelihood. `panel_px` is the panel's length in the photo,
    `floor_px` the model error of one tile.
    """
    base = picture.without_spline()
    design = base.spline_design(seen.points_mm)
    target = seen.points_px - base.to_photo(seen.points_mm)
    information = _capped(seen.information, floor_px)
    n = CONTROL_POINTS**2
    differences = _second_differences()
    bending = differences.T @ differences
    level = np.eye(n) / (_LEVEL_SD_SHARE * panel_px) ** 2
    penalties = [bending / (share * panel_px) ** 2 + level for share in _BEND_SD_SHARES]
    weights = np.ones(len(target))
    scale = max(_unit_sd(_robust_weights(target, information, 1.0)[1]), 1.0)
    control, covariance = np.zeros(2 * n), np.eye(2 * n)
    for round_ in range(rounds):
        if round_ > 0:
            residual = target - np.stack([design @ control[:n], design @ control[n:]], axis=1)
            scale = max(_unit_sd(_robust_weights(residual, information, 1.0)[1]), 1.0)
            weights, _ = _robust_weights(residual, information, scale)
        w = information * weights[:, None, None] / scale**2
        normal, right = _normal_equations(design, w, target)
        best = -np.inf
        for penalty in penalties:
            trial, trial_covariance, evidence = _penalised(normal, right, penalty)
            if evidence > best:
                best, control, covariance = evidence, trial, trial_covariance
    fitted = replace(
        base,
        control_px=np.stack([control[:n], control[n:]], axis=1).reshape(
            CONTROL_POINTS, CONTROL_POINTS, 2
        ),
    )
    return FitResult(fitted, weights, _median_error(fitted, covariance), scale)


def _normal_equations(design: F64, w: F64, target: F64) -> tuple[F64, F64]:
    n = design.shape[1]
    normal = np.zeros((2 * n, 2 * n))
    normal[:n, :n] = design.T @ (design * w[:, 0, 0, None])
    normal[n:, n:] = design.T @ (design * w[:, 1, 1, None])
    normal[:n, n:] = design.T @ (design * w[:, 0, 1, None])
    normal[n:, :n] = normal[:n, n:].T
    pull = np.einsum("nij,nj->ni", w, target)
    return normal, np.concatenate([design.T @ pull[:, 0], design.T @ pull[:, 1]])


def _penalised(normal: F64, right: F64, penalty: F64) -> tuple[F64, F64, float]:
    """Solution (2n,), covariance (2n, 2n) and log marginal likelihood up to a constant."""
    full = normal + np.kron(np.eye(2), penalty)
    covariance = np.linalg.inv(full)
    control = covariance @ right
    _, log_full = np.linalg.slogdet(full)
    _, log_prior = np.linalg.slogdet(penalty)
    evidence = 0.5 * float(right @ control) - 0.5 * float(log_full) + float(log_prior)
    return control, covariance, evidence


def _median_error(picture: FittedMap, covariance: F64) -> float:
    """Median over the picture of the standard error of a point, root mean square of x and y, in px."""
    t = (np.arange(9) + 0.5) / 9
    grid = np.stack(np.meshgrid(t, t), axis=-1).reshape(-1, 2)
    design = picture.spline_design(
        np.asarray(picture.origin_mm) + grid * np.asarray(picture.span_mm)
    )
    n = CONTROL_POINTS**2
    both = covariance[:n, :n] + covariance[n:, n:]
    variance = np.einsum("ni,ij,nj->n", design, both, design) / 2
    return float(np.sqrt(np.median(variance)))


def homography_from_corners(corners_mm: F64, corners_px: F64) -> F64:
    """The homography (3, 3) through four point pairs (4, 2)."""
    rows = []
    for (x, y), (u, v) in zip(corners_mm, corners_px, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y, -u])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y, -v])
    _, _, vt = np.linalg.svd(np.asarray(rows))
    h = vt[-1].reshape(3, 3)
    return np.asarray(h / h[2, 2] if abs(h[2, 2]) > 1e-12 else h, dtype=np.float64)
