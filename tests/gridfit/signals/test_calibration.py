"""The wheel-speed factor on drives whose factor is known by construction."""

import tempfile
from pathlib import Path

import numpy as np
import pytest

from gridfit.carsheet import read_carsheet
from gridfit.driveline import ROLLING_RESISTANCE, drag_force_n
from gridfit.signals import calibration
from gridfit.signals.prepare import prepare
from gridfit.units import GRAVITY_MPS2
from tests.gridfit.signals.conftest import SHEET, Drive

SLIP_PER_FORCE = 0.012


def wander(made, rng, stiffness=SLIP_PER_FORCE, coast=True):
    """Let the car speed up and slow down gently; slip follows the force of the driven wheels."""
    clock = made.time_s - made.time_s[0]
    phase = rng.uniform(0.0, 6.0)
    made.v_u_mps = 20.0 + 5.0 * np.sin(0.12 * clock + phase)
    acceleration = 5.0 * 0.12 * np.cos(0.12 * clock + phase)
    car = made.sheet.car
    force = acceleration + drag_force_n(made.v_u_mps, car.cda_m2) / car.mass_kg
    force += ROLLING_RESISTANCE * GRAVITY_MPS2
    made.slip_pct = 100.0 * stiffness * force
    made.throttle = np.clip(0.08 + 0.1 * acceleration, 0.0, 0.3) if coast else np.full(clock.size, 0.5)
    return made


def coverage(cars):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "car.toml"
        path.write_text(SHEET, encoding="utf-8")
        sheet = read_carsheet(path)
    hits = []
    for seed in range(cars):
        rng = np.random.default_rng(seed)
        factor, stiffness = rng.uniform(0.95, 1.05), rng.uniform(0.005, 0.0135)
        cda, slope = sheet.car.cda_m2 * rng.uniform(0.85, 1.15), rng.normal(0.0, 0.08)
        runs = []
        for number in range(3):
            made = Drive(sheet, 120.0)
            clock = made.time_s - made.time_s[0]
            rate, reach = rng.uniform(0.08, 0.16), rng.uniform(2.0, 6.0)
            phase = rate * clock + rng.uniform(0.0, 6.0)
            made.v_u_mps = 22.0 + reach * np.sin(phase)
            road = 0.1 * np.interp(clock, np.arange(0.0, 121.0, 5.0), rng.standard_normal(25))
            force = reach * rate * np.cos(phase) + drag_force_n(made.v_u_mps, cda) / sheet.car.mass_kg
            force += ROLLING_RESISTANCE * GRAVITY_MPS2 * rng.uniform(0.8, 1.2) + slope + road
            made.slip_pct = 100.0 * stiffness * force
            made.throttle = np.clip(0.1 + 0.08 * force, 0.0, 0.28)
            own = factor * (1.0 + 0.0005 * rng.standard_normal())
            runs.append(made.run(name=f"r{number}", factor=own, noise_kmh=rng.uniform(0.1, 0.6), rng=rng))
        hits += [signals.factor.covers(factor) for signals in prepare(runs, sheet, {})]
    return float(np.mean(hits))


@pytest.mark.parametrize("factor", [0.95, 0.9743, 1.0, 1.0263, 1.06])
def test_the_factor_comes_back_within_a_tenth_of_a_per_cent(drive, sheet, factor):
    rng = np.random.default_rng(1)
    runs = [
        wander(drive(120.0), rng).run(name=f"run{i}", factor=factor, noise_kmh=0.4, rng=rng) for i in range(3)
    ]
    for signals in prepare(runs, sheet, {}):
        assert signals.factor.mean == pytest.approx(factor, rel=0.001)
        assert signals.factor.covers(factor)


def test_the_steady_stretches_meet_zero_force_at_the_factor(drive, sheet):
    """Ratio over force, as it is drawn: made with slip of 1 % per m/s2, so exp(0.01 x force) over the factor."""
    made = drive(240.0)
    wander(made, np.random.default_rng(5))
    signals = prepare([made.run(factor=1.03, noise_kmh=0.1)], sheet, {})[0]
    steady = signals.steady
    assert steady["used"].sum() >= calibration.FEWEST_POINTS
    used = steady[steady["used"]]
    rest = np.log(used["ratio"]) - signals.slip_per_force_s2pm * used["force_mps2"]
    assert np.exp(rest.median()) == pytest.approx(signals.factor.mean, abs=1e-3)
    assert signals.factor.mean == pytest.approx(1.03, abs=2e-3)


def test_hard_driving_and_slip_do_not_pull_the_factor(drive, sheet):
    rng = np.random.default_rng(2)
    made = wander(drive(120.0), rng)
    spin = made.between(60.0, 100.0)
    made.throttle[spin] = 1.0
    made.slip_pct[spin] = 15.0
    signals = prepare([made.run(factor=1.02, noise_kmh=0.4, rng=rng)], sheet, {})
    assert signals[0].factor.mean == pytest.approx(1.02, rel=0.001)


def test_braking_is_left_out(drive, sheet):
    rng = np.random.default_rng(3)
    made = wander(drive(120.0), rng)
    slow = made.between(50.0, 90.0)
    made.brake_pa[slow] = 2e6
    made.slip_pct[slow] = -6.0
    signals = prepare([made.run(factor=0.99, noise_kmh=0.4, rng=rng)], sheet, {})
    assert signals[0].factor.mean == pytest.approx(0.99, rel=0.001)


def test_the_rear_axle_of_a_bend_runs_inside_the_front(drive, sheet):
    # Geometry: a rear axle's path is shorter by 1 - (wheelbase x curvature)^2/2.
    rng = np.random.default_rng(4)
    made = wander(drive(120.0), rng)
    curvature = 0.04
    run = made.run(factor=1.0, noise_kmh=0.1, rng=rng)
    inside = 1.0 - 0.5 * (sheet.car.wheelbase_m * curvature) ** 2
    run.table["speed_driven_mps"] *= inside
    half = 0.5 * curvature * sheet.car.track_m
    run.table["speed_fl_mps"] = run.table["speed_undriven_mps"] * (1.0 - half)
    run.table["speed_fr_mps"] = run.table["speed_undriven_mps"] * (1.0 + half)
    assert inside < 0.996
    assert prepare([run], sheet, {})[0].factor.mean == pytest.approx(1.0, abs=0.001)


def test_a_car_that_never_rolls_freely_gets_no_factor_but_a_wide_interval(drive, sheet):
    rng = np.random.default_rng(5)
    signals = prepare([wander(drive(60.0), rng, coast=False).run(factor=1.03)], sheet, {})[0]
    assert signals.factor.mean == 1.0
    assert signals.factor.hi - signals.factor.lo > 0.03
    failed = {finding.check for finding in signals.findings if not finding.passed}
    assert "wheel-speed factor" in failed


def test_runs_that_differ_keep_their_own_factor_and_say_so(drive, sheet):
    rng = np.random.default_rng(6)
    factors = (1.0, 1.0, 1.02)
    runs = [
        wander(drive(200.0), rng).run(name=f"run{i}", factor=factor, noise_kmh=0.2, rng=rng)
        for i, factor in enumerate(factors)
    ]
    prepared = prepare(runs, sheet, {})
    for signals, factor in zip(prepared, factors, strict=True):
        assert signals.factor.mean == pytest.approx(factor, rel=0.0015)
    failed = {finding.check for finding in prepared[0].findings if not finding.passed}
    assert "factor between runs" in failed


def test_the_interval_covers_about_as_often_as_it_says(drive, sheet):
    # 90 % nominal; the systematic allowance makes it wider than pure noise needs, so 85 % is the least.
    hits = 0
    for seed in range(20):
        rng = np.random.default_rng(100 + seed)
        run = wander(drive(60.0), rng).run(factor=1.01, noise_kmh=0.5, rng=rng)
        hits += prepare([run], sheet, {})[0].factor.covers(1.01)
    assert hits >= 17


def test_random_effects_agree_with_the_balanced_case():
    # Equal errors: DerSimonian and Laird's variance is s^2 - error^2 (moment estimator, from memory).
    means, error = np.array([0.0, 0.01, 0.02, 0.05]), 0.002
    shrunk, spread = calibration._random_effects(means, np.full(4, error))
    variance = float(np.var(means, ddof=1)) - error**2
    assert spread == pytest.approx(np.sqrt(variance), rel=1e-9)
    share = variance / (variance + error**2)
    assert [level for level, _ in shrunk] == pytest.approx(means.mean() + share * (means - means.mean()))


def test_the_interval_covers_cars_whose_drag_stiffness_and_road_are_unknown():
    """Coverage over made-up cars: 90 % nominal, 60 runs; 0.82 is the binomial's lower 2 % point.

    Drag area, rolling resistance and slope of the road are off by what owners and roads are off by, slip stiffness
    lies anywhere from 15 to 40 times the load, and the factor wanders by 0.05 % between runs.
    """
    assert coverage(20) >= 0.82
