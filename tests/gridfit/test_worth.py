"""What a difference of compounds is worth: plants that carry the run-level model, exit speed, own and common grids."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from gridfit.carsheet import read_carsheet
from gridfit.compounds import compare
from gridfit.exitspeed import STEP_S, speeds_kmh
from gridfit.grids import common_practice
from gridfit.plant.prior import from_carsheet
from gridfit.recovery import PART_INDEX
from gridfit.search.budget import Budget
from gridfit.simulate import reference
from gridfit.simulate.batch import Simulator
from gridfit.simulate.parameters import INDEX
from gridfit.simulate.scenarios import catalogue
from gridfit.worth import COMMON, OWN, UNDER, appraise, compound_plants

TINY = Budget(
    rounds=1, trials_per_gear=8, trials_target=8, front_trials=8, front_pairs=1, screen_draws=4, search_draws=4,
    final_draws=4, catalogues=1, polish_passes=0,
)  # fmt: skip


@pytest.fixture(scope="module")
def sheet(demo):
    return read_carsheet(demo / "car.toml")


@pytest.fixture(scope="module")
def comparison():
    """Soft over hard by 8 %, four runs each, with slip at the peak."""
    rng = np.random.default_rng(4)
    y = np.repeat([0.08, 0.0], 4) + 0.01 * rng.standard_normal(8)
    slip = np.log(np.repeat([0.11, 0.13], 4)) + 0.03 * rng.standard_normal(8)
    table = pd.DataFrame(
        {
            "run": range(8), "compound": ["soft"] * 4 + ["hard"] * 4, "log_mu": y, "se": 0.004,
            "log_slip": slip, "log_slip_se": 0.03,
        }
    )  # fmt: skip
    return compare(table, rng)


@pytest.fixture(scope="module")
def plants(sheet, comparison):
    plant = from_carsheet(sheet, np.random.default_rng(0), n_draws=400)
    known = replace(plant, compounds=("soft", "hard"), grip=np.ones((400, 2)), slip=np.ones((400, 2)))
    return compound_plants(known, comparison, {"soft": 0.99, "hard": 1.01}, np.random.default_rng(1))


def test_plants_differ_as_the_run_level_model_says_with_its_uncertainty(plants, comparison):
    ratio = np.log(plants["soft"].column("mu_peak") / plants["hard"].column("mu_peak"))
    pair = comparison.pairs[0].difference
    assert np.median(ratio) == pytest.approx(-pair.estimate, abs=0.2 * pair.se)
    low, high = np.quantile(ratio, [0.05, 0.95])
    assert high - low == pytest.approx(np.subtract(*pair.interval()[::-1]), rel=0.2)
    assert np.median(plants["soft"].column("slip_peak")) == pytest.approx(0.11, rel=0.1)
    assert np.median(plants["hard"].column("slip_peak")) == pytest.approx(0.13, rel=0.1)


def test_plants_share_the_car_and_differ_in_radius(plants):
    soft, hard = plants["soft"], plants["hard"]
    tyre = [INDEX[name] for name in ("mu_peak", "slip_peak", "rolling_radius_m", "driven_factor")]
    rest = np.setdiff1d(np.arange(soft.draws.shape[1]), tyre)
    assert np.array_equal(soft.draws[:, rest], hard.draws[:, rest])
    assert hard.column("rolling_radius_m") / soft.column("rolling_radius_m") == pytest.approx(1.01 / 0.99)


def test_exit_speed_against_the_reference_solution(sheet):
    """Beside solve_ivp's own speed at the end of the window: stabs, roll-ons and upshifts within 0.2 km/h.

    At the prior's centre. Of 43 episodes on eight draws 40 were as near; one stab was 0.5 km/h off.
    """
    several = from_carsheet(sheet, np.random.default_rng(0), n_draws=2)
    plant = replace(several, draws=several.mean()[None], grip=several.grip[:1], slip=several.slip[:1])
    scenarios = catalogue(sheet, plant, np.random.default_rng(1))
    pair = common_practice(sheet)
    parts = Simulator(sheet, scenarios, plant, step_s=0.001).parts([pair])[0]
    speed = speeds_kmh(sheet, plant, scenarios, parts)
    time = np.arange(speed.shape[0]) * STEP_S
    for at in (0, 10, 24, 30, 52):
        trace = reference.simulate(sheet, pair, scenarios, at, plant, rtol=1e-4)
        end = float(parts[at, 0, PART_INDEX["window_s"]])
        true = np.interp(end, trace.time_s, 3.6 * trace.states[:, reference.V])
        limit = 0.2 if scenarios.kind[at] in ("stab", "roll-on", "upshift") else 1.2
        assert np.interp(end, time, speed[:, at, 0]) == pytest.approx(true, abs=limit), scenarios.label(at)


@pytest.fixture(scope="module")
def appraised(sheet, plants):
    few = {name: plant.take(6) for name, plant in plants.items()}
    return appraise(sheet, few, [common_practice(sheet)], budget=TINY, seed=1)


def test_more_grip_is_worth_exit_speed_under_own_and_common_grids(appraised):
    for under in UNDER:
        worth = appraised.of("soft", "hard", under)
        assert worth.differences["exit_speed_kmh"].hi < 0.0
        assert set(worth.to_dict()) == {"under", "exit_speed_kmh", "drive_lost_kmh", "recovery_s", "cost"}


def test_own_grids_cost_no_more_than_the_common_pair(appraised):
    for name in ("soft", "hard"):
        own, common = appraised.levels[name, OWN]["cost"], appraised.levels[name, COMMON]["cost"]
        assert own.mean <= common.mean + 1e-9


def test_the_same_compound_twice_is_worth_nothing(sheet, plants):
    twice = {"one": plants["soft"].take(4), "two": plants["soft"].take(4)}
    found = appraise(sheet, twice, [common_practice(sheet)], budget=TINY, seed=1)
    for under in UNDER:
        for size in found.of("one", "two", under).differences.values():
            assert size.mean == pytest.approx(0.0, abs=1e-9)
    assert found.common_is.startswith(("best of", "grids in force"))
