"""Faults of single channels: found where they are, and nothing found where there are none."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridfit.signals import mending, sensors


def noisy(count=4000, seed=0, sd=0.05):
    rng = np.random.default_rng(seed)
    return 20.0 + 5.0 * np.sin(np.arange(count) / 300.0) + sd * rng.standard_normal(count)


@settings(max_examples=20, deadline=None)
@given(first=st.integers(200, 3000), length=st.integers(20, 600), seed=st.integers(0, 2**32 - 1))
def test_a_stuck_stretch_is_found_to_the_sample(first, length, seed):
    values = noisy(seed=seed)
    values[first : first + length] = values[first]
    found = sensors.stuck(values, 0.01, np.ones(values.size, dtype=bool))
    assert found[first : first + length].all()
    assert found.sum() <= length + 2


def test_a_sound_channel_is_neither_stuck_nor_lost_nor_saturated():
    values = noisy()
    moving = np.ones(values.size, dtype=bool)
    assert not sensors.stuck(values, 0.01, moving).any()
    assert not sensors.plunges(values, 0.01).any()
    assert not sensors.saturated(values, 0.01).any()


@pytest.mark.parametrize("length", [1, 7, 300])
def test_a_speed_that_is_nought_at_once_is_lost(length):
    values = noisy()
    values[1000 : 1000 + length] = 0.0
    assert np.flatnonzero(sensors.plunges(values, 0.01)).tolist() == list(range(1000, 1000 + length))


def test_a_wheel_that_locks_and_turns_again_is_not_lost():
    values = noisy()
    values[1000:1100] = np.concatenate([np.linspace(20.0, 0.0, 15), np.zeros(60), np.linspace(0.0, 18.0, 25)])
    assert not sensors.plunges(values, 0.01).any()


def test_a_range_that_ends_is_told_from_a_sensor_that_sticks_once():
    values = noisy()
    ended = np.minimum(values, 23.0)
    assert (sensors.saturated(ended, 0.01) == (ended >= 23.0)).mean() > 0.98
    stuck = values.copy()
    stuck[1000:1200] = values.max() + 1.0
    assert not sensors.saturated(stuck, 0.01).any()


def test_throttle_at_its_stops_is_sound_and_between_them_is_not(drive, sheet):
    made = drive(40.0)
    rng = np.random.default_rng(1)
    made.throttle[:] = 0.5 + 0.2 * np.sin(np.arange(4000) / 100.0) + 0.002 * rng.standard_normal(4000)
    made.throttle[1000:2000] = 1.0
    run = made.run()
    assert not mending.mend(run, made.v_u_mps, sheet)["throttle"].marks
    run.table.loc[2500:2900, "throttle"] = run.table["throttle"].iloc[2500]
    marks = mending.mend(run, made.v_u_mps, sheet)["throttle"].marks
    assert list(marks) == ["stuck"]
    assert marks["stuck"].sum() == pytest.approx(400, abs=3)


def test_gaps_are_bridged_only_up_to_a_length():
    time_s = 0.01 * np.arange(100)
    values = time_s.copy()
    values[10:15] = np.nan
    values[40:70] = np.nan
    filled = mending.bridge(values, time_s, 0.12)
    assert filled[10:15] == pytest.approx(time_s[10:15])
    assert np.isnan(filled[40:70]).all()
