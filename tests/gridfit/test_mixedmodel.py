"""The mixed model at its edges: variances at zero, unequal errors, refusals."""

import numpy as np
import pytest

from gridfit import mixedmodel
from gridfit.errors import DataError


def _sides(count):
    return np.eye(2)[np.arange(count) % 2]


def test_variance_is_zero_when_the_known_errors_explain_everything():
    y = np.array([0.10, 0.20, 0.101, 0.199, 0.099, 0.201])
    fit = mixedmodel.fit(y, _sides(6), np.zeros(6, dtype=int), np.eye(6) * 0.05**2)
    assert fit.theta[0] < 1e-12
    contrast = fit.contrast([-1, 1])
    # Three runs of known error 0.05 a side: sqrt(2/3) of it, and no more degrees of freedom than 6 - 2.
    assert contrast.se == pytest.approx(0.05 * np.sqrt(2 / 3), rel=1e-6)
    assert contrast.df == pytest.approx(4)


def test_a_poorly_known_run_counts_for_little():
    y = np.array([0.10, 0.20, 0.11, 0.21, 0.09, 0.19, 0.10, 0.80])
    error = np.array([0.01] * 7 + [2.0])
    fit = mixedmodel.fit(y, _sides(8), np.zeros(8, dtype=int), np.diag(error**2))
    assert fit.contrast([-1, 1]).estimate == pytest.approx(0.10, abs=0.002)


def test_more_known_error_never_narrows_the_answer():
    rng = np.random.default_rng(1)
    y = rng.normal(0, 0.02, 8)
    widths = []
    for error in (0.0, 0.01, 0.03, 0.1):
        fit = mixedmodel.fit(y, _sides(8), np.zeros(8, dtype=int), np.eye(8) * error**2)
        low, high = fit.contrast([-1, 1]).interval()
        widths.append(high - low)
    assert np.all(np.diff(widths) > -1e-9)


def test_answers_scale_with_the_data():
    rng = np.random.default_rng(2)
    y, error = rng.normal(0, 0.02, 7), rng.uniform(0.005, 0.02, 7)
    fits = [
        mixedmodel.fit(y * k, _sides(7), np.zeros(7, dtype=int), np.diag((k * error) ** 2))
        for k in (1.0, 1e3)
    ]
    one, other = (fit.contrast([-1, 1]) for fit in fits)
    assert other.estimate == pytest.approx(1e3 * one.estimate)
    assert other.se == pytest.approx(1e3 * one.se, rel=1e-6)
    assert other.df == pytest.approx(one.df, rel=1e-6)


def test_small_sample_correction_only_adds():
    rng = np.random.default_rng(3)
    for _ in range(20):
        error = rng.uniform(0.002, 0.05, 6)
        y = rng.normal(0, np.hypot(0.02, error))
        fit = mixedmodel.fit(y, _sides(6), np.zeros(6, dtype=int), np.diag(error**2))
        assert np.linalg.eigvalsh(fit.inflation).min() > -1e-12
        assert 0 < fit.contrast([-1, 1]).df <= 4


@pytest.mark.parametrize("design", [np.eye(2), np.ones((4, 2))])
def test_refuses_what_it_cannot_tell_apart(design):
    count = len(design)
    with pytest.raises(DataError, match="observations"):
        mixedmodel.fit(np.arange(count), design, np.zeros(count, dtype=int), np.eye(count))


def test_refuses_the_spread_of_a_group_with_one_observation():
    with pytest.raises(DataError, match="each group's variance"):
        mixedmodel.fit([1.0, 1.2, 2.0], np.eye(2)[[0, 0, 1]], [0, 0, 1], np.zeros((3, 3)))


def test_settles_on_whatever_errors_it_is_given():
    """Known errors and spreads over four decades, with and without a slope of known spread."""
    rng = np.random.default_rng(4)
    for _ in range(300):
        count = int(rng.integers(4, 13))
        error = 10.0 ** rng.uniform(-4, 0, count) * (rng.random() < 0.9)
        slope = rng.normal(0, 10, count) * (rng.random() < 0.5)
        y = rng.normal(0, 10.0 ** rng.uniform(-4, 0), count) + rng.normal(0, 1, count) * error
        known = np.diag(error**2) + 9e-6 * np.outer(slope, slope)
        contrast = mixedmodel.fit(y, _sides(count), np.zeros(count, dtype=int), known).contrast([-1, 1])
        assert np.isfinite([contrast.estimate, contrast.p_value]).all()
        assert contrast.se > 0
        assert 0 < contrast.df <= count - 2
