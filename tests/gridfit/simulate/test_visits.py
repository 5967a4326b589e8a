"""Where episodes spend their time, against the independent integration by solve_ivp (SciPy)."""

from dataclasses import replace

import numpy as np
import pytest

from gridfit.carsheet import read_carsheet
from gridfit.grids import common_practice, read_grids
from gridfit.plant.prior import from_carsheet
from gridfit.simulate import reference
from gridfit.simulate.reference import V
from gridfit.simulate.scenarios import catalogue
from gridfit.simulate.visits import visits
from gridfit.units import KMH_PER_MPS

SPEED, ERROR = np.arange(10.0, 160.0, 10.0), np.arange(0.0, 42.0, 2.0)


@pytest.fixture(scope="module")
def case(demo):
    sheet = read_carsheet(demo / "car.toml")
    plant = from_carsheet(sheet, np.random.default_rng(1), n_draws=2)
    return sheet, plant, catalogue(sheet, plant, np.random.default_rng(0))


@pytest.mark.parametrize("draws", [1, 2])
def test_time_above_the_target_is_the_reference_s(case, demo, draws):
    sheet, plant, scenarios = case
    pair = read_grids(demo / "grids_start.json")
    some = scenarios.take([0, 9, 20, 30])
    found = visits(sheet, pair, some, plant, speed_kmh=SPEED, error_pct=ERROR, draws=draws)
    at_speed = np.zeros(SPEED.size)
    for draw in range(draws):
        for position in range(len(some)):
            trace = reference.simulate(sheet, pair, some, position, plant, draw, rtol=1e-5)
            above = (trace.time_s >= 0.0) & (trace.error_pct > 0.0)
            held = np.gradient(trace.time_s)
            nearest = np.abs(KMH_PER_MPS * trace.states[above, V, None] - SPEED).argmin(axis=1)
            at_speed += np.bincount(nearest, held[above], SPEED.size)
    at_speed /= draws * len(some)
    assert found.speed_s.sum() == pytest.approx(at_speed.sum(), rel=0.03)
    np.testing.assert_allclose(found.speed_s, at_speed, atol=0.02 * at_speed.sum())


def test_every_gear_has_its_own_mean_time(case):
    sheet, plant, scenarios = case
    found = visits(sheet, common_practice(sheet), scenarios, plant, speed_kmh=SPEED, error_pct=ERROR)
    played = np.isin(np.arange(1, sheet.gears + 1), scenarios.gear)
    assert np.all(found.error_s[~played] == 0.0)
    assert np.all(found.error_s[played].sum(axis=1) > 0.0)
    counts = np.bincount(scenarios.gear - 1, minlength=sheet.gears)
    assert found.error_s.sum(axis=1) @ counts / counts.sum() == pytest.approx(found.speed_s.sum())
    assert found.speed_s.sum() < 2.5


def test_more_cut_leaves_less_time_above_the_target(case):
    sheet, plant, scenarios = case
    start = common_practice(sheet)
    none, much = (
        replace(start, cut=replace(start.cut, cut_pct=np.full(start.cut.cut_pct.shape, cut)))
        for cut in (0.0, 80.0)
    )
    times = [
        visits(sheet, pair, scenarios, plant, speed_kmh=SPEED, error_pct=ERROR).speed_s.sum()
        for pair in (none, much)
    ]
    assert times[1] < 0.7 * times[0]
