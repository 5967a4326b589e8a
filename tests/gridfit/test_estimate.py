"""Intervals against the normal distribution and against numpy's quantiles."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from gridfit.errors import DataError
from gridfit.estimate import NORMAL_95, Estimate


def test_the_normal_quantile_is_scipys():
    assert pytest.approx(norm.ppf(0.95), rel=1e-15) == NORMAL_95


def test_from_mean_and_sd_is_scipys_central_interval():
    lo, hi = norm.interval(0.90, loc=3.0, scale=0.5)
    made = Estimate.from_mean_sd(3.0, 0.5)
    assert (made.lo, made.hi) == pytest.approx((lo, hi))
    assert made.sd == pytest.approx(0.5)


def test_draws_of_a_known_distribution_cover_nine_in_ten():
    draws = np.random.default_rng(7).normal(10.0, 2.0, 100_000)
    made = Estimate.from_draws(draws)
    inside = np.mean((draws >= made.lo) & (draws <= made.hi))
    assert inside == pytest.approx(0.90, abs=1e-4)
    # Standard error of a 5 % quantile of n draws: sqrt(p (1 - p) / n) / density (order statistics).
    allowed = 4.0 * math.sqrt(0.05 * 0.95 / draws.size) / (norm.pdf(norm.ppf(0.05)) / 2.0)
    assert made.lo == pytest.approx(10.0 + 2.0 * norm.ppf(0.05), abs=allowed)


def test_draws_that_are_not_finite_are_left_out():
    assert Estimate.from_draws([np.nan, 2.0, np.inf]) == Estimate(2.0, 2.0, 2.0)
    assert math.isnan(Estimate.from_draws([np.nan]).mean)


def test_a_reversed_interval_is_refused():
    with pytest.raises(DataError, match="2 to 1"):
        Estimate(1.5, 2.0, 1.0)


@given(st.floats(-1e6, 1e6), st.floats(0.0, 1e6), st.floats(-1e3, 1e3))
def test_scaling_keeps_the_order_and_the_dict_round_trip(mean: float, sd: float, factor: float):
    made = Estimate.from_mean_sd(mean, sd).scaled(factor)
    assert made.lo <= made.hi
    assert Estimate.from_dict(made.to_dict()) == made


@pytest.mark.parametrize(
    ("made", "text"),
    [
        (Estimate(12.3, 10.7, 13.9), "12.3 (10.7 to 13.9)"),
        (Estimate(-0.01234, -0.0131, -0.0116), "-0.0123 (-0.0131 to -0.0116)"),
        (Estimate(1234.5, 1100.2, 1400.9), "1234 (1100 to 1401)"),
        (Estimate.exactly(0.0), "0 (0 to 0)"),
        (Estimate(math.nan, math.nan, math.nan), "unknown"),
    ],
)
def test_it_prints_the_digits_that_the_interval_carries(made: Estimate, text: str):
    assert str(made) == text
