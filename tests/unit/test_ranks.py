"""Ranks against NumPy's own (numpy.median, numpy.quantile, method "linear")."""

from __future__ import annotations

from math import isnan

import numpy as np
import pytest

from dyelight.ranks import median, medians, quantile, quantiles

_SIZES = (1, 2, 3, 8, 101, 4096)


@pytest.mark.parametrize("size", _SIZES)
@pytest.mark.parametrize("dtype", [np.float32, np.float64, np.uint8])
def test_median_of_any_shape(size: int, dtype: type[np.generic]) -> None:
    values = (np.random.default_rng(size).random((size, 2)) * 255).astype(dtype)
    assert median(values) == pytest.approx(float(np.median(values)), rel=1e-7)
    assert median(values[:, 0]) == pytest.approx(float(np.median(values[:, 0])), rel=1e-7)


def test_bright_bytes_do_not_overflow_and_nothing_has_no_median() -> None:
    assert median(np.array([250, 252], np.uint8)) == 251
    assert isnan(median(np.zeros(0, np.float32)))


@pytest.mark.parametrize("size", _SIZES)
@pytest.mark.parametrize("axis", [0, 1, -1])
def test_medians_along_an_axis(size: int, axis: int) -> None:
    values = np.random.default_rng(size).normal(size=(size, 5, 3)).astype(np.float32)
    np.testing.assert_array_equal(medians(values, axis), np.median(values, axis=axis))


@pytest.mark.parametrize("size", _SIZES)
@pytest.mark.parametrize("share", [0.0, 0.05, 0.5, 0.93, 1.0])
def test_quantiles(size: int, share: float) -> None:
    values = np.random.default_rng(size).normal(size=(size, 3)).astype(np.float32)
    np.testing.assert_allclose(quantile(values, share), np.quantile(values, share), rtol=1e-6)
    np.testing.assert_allclose(
        quantiles(values, (share, 0.3)), np.quantile(values, [share, 0.3], axis=0), rtol=1e-6
    )


def test_what_was_given_stays_as_it_is() -> None:
    values = np.array([3.0, 1.0, 2.0])
    median(values), medians(values), quantile(values, 0.5), quantiles(values, (0.5,))
    assert values.tolist() == [3.0, 1.0, 2.0]
