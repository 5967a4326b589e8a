"""Channels of different rates on one clock: interpolated or held by kind, and nothing made up across a gap."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from gridfit.signals.rates import GAP_PERIODS, Track, merge, onto

FAST = np.arange(0.0, 10.0, 0.01)


def track(dimension: str, time_s: np.ndarray, values: np.ndarray) -> Track:
    return Track(dimension, dimension, time_s, values)


def test_wheel_speeds_keep_their_own_stamps():
    rpm_time = np.arange(0.0, 10.0, 0.002)
    speed = track("speed", FAST, np.sin(FAST))
    merged = merge([track("rotation", rpm_time, rpm_time), speed])
    assert merged.time_s is FAST
    assert_array_equal(merged.columns["speed"], np.sin(FAST))
    assert_allclose(merged.columns["rotation"], FAST, atol=1e-12)
    assert merged.remarks == ()


def test_without_a_speed_the_channel_with_the_most_samples_is_the_clock():
    slow = np.arange(0.0, 10.0, 0.1)
    assert merge([track("angle", slow, slow), track("fraction", FAST, FAST)]).time_s is FAST


@given(
    st.sampled_from(["speed", "fraction", "rotation", "angle", "acceleration", "pressure"]),
    st.floats(0.0, 0.05),
)
def test_smooth_quantities_are_interpolated(dimension: str, offset: float):
    own = np.arange(-0.1, 10.2, 0.05) + offset
    values, lost, missing = onto(track(dimension, own, 3.0 * own - 1.0), FAST)
    assert_allclose(values, 3.0 * FAST - 1.0, atol=1e-9)
    assert (lost, missing) == (0, 0)


@given(st.sampled_from(["count", "percent", "brake"]))
def test_gears_switches_and_commands_hold_their_last_value(dimension: str):
    own = np.arange(0.0, 10.0, 0.05)
    steps = np.where(own < 5.0, 0.0, 50.0)
    values, _, missing = onto(track(dimension, own, steps), FAST)
    assert set(values) == {0.0, 50.0}
    assert_array_equal(values == 50.0, FAST >= own[np.argmax(own >= 5.0)])
    assert missing == 0


@given(st.sampled_from(["speed", "fraction", "count", "percent"]), st.integers(1, 60), st.integers(20, 120))
def test_nothing_is_made_up_across_a_gap(dimension: str, lost_samples: int, at: int):
    own = np.arange(0.0, 10.0, 0.05) + 0.003  # never on a stamp of the clock
    kept = np.delete(np.arange(own.size), slice(at, at + lost_samples))
    values, lost, missing = onto(track(dimension, own[kept], own[kept]), FAST)
    inside = (FAST > own[at - 1]) & (FAST < own[at + lost_samples])
    width = (lost_samples + 1) * 0.05
    smooth = dimension in ("speed", "fraction")
    if width > GAP_PERIODS * 0.05 + 1e-9:
        assert missing >= np.isnan(values[inside]).sum() > 0
        assert np.isnan(values[inside]).all() or not smooth
    elif smooth:
        assert lost == inside.sum()
        assert np.isfinite(values[inside]).all()


def test_before_the_first_sample_and_after_the_last_there_is_no_value():
    own = np.arange(2.0, 8.0, 0.01)
    for dimension in ("speed", "count"):
        values, _, missing = onto(track(dimension, own, own), FAST)
        assert np.isnan(values[FAST < 2.0 - 1e-9]).all()
        assert np.isnan(values[FAST > 8.1]).all()
        assert missing == np.isnan(values).sum()


def test_wild_and_doubled_stamps_cost_only_themselves():
    own = np.arange(0.0, 10.0, 0.02)
    wild = own.copy()
    wild[100], wild[200], wild[301] = 1e6, -5.0, wild[300]
    values, _, missing = onto(track("speed", wild, own), FAST)
    good = np.isfinite(values)
    assert_allclose(values[good], FAST[good], atol=1e-9)
    assert missing <= 2


def test_a_channel_of_one_sample_gives_nothing():
    values, _, missing = onto(track("speed", np.array([1.0]), np.array([1.0])), FAST)
    assert np.isnan(values).all()
    assert missing == FAST.size
