"""The lag between two sources of a log: found where it is, never invented."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridfit.signals import sourcelag

TRUTH = Path(__file__).parents[3] / "datasets" / "formats" / "truth.npz"


def drive(
    rng: np.random.Generator, seconds: float = 120.0, rate_hz: float = 100.0
) -> tuple[np.ndarray, np.ndarray]:
    """A speed that wanders as a car's does [m/s], on its own clock."""
    time_s = np.arange(0.0, seconds, 1.0 / rate_hz)
    phases = rng.uniform(0.0, 2.0 * np.pi, 12)
    periods = rng.uniform(3.0, 30.0, 12)
    waves = np.sin(2.0 * np.pi * time_s[:, None] / periods + phases)
    return time_s, 25.0 + waves @ (0.25 * periods / 3.0) / 3.0


def test_satellite_speed_of_a_real_car_comes_late():
    # Source: commaai/comma2k19 (MIT), Example_1; satellite speed lags wheel speed by 0.16 s, the shift at which
    # their difference spreads least on a grid of 0.02 s, and agrees there to 0.079 m/s rms.
    stored = np.load(TRUTH)
    wheel = stored["wheel_mps"].mean(axis=1)
    lag = sourcelag.estimate(stored["wheel_t"], wheel, stored["gnss_t"], stored["gnss_speed_mps"])
    assert lag.lag_s.mean == pytest.approx(0.16, abs=0.02)
    assert lag.lag_s.lo < 0.165 < lag.lag_s.hi
    assert lag.late
    shifted = np.interp(stored["gnss_t"] - lag.lag_s.mean, stored["wheel_t"], wheel)
    assert np.std(shifted - stored["gnss_speed_mps"]) == pytest.approx(0.079, abs=0.001)


def test_the_two_axles_of_that_car_differ_by_no_more_than_slip_makes():
    # Driven wheels slip in proportion to acceleration, which looks like a lead: 1 % at 3 m/s2 and 15 m/s is
    # 0.05 s (common practice, no source). Both axles come in one message, so no source is late.
    stored = np.load(TRUTH)
    front, rear = (stored["wheel_mps"][:, at : at + 2].mean(axis=1) for at in (0, 2))
    lag = sourcelag.estimate(stored["wheel_t"], front, stored["wheel_t"], rear)
    assert lag.found
    assert 0.0 < lag.lag_s.mean < 0.06


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.floats(-0.6, 0.6),
    st.sampled_from([10.0, 20.0, 50.0, 100.0]),
    st.floats(0.0, 0.1),
    st.sampled_from([1.0, 3.6, 0.01]),
)
def test_any_lag_is_found_at_any_rate_noise_and_unit(
    seed: int, lag_s: float, rate_hz: float, noise: float, unit: float
):
    rng = np.random.default_rng(seed)
    time_s, speed = drive(rng)
    later_s = np.arange(0.003, 119.0, 1.0 / rate_hz)
    later = unit * (np.interp(later_s - lag_s, time_s, speed) + rng.normal(0.0, noise, later_s.size))
    lag = sourcelag.estimate(time_s, speed, later_s, later)
    assert lag.found
    assert lag.lag_s.mean == pytest.approx(lag_s, abs=0.02)
    assert lag.late == (abs(lag.lag_s.mean) >= sourcelag.LEAST_S and lag.p_value < 0.01)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_sources_that_have_nothing_to_do_with_each_other_have_no_lag(seed: int):
    rng = np.random.default_rng(seed)
    (time_s, first), (_, second) = drive(rng), drive(rng)
    assert not sourcelag.estimate(time_s, first, time_s, second).late


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.0, 0.05))
def test_no_lag_is_invented(seed: int, wild: float):
    rng = np.random.default_rng(seed)
    time_s, speed = drive(rng)
    noisy = speed + rng.normal(0.0, 0.2, speed.size)
    noisy[rng.random(speed.size) < wild] = 90.0
    lag = sourcelag.estimate(time_s, speed, time_s, noisy)
    assert not lag.late


def test_nothing_is_compared_across_a_hole():
    rng = np.random.default_rng(4)
    time_s, speed = drive(rng)
    kept = (time_s < 40.0) | (time_s > 60.0)
    later = np.interp(time_s - 0.2, time_s, speed)
    lag = sourcelag.estimate(time_s[kept], speed[kept], time_s, later)
    assert lag.lag_s.mean == pytest.approx(0.2, abs=0.005)


@pytest.mark.parametrize(
    ("rows", "value"), [(100, None), (5000, 7.0), (5000, np.nan)], ids=["short", "stands still", "empty"]
)
def test_too_little_tells_nothing(rows: int, value: float | None):
    time_s, speed = drive(np.random.default_rng(1))
    later = speed[:rows] if value is None else np.full(rows, value)
    assert sourcelag.estimate(time_s, speed, time_s[:rows], later) is sourcelag.UNKNOWN


def test_a_speed_that_is_steady_has_no_lag():
    time_s = np.arange(0.0, 60.0, 0.01)
    steady = 20.0 + np.random.default_rng(0).normal(0.0, 0.1, time_s.size)
    lag = sourcelag.estimate(
        time_s, steady, time_s, 20.0 + np.random.default_rng(1).normal(0.0, 0.1, time_s.size)
    )
    assert not lag.found
