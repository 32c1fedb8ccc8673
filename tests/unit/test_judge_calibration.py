"""Fitting confidence curves to findings with known truth."""

from __future__ import annotations

import numpy as np
import pytest

from dyelight.judge.calibration import fit_curve


def test_the_curve_that_made_the_truth_is_found_again() -> None:
    """On many drawn findings the fit comes near the coefficients they were drawn with."""
    rng = np.random.default_rng(7)
    snr = np.exp(rng.uniform(1.0, 4.0, 20000))
    margin = rng.uniform(0.0, 1.0, 20000)
    chance = 1 / (1 + np.exp(-(-3.0 + 1.0 * np.log(snr) + 2.0 * margin)))
    fitted = fit_curve(snr, margin, rng.random(20000) < chance)
    assert fitted == pytest.approx((-3.0, 1.0, 2.0), abs=0.15)


def test_findings_that_are_all_true_give_finite_coefficients() -> None:
    """Without a single false finding the fit stays finite and confident."""
    rng = np.random.default_rng(8)
    snr, margin = rng.uniform(6, 60, 40), rng.uniform(0, 1, 40)
    intercept, slope, room = fit_curve(snr, margin, np.ones(40, bool))
    assert np.isfinite([intercept, slope, room]).all()
    score = intercept + slope * np.log(20.0) + room * 0.5
    assert 1 / (1 + np.exp(-score)) > 0.9


def test_no_findings_cannot_be_fitted() -> None:
    """An empty set is refused by name."""
    with pytest.raises(ValueError, match="no findings"):
        fit_curve(np.empty(0), np.empty(0), np.empty(0, bool))
