"""Brake, limiter, kerbs; small filters; repair of wheel speeds."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridfit.signals import filters, masks, wheels
from gridfit.signals.prepare import prepare


def test_a_brake_switch_is_taken_as_it_is():
    brake = np.array([0.0, 0.0, 1.0, 1.0, np.nan, 1.0, 0.0])
    assert list(masks.brake_on(brake)) == [False, False, True, True, True, True, False]


def test_brake_pressure_comes_on_at_one_bar_and_off_lower():
    bar = np.concatenate([np.zeros(100), [0.5, 0.9, 1.1, 0.8, 0.65, 0.55, 0.9], np.zeros(20)])
    on = masks.brake_on(1e5 * bar)[100:107]
    assert list(on) == [False, False, True, True, True, False, False]


def test_a_noisy_brake_sensor_with_an_offset_is_not_on():
    rng = np.random.default_rng(0)
    bar = 0.8 + 0.05 * rng.standard_normal(2000)
    bar[1500:1600] += 20.0
    on = masks.brake_on(1e5 * bar)
    assert on[1500:1600].all()
    assert not on[:1500].any()


def test_a_missing_brake_is_guessed_from_hard_slowing_with_shut_throttle():
    time_s = 0.01 * np.arange(1000)
    speed = 30.0 - 7.0 * np.clip(time_s - 4.0, 0.0, 2.0) - 1.5 * np.clip(time_s - 7.0, 0.0, 2.0)
    throttle = np.where(time_s < 3.5, 0.6, 0.0)
    on = masks.brake_guessed(time_s, speed, throttle)
    assert on[(time_s > 4.2) & (time_s < 5.8)].all()
    assert not on[(time_s < 3.8) | (time_s > 6.3)].any()
    assert not masks.brake_guessed(time_s, speed, np.ones(1000)).any()


def test_the_limiter_is_near_from_99_per_cent():
    assert list(masks.near_limiter(np.array([6929.0, 6930.0, 7100.0, np.nan]), 7000.0)) == [
        False,
        True,
        True,
        False,
    ]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.booleans(), max_size=60))
def test_intervals_cover_a_mask_exactly(mask):
    rebuilt = np.zeros(len(mask), dtype=bool)
    for first, last in zip(*filters.intervals(mask), strict=True):
        assert last > first
        assert not rebuilt[max(0, first - 1) : last].any()
        rebuilt[first:last] = True
    assert list(rebuilt) == mask


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-1.0, 1.0), min_size=1, max_size=80))
def test_hysteresis_agrees_with_a_loop(values):
    state, expected = False, []
    for value in values:
        state = True if value > 0.5 else (False if value <= 0.2 else state)
        expected.append(state)
    assert list(filters.hysteresis(np.array(values), 0.5, 0.2)) == expected


def test_noise_is_told_apart_from_movement():
    rng = np.random.default_rng(1)
    clock = 0.01 * np.arange(20_000)
    signal = 20.0 + 5.0 * np.sin(clock) + 0.13 * rng.standard_normal(clock.size)
    assert filters.noise_sd(signal) == pytest.approx(0.13, rel=0.03)


def test_noise_that_grows_with_speed_is_seen_to_grow():
    rng = np.random.default_rng(2)
    speed = np.tile(np.linspace(5.0, 40.0, 4000), 5)
    noisy = speed + 0.002 * speed * rng.standard_normal(speed.size)
    sd = filters.noise_by_speed(noisy, speed, 1e-4)
    assert sd[speed > 36.0].mean() == pytest.approx(0.002 * 38.0, rel=0.15)
    assert sd[speed < 8.0].mean() == pytest.approx(0.002 * 7.0, rel=0.4)


@pytest.mark.parametrize("window", [5, 7, 11, 21])
def test_the_gain_of_a_local_quadratic(window):
    # Centre weight of a quadratic of 2m + 1 points: 3(3m^2 + 3m - 1)/((2m - 1)(2m + 1)(2m + 3)).
    # Savitzky and Golay, Anal. Chem. 36(8), 1964, table I (formula from memory); gain is its root.
    m = window // 2
    weight = 3.0 * (3 * m * m + 3 * m - 1) / ((2 * m - 1) * (2 * m + 1) * (2 * m + 3))
    assert filters.noise_gain(window) == pytest.approx(np.sqrt(weight), rel=1e-9)


def test_smoothing_is_no_stronger_than_asked_for():
    rng = np.random.default_rng(3)
    noise = 0.2 * rng.standard_normal(20_000)
    sd = np.full(noise.size, 0.2)
    quiet = filters.smooth_to(noise, sd, np.full(noise.size, 0.5), 41)
    assert np.array_equal(quiet, noise)
    smoothed = filters.smooth_to(noise, sd, np.full(noise.size, 0.1), 41)
    assert 0.08 < smoothed.std() <= 0.1 * 1.03


def test_spikes_stand_out_and_steps_do_not():
    values = np.concatenate([np.zeros(50), np.full(50, 5.0)])
    sd = np.full(100, 0.1)
    assert not filters.spikes(values, sd, 5.0, 2).any()
    values[20] = 3.0
    values[70:72] = 1.0
    assert list(np.flatnonzero(filters.spikes(values, sd, 5.0, 2))) == [20, 70, 71]


def test_a_stuck_sensor_is_told_from_a_steady_car():
    rng = np.random.default_rng(4)
    moving = np.ones(3000, dtype=bool)
    speed = np.round(20.0 + np.linspace(0.0, 5.0, 3000) + 0.05 * rng.standard_normal(3000), 2)
    assert not wheels.stuck(speed, 0.01, moving).any()
    held = speed.copy()
    held[1000:1200] = held[1000]
    found = wheels.stuck(held, 0.01, moving)
    assert found[1000:1200].all()
    assert found.sum() == 200
    # Coarse resolution, steady car: long stretches of one value, none of them a fault.
    coarse = np.round(20.0 + np.linspace(0.0, 5.0, 3000), 0)
    assert not wheels.stuck(coarse, 0.01, moving).any()
    assert not wheels.stuck(np.full(3000, 18.0), 0.01, moving).any()


def corners(run, noise_mps, rng):
    for side, axle in (("fl", "un"), ("fr", "un"), ("rl", ""), ("rr", "")):
        wheel = run.table[f"speed_{axle}driven_mps"].to_numpy()
        run.table[f"speed_{side}_mps"] = wheel + noise_mps * rng.standard_normal(wheel.size)
    for axle, sides in (("un", ("fl", "fr")), ("", ("rl", "rr"))):
        run.table[f"speed_{axle}driven_mps"] = run.table[[f"speed_{side}_mps" for side in sides]].mean(axis=1)
    return run


def test_a_wheel_that_fails_is_replaced_by_its_partner(drive, sheet):
    rng = np.random.default_rng(5)
    made = drive(40.0)
    made.v_u_mps = np.linspace(15.0, 30.0, made.time_s.size)
    run = corners(made.run(), 0.05, rng)
    truth = made.v_u_mps
    bad = made.between(20.0, 21.0)
    run.table.loc[bad, "speed_fr_mps"] *= 0.31
    run.table["speed_undriven_mps"] = run.table[["speed_fl_mps", "speed_fr_mps"]].mean(axis=1)
    assert np.abs(run.table["speed_undriven_mps"] - truth).max() > 5.0
    axle = wheels.axle(run, sheet, driven=False)
    assert np.abs(axle.speed_mps - truth).max() < 0.4
    assert not axle.bad.any()


def test_a_kerb_that_strikes_one_wheel_is_marked_and_taken_out(drive, sheet):
    rng = np.random.default_rng(6)
    made = drive(40.0)
    run = corners(made.run(), 0.03, rng)
    at = np.flatnonzero(made.between(25.0, 25.01))
    run.table.loc[at, "speed_rl_mps"] += 3.0
    run.table["speed_driven_mps"] = run.table[["speed_rl_mps", "speed_rr_mps"]].mean(axis=1)
    table = prepare([run], sheet, {})[0].table
    assert table["kerb"].to_numpy()[at].all()
    assert table["kerb"].sum() < 10
    assert table["v_d_mps"].to_numpy()[at] == pytest.approx(18.0, abs=0.2)
    # The controller had the spike, so what it reads keeps it.
    assert table["v_d_raw_kmh"].to_numpy()[at] == pytest.approx(3.6 * 19.5, abs=0.5)


def test_a_long_dropout_of_the_driven_axle_is_bridged_by_the_engine(drive, sheet):
    made = drive(60.0)
    lost = made.between(40.0, 40.6)
    made.slip_pct[made.between(40.1, 40.5)] = 12.0
    run = made.run(noise_kmh=0.05)
    run.table.loc[lost, "speed_driven_mps"] = np.nan
    table = prepare([run], sheet, {})[0].table
    assert table["valid"].all()
    assert table["slip_pct"].to_numpy()[made.between(40.2, 40.4)] == pytest.approx(12.0, abs=1.0)


def test_a_long_dropout_without_engine_speed_is_not_valid(drive, sheet):
    made = drive(60.0)
    run = made.run(noise_kmh=0.05, without=("rpm",))
    lost = made.between(40.0, 40.6)
    run.table.loc[lost, "speed_driven_mps"] = np.nan
    assert np.array_equal(~prepare([run], sheet, {})[0].table["valid"].to_numpy(), lost)


def test_engine_speed_takes_noise_out_of_slip_without_blunting_its_edges(drive, sheet):
    made = drive(60.0)
    made.slip_pct[made.between(40.0, 40.1)] += 10.0
    errors = []
    for without in ((), ("rpm",)):
        run = made.run(noise_kmh=1.0, rng=np.random.default_rng(7), without=without)
        signals = prepare([run], sheet, {})[0]
        truth = made.v_u_mps * (1.0 + made.slip_pct / 100.0)
        errors.append((signals.table["v_d_smooth_mps"] - truth).to_numpy())
    away, near = made.between(10.0, 39.0), made.between(39.95, 40.15)
    # Windows of 0.15 s instead of 0.11 s at 100 Hz.
    share = filters.noise_gain(15) / filters.noise_gain(11)
    assert errors[0][away].std() / errors[1][away].std() == pytest.approx(share, rel=0.05)
    assert np.sqrt(np.mean(errors[0][near] ** 2)) < 0.7 * np.sqrt(np.mean(errors[1][near] ** 2))
