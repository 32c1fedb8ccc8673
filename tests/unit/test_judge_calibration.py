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
    assert (fitted.intercept, fitted.ln_snr, fitted.margin) == pytest.approx(
        (-3.0, 1.0, 2.0), abs=0.15
    )


def test_a_feature_that_tells_true_from_false_gets_its_weight() -> None:
    """The weight of a further feature is found again on the natural log of one and its value."""
    rng = np.random.default_rng(9)
    snr, margin = np.exp(rng.uniform(1.0, 4.0, 20000)), rng.uniform(0.0, 1.0, 20000)
    share = rng.uniform(0.0, 1.0, 20000)
    score = -1.0 + 1.0 * np.log(snr) + 1.0 * margin - 6.0 * np.log1p(share)
    true = rng.random(20000) < 1 / (1 + np.exp(-score))
    fitted = fit_curve(snr, margin, true, {"colour_share": share})
    assert fitted.feature == {"colour_share": pytest.approx(-6.0, abs=0.3)}


def test_findings_that_are_all_true_give_finite_coefficients() -> None:
    """Without a single false finding the fit stays finite and confident."""
    rng = np.random.default_rng(8)
    snr, margin = rng.uniform(6, 60, 40), rng.uniform(0, 1, 40)
    fitted = fit_curve(snr, margin, np.ones(40, bool))
    assert np.isfinite([fitted.intercept, fitted.ln_snr, fitted.margin]).all()
    score = fitted.intercept + fitted.ln_snr * np.log(20.0) + fitted.margin * 0.5
    assert 1 / (1 + np.exp(-score)) > 0.9


def test_no_findings_cannot_be_fitted() -> None:
    """An empty set is refused by name."""
    with pytest.raises(ValueError, match="no findings"):
        fit_curve(np.empty(0), np.empty(0), np.empty(0, bool))
