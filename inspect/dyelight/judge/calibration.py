"""Fit a confidence curve to findings whose truth is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..records import F64, Mask


@dataclass(frozen=True, slots=True)
class FittedCurve:
    """Coefficients of one family for calibration.toml, as `Curve` in rules.py takes them."""

    intercept: float
    ln_snr: float
    margin: float
    feature: dict[str, float]


def fit_curve(
    snr: F64,
    margin: F64,
    true: Mask,
    features: Mapping[str, F64] | None = None,
    ridge: float = 0.01,
) -> FittedCurve:
    """Coefficients of one family's confidence curve.

    `snr`, `margin` (N,) float64, `true` (N,) bool and each of `features` (N,) float64: one entry a
    finding, 0 where a feature was not measured. Logistic regression by Newton's method (iteratively
    reweighted least squares; McCullagh & Nelder, Generalized Linear Models, 2nd ed. 1989,
    section 2.5). `ridge` is the penalty on the squared slopes: it keeps them finite where all
    findings are true. Raises ValueError on no findings.
    """
    if len(true) == 0:
        raise ValueError("no findings to fit a confidence curve to")
    features = features or {}
    columns = [np.log1p(np.maximum(values, 0.0)) for values in features.values()]
    design = np.column_stack([np.ones(len(true)), np.log(np.maximum(snr, 1.0)), margin, *columns])
    # one half finding of each truth at the mean keeps the intercept finite as well
    design = np.vstack([design, design.mean(axis=0), design.mean(axis=0)])
    truth = np.append(true.astype(np.float64), [0.0, 1.0])
    counts = np.append(np.ones(len(true)), [0.5, 0.5])
    penalty = np.diag([1e-9] + [ridge] * (design.shape[1] - 1))
    beta = np.zeros(design.shape[1])
    for _ in range(100):
        chance = 1.0 / (1.0 + np.exp(-np.clip(design @ beta, -50.0, 50.0)))
        spread = counts * chance * (1.0 - chance) + 1e-12
        slope = design.T @ (counts * (truth - chance)) - penalty @ beta
        step = np.linalg.solve(design.T @ (design * spread[:, None]) + penalty, slope)
        # bounded steps: a plain Newton step may run off where the curve is flat
        beta = beta + step * min(1.0, 2.0 / max(float(np.abs(step).max()), 1e-12))
        if float(np.abs(step).max()) < 1e-9:
            break
    intercept, ln_snr, room, *rest = (float(value) for value in beta)
    return FittedCurve(intercept, ln_snr, room, dict(zip(features, rest, strict=True)))
