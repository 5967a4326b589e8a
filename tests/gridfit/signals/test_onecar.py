"""Runs of one car pass, runs of two cars are refused with the reason."""

import numpy as np
import pytest

from gridfit.carsheet import read_carsheet
from gridfit.errors import DataError
from gridfit.signals.onecar import GEARING, PULL, CarMarks, marks, refuse_mixed
from gridfit.signals.prepare import prepare
from gridfit.signals.readers import expand, find_map, read_run


def _of(radius, pull):
    return [CarMarks(f"run{i}", r, p) for i, (r, p) in enumerate(zip(radius, pull, strict=True))]


@pytest.fixture(scope="module")
def prepared(demo):
    sheet = read_carsheet(demo / "car.toml")
    runs = [read_run(path, find_map(path), sheet) for path in expand([demo / "soft", demo / "hard"])[:4]]
    return sheet, prepare(runs, sheet, {})


def test_runs_of_one_car_agree_and_pass(prepared):
    sheet, signals = prepared
    found = marks(signals, sheet)
    radius, pull = np.array([one.radius_m for one in found]), np.array([one.pull for one in found])
    assert np.ptp(np.log(radius)) < 0.2 * GEARING
    # the sheet is within a few per cent of the car, so the pull is near 1 and alike
    assert np.isfinite(pull).all()
    assert np.ptp(np.log(pull)) < 0.4 * PULL
    assert np.abs(pull - 1.0).max() < 0.2
    refuse_mixed(found)


def test_other_tyre_sizes_and_fuel_loads_are_the_same_car():
    refuse_mixed(_of([0.310, 0.322, 0.300, 0.315], [1.0, 1.08, 0.93, 1.05]))


@pytest.mark.parametrize(
    ("radius", "pull", "words"),
    [
        ([0.31, 0.31, 0.36], [1.0, 1.0, 1.0], "engine turns per metre"),
        ([0.31, 0.31, 0.31], [1.0, 1.02, 1.5], "pull at full throttle"),
    ],
)
def test_another_car_is_refused_by_name_with_reason_and_remedy(radius, pull, words):
    with pytest.raises(DataError, match=words) as caught:
        refuse_mixed(_of(radius, pull))
    assert caught.value.exit_code == 4
    assert "run2" in str(caught.value)
    assert "run0" not in str(caught.value)
    assert "Take the other car's runs out" in str(caught.value)


def test_what_is_not_known_is_not_held_against_a_run():
    nan = float("nan")
    refuse_mixed(_of([nan, nan, 0.31], [nan, 1.0, nan]))
