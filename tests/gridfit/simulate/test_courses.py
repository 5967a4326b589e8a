"""Courses from the compiled loop against the independent integration by solve_ivp (SciPy)."""

from dataclasses import replace

import numpy as np
import pytest

from gridfit.carsheet import read_carsheet
from gridfit.grids import read_grids
from gridfit.plant.prior import from_carsheet
from gridfit.recovery import PART_INDEX
from gridfit.simulate import reference
from gridfit.simulate.batch import VERIFY_STEP_S, Simulator
from gridfit.simulate.courses import courses
from gridfit.simulate.scenarios import catalogue
from gridfit.units import KMH_PER_MPS


@pytest.fixture(scope="module")
def played(demo):
    sheet = read_carsheet(demo / "car.toml")
    plant = from_carsheet(sheet, np.random.default_rng(1), n_draws=8)
    scenarios = catalogue(sheet, plant, np.random.default_rng(2))
    pairs = [read_grids(demo / "grids_start.json"), read_grids(demo / "grids_milder.json")]
    mean = replace(
        plant,
        draws=plant.mean()[None, :],
        grip=np.ones_like(plant.grip[:1]),
        slip=np.ones_like(plant.slip[:1]),
    )
    return sheet, pairs, scenarios, plant, mean


@pytest.mark.parametrize("position", [0, 10, 40])
def test_a_course_is_the_reference_s(played, position):
    sheet, pairs, scenarios, plant, mean = played
    found = courses(sheet, pairs, scenarios, position, plant)
    trace = reference.simulate(sheet, pairs[1], scenarios, position, mean, rtol=1e-4)
    course = found[1]
    slip = np.interp(course.time_s, trace.time_s, trace.error_pct + trace.target_pct)
    speed = np.interp(course.time_s, trace.time_s, KMH_PER_MPS * trace.states[:, reference.V])
    # A tenth of what counts as on target [2 points], at slips of 10 to 50 %.
    np.testing.assert_allclose(course.slip_pct, slip, atol=0.2)
    np.testing.assert_allclose(course.speed_kmh, speed, atol=0.02)
    assert course.time_s[-1] == pytest.approx(trace.time_s[-1], abs=0.01)


def test_a_course_has_the_overshoot_that_is_scored(played):
    sheet, pairs, scenarios, plant, mean = played
    parts = Simulator(sheet, scenarios, mean, step_s=VERIFY_STEP_S).parts(pairs)[:, :, 0]
    for position in (0, 20):
        for pair, course in enumerate(courses(sheet, pairs, scenarios, position, plant, every_s=0.001)):
            over = course.driven_kmh - course.speed_kmh - 0.01 * course.target_pct * course.speed_kmh
            shot = max(0.0, float(over[course.time_s > 0.0].max()))
            assert shot == pytest.approx(parts[pair, position, PART_INDEX["overshoot_kmh"]], abs=0.05)


def test_pairs_do_not_disturb_each_other(played):
    sheet, pairs, scenarios, plant, _ = played
    alone = courses(sheet, pairs[:1], scenarios, 5, plant)[0]
    among = courses(sheet, pairs * 4, scenarios, 5, plant)
    for one in among[::2]:
        np.testing.assert_array_equal(one.slip_pct, alone.slip_pct)
