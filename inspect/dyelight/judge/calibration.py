"""Fit a confidence curve to findings whose truth is known."""

from __future__ import annotations

import numpy as np

from ..records import F64, Mask


def fit_curve(snr: F64, margin: F64, true: Mask, ridge: float = 0.01) -> tuple[float, float, float]:
    """Intercept, ln_snr and margin coefficients of one family for calibration.toml.

    `snr`, `margin` (N,) float64 and `true` (N,) bool: one entry a finding. Logistic regression by
    Newton's method (iteratively reweighted least squares; McCullagh & Nelder, Generalized Linear
    Models, 2nd ed. 1989, section 2.5). `ridge` is the penalty on the squared slopes: it keeps
    them finite where all findings are true. Raises ValueError on no findings.
    """
    if len(true) == 0:
        raise ValueError("no findings to fit a confidence curve to")
    design = np.column_stack([np.ones(len(true)), np.log(np.maximum(snr, 1.0)), margin])
    # one half finding of each truth at the mean keeps the intercept finite as well
    design = np.vstack([design, design.mean(axis=0), design.mean(axis=0)])
    truth = np.append(true.astype(np.float64), [0.0, 1.0])
    counts = np.append(np.ones(len(true)), [0.5, 0.5])
    penalty = np.diag([1e-9, ridge, ridge])
    beta = np.zeros(3)
    for _ in range(100):
        chance = 1.0 / (1.0 + np.exp(-np.clip(design @ beta, -50.0, 50.0)))
        spread = counts * chance * (1.0 - chance) + 1e-12
        slope = design.T @ (counts * (truth - chance)) - penalty @ beta
        step = np.linalg.solve(design.T @ (design * spread[:, None]) + penalty, slope)
        # bounded steps: a plain Newton step may run off where the curve is flat
        beta = beta + step * min(1.0, 2.0 / max(float(np.abs(step).max()), 1e-12))
        if float(np.abs(step).max()) < 1e-9:
            break
    return float(beta[0]), float(beta[1]), float(beta[2])
