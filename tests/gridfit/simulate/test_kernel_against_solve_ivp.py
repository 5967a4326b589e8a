"""The compiled kernel against the same equations in scipy's solve_ivp at tight tolerance (outside reference)."""

import numpy as np
import pytest

from gridfit.carsheet import read_carsheet
from gridfit.grids import CutGrid, GridPair, TargetGrid
from gridfit.plant.prior import from_carsheet
from gridfit.recovery import PART_INDEX
from gridfit.simulate import reference
from gridfit.simulate.batch import Simulator
from gridfit.simulate.scenarios import catalogue

CONTINUOUS = [
    PART_INDEX[name]
    for name in (
        "drive_lost_kmh", "excess_slip_m", "recovery_s", "jerk_rms", "lateral_lost", "overshoot_kmh",
        "cut_swing_pct",
    )
]  # fmt: skip
EPISODES = 64


@pytest.fixture(scope="module")
def case(demo):
    sheet = read_carsheet(demo / "car.toml")
    plant = from_carsheet(sheet, np.random.default_rng(1), n_draws=16)
    scenarios = catalogue(sheet, plant, np.random.default_rng(0))
    speed = np.array([20.0, 40.0, 60.0, 90.0, 130.0, 180.0])
    gears = np.arange(1.0, len(sheet.gearbox.ratios) + 1.0)
    cut = np.tile([0.0, 12.0, 40.0, 70.0, 90.0], (gears.size, 1))
    pair = GridPair(
        TargetGrid(speed, np.full(6, 11.0)), CutGrid(np.array([0.0, 3.0, 8.0, 15.0, 25.0]), gears, cut), {}
    )
    rng = np.random.default_rng(3)
    chosen = [(int(rng.integers(len(scenarios))), int(rng.integers(16))) for _ in range(EPISODES)]
    judge = np.array([reference.simulate(sheet, pair, scenarios, n, plant, d).parts for n, d in chosen])
    return sheet, plant, scenarios, pair, chosen, judge


def errors(case, step_s):
    """Relative errors of the continuous parts, per episode: errors[episodes, parts].

    Against the value itself, or the part's mean over the episodes where that is larger: a part that is nearly
    nothing in an episode has no meaningful relative error there.
    """
    sheet, plant, scenarios, pair, chosen, judge = case
    parts = Simulator(sheet, scenarios, plant, step_s=step_s).parts([pair])[0]
    got = np.array([parts[n, d] for n, d in chosen])[:, CONTINUOUS]
    want = judge[:, CONTINUOUS]
    return np.abs(got - want) / np.maximum(np.abs(want), np.abs(want).mean(axis=0))


def test_p95_error_at_the_search_step(case):
    assert np.percentile(errors(case, 0.0025), 95) <= 0.003


def test_largest_error_at_the_verification_step(case):
    assert errors(case, 0.001).max() <= 0.003


def test_halving_the_step_cuts_the_error_at_least_threefold(case):
    coarse, fine = (np.percentile(errors(case, step), 95) for step in (0.0025, 0.00125))
    assert coarse >= 3.0 * fine


def test_a_wrong_plant_is_noticed(case):
    """Negative control: the same comparison with every parameter 5 % off fails by far."""
    sheet, plant, scenarios, pair, chosen, judge = case
    wrong = type(plant)(
        plant.draws * 1.05, plant.origin, plant.compounds, plant.grip, plant.slip, plant.episodes
    )
    assert np.percentile(errors((sheet, wrong, scenarios, pair, chosen, judge), 0.001), 95) > 0.02
