"""Robust fit of homography and lens to measured points, each with its 2x2 information matrix."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..records import F64
from .picture_map import FittedMap

# standard deviations of the priors that keep a badly seen direction tame
_K1_SD = 0.02
_K2_SD = 0.01
_MOST_K = 0.25


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
class LensPrior:
    """What is known of the lens: `mean` (2,) of k1 and k2, and `information` (2, 2) about them."""

    mean: F64
    information: F64

    @classmethod
    def usual(cls) -> LensPrior:
        """A phone's lens that nothing is known about."""
        return cls(np.zeros(2), np.diag([1 / _K1_SD**2, 1 / _K2_SD**2]))


@dataclass(frozen=True, slots=True)
class OutlinePrior:
    """What the panel's outline says of the map before any picture point is measured.

    `corners_px` (4, 2) are the panel's corners in the photo, `corners_mm` (4, 2) its corners in mm
    from its own top-left. The print lies on the panel but for the spreads below: `drift_mm`,
    `stretch` and `skew` as shares, `keystone` the change of scale over half a panel. `lens` is what
    the sides' straightness says of the lens, None where they say nothing, and `own` (8, 8) the
    outline's own covariance in the terms of `deviation_from`, None where it counts as exact.
    """

    corners_px: F64
    corners_mm: F64
    drift_mm: float = 0.5
    stretch: float = 0.002
    skew: float = 0.0012
    keystone: float = 0.0002
    lens: LensPrior | None = None
    own: F64 | None = None


def capped(information: F64, floor_px: F64) -> F64:
    """Information (N, 2, 2) once an error of `floor_px` (N,) px each way is added: (W^-1 + f^2)^-1.

    W may have rank one.
    """
    extra = np.square(floor_px)[:, None, None] * information
    return np.asarray(np.linalg.solve(np.eye(2) + extra, information), dtype=np.float64)


def robust_weights(residual: F64, information: F64, unit_sd: float) -> tuple[F64, F64]:
    """Tukey-like weights of the whitened residual lengths, for two degrees of freedom."""
    turned = (information @ residual[:, :, None])[:, :, 0]
    chi = np.sqrt(np.maximum(np.sum(turned * residual, axis=1), 0.0))
    t = chi / max(unit_sd, 1e-12)
    return np.square(np.clip(1 - np.square(t / 5.0), 0.0, 1.0)), chi


def unit_sd_of(chi: F64) -> float:
    """The residual's standard deviation against the foretold one, from whitened lengths (N,)."""
    # the median of a Rayleigh variable is 1.1774 of its sigma
    return float(np.median(chi)) / 1.1774 if chi.size else 1.0


def lens_jacobian(picture: FittedMap, mm: F64) -> tuple[F64, F64]:
    """Values (N, 2) and derivatives (N, 2, 10) by homography (8, normalised) and k1, k2."""
    center = np.asarray(picture.center_px)
    x0 = np.asarray(picture.origin_mm) + np.asarray(picture.span_mm) / 2
    half = np.asarray(picture.span_mm) / 2
    m = (mm - x0) / half
    h = normalised(picture)
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


def normalised(picture: FittedMap) -> F64:
    """The homography from picture box -1..1 to photo offsets in units of radius_px, h22 = 1."""
    cx, cy = picture.center_px
    to_unit = np.array([[1, 0, -cx], [0, 1, -cy], [0, 0, picture.radius_px]]) / picture.radius_px
    x0 = np.asarray(picture.origin_mm) + np.asarray(picture.span_mm) / 2
    half = np.asarray(picture.span_mm) / 2
    from_unit = np.array([[half[0], 0, x0[0]], [0, half[1], x0[1]], [0, 0, 1.0]])
    h = to_unit @ picture.homography @ from_unit
    return np.asarray(h / h[2, 2], dtype=np.float64)


def moved_by(picture: FittedMap, step: F64) -> FittedMap:
    """The map after a step (8,) or (10,) in the parameters of `lens_jacobian`."""
    h = normalised(picture).ravel()
    h[:8] += step[:8]
    k1, k2 = picture.k1, picture.k2
    if len(step) > 8:
        k1, k2 = (float(k) for k in np.clip(np.add((k1, k2), step[8:]), -_MOST_K, _MOST_K))
    return _with_parameters(picture, h.reshape(3, 3), k1, k2)


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


def outline_terms(picture: FittedMap, prior: OutlinePrior) -> tuple[F64, F64]:
    """Normal matrix (8, 8) and right side (8,) of the outline's prior on the homography."""
    flat = picture.undistorted(prior.corners_px)
    frame = replace(picture, homography=homography_from_corners(prior.corners_mm, flat))
    here, jacobian = deviation_from(frame, picture)
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
    covariance = np.diag(np.square(sd)) + (0.0 if prior.own is None else prior.own)
    pull = np.linalg.solve(covariance, np.column_stack([jacobian, here]))
    return np.asarray(jacobian.T @ pull[:, :8]), np.asarray(-jacobian.T @ pull[:, 8])


def deviation_from(frame: FittedMap, picture: FittedMap) -> tuple[F64, F64]:
    """How `picture` departs from `frame` within the picture box -1..1 (8,), and the derivatives
    (8, 8) of that by the picture's parameters of `lens_jacobian`."""
    back = np.linalg.inv(normalised(frame))

    def deviation(values: F64) -> F64:
        relative = back @ np.append(values, 1.0).reshape(3, 3)
        return np.asarray((relative / relative[2, 2] - np.eye(3)).ravel()[:8], dtype=np.float64)

    start = normalised(picture).ravel()[:8]
    here = deviation(start)
    step = 1e-6
    jacobian = np.stack([(deviation(start + step * e) - here) / step for e in np.eye(8)], axis=1)
    return here, jacobian


def turned_covariance(own: F64, order: list[int]) -> F64:
    """The outline's covariance (8, 8) for a picture laid with the corners in another `order`.

    The terms are those of `deviation_from`, in the picture's own box -1..1.
    """
    box = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    turn = np.eye(3)
    turn[:2, :2] = np.linalg.lstsq(box, box[order], rcond=None)[0].T
    change = np.kron(np.linalg.inv(turn), turn.T)[:8, :8]
    return np.asarray(change @ own @ change.T, np.float64)


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
    known = lens_known(prior)
    information = seen.information
    n_free = 10 if lens else 8
    for _ in range(rounds):
        value, jacobian = lens_jacobian(picture, seen.points_mm)
        residual = seen.points_px - value
        chi = robust_weights(residual, information, 1.0)[1]
        # beside a prior, few points that happen to agree must not speak louder than they can
        scale = max(unit_sd_of(chi), 1e-6 if prior is None else 1.0)
        weights, _ = robust_weights(residual, information, scale)
        weighted = information * weights[:, None, None] / scale**2
        j = jacobian[:, :, :n_free]
        jw = (weighted @ j).reshape(-1, n_free)
        normal = jw.T @ j.reshape(-1, n_free)
        right = jw.T @ residual.ravel()
        if lens:
            normal[8:, 8:] += known.information
            right[8:] += known.information @ (known.mean - [picture.k1, picture.k2])
        if prior is not None:
            more, pull = outline_terms(picture, prior)
            normal[:8, :8] += more
            right[:8] += pull
        normal[np.diag_indices(n_free)] += 1e-9 * np.trace(normal) / n_free
        try:
            step = np.linalg.solve(normal, right)
        except np.linalg.LinAlgError:
            # what is seen tells one way alone, or nothing: it moves the picture no other way
            step = np.linalg.lstsq(normal, right, rcond=None)[0]
        picture = moved_by(picture, np.asarray(step, np.float64))
    return picture


def lens_known(prior: OutlinePrior | None) -> LensPrior:
    """What to hold the lens by."""
    return LensPrior.usual() if prior is None or prior.lens is None else prior.lens


def frame_covariance(picture: FittedMap, seen: Observations) -> F64:
    """Covariance (10, 10) of homography, k1 and k2 as points (N) tell them."""
    value, jacobian = lens_jacobian(picture, seen.points_mm)
    residual = seen.points_px - value
    chi = robust_weights(residual, seen.information, 1.0)[1]
    scale = max(unit_sd_of(chi), 1e-6)
    weights, _ = robust_weights(residual, seen.information, scale)
    weighted = seen.information * (weights / scale**2)[:, None, None]
    normal = (weighted @ jacobian).reshape(-1, 10).T @ jacobian.reshape(-1, 10)
    normal[8:, 8:] += LensPrior.usual().information
    normal[np.diag_indices(8)] += 1e-9 * np.trace(normal[:8, :8])
    try:
        return np.asarray(np.linalg.inv(normal), dtype=np.float64)
    except np.linalg.LinAlgError:
        # what the points do not tell at all is left unsure in its own unit
        unit = np.sqrt(np.maximum(np.diag(normal), 1e-12))
        told = normal / np.outer(unit, unit) + 1e-9 * np.eye(10)
        return np.asarray(np.linalg.inv(told) / np.outer(unit, unit), dtype=np.float64)


def homography_from_corners(corners_mm: F64, corners_px: F64) -> F64:
    """The homography (3, 3) through four point pairs (4, 2)."""
    rows = []
    for (x, y), (u, v) in zip(corners_mm, corners_px, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y, -u])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y, -v])
    _, _, vt = np.linalg.svd(np.asarray(rows))
    h = vt[-1].reshape(3, 3)
    return np.asarray(h / h[2, 2] if abs(h[2, 2]) > 1e-12 else h, dtype=np.float64)
