"""The standard catalogue: how many of what, where they begin, and the refusal when nothing can spin."""

import numpy as np
import pytest
from cases.goodcar import swap, write_all

from gridfit.carsheet import read_carsheet
from gridfit.errors import DataError
from gridfit.plant.prior import from_carsheet
from gridfit.simulate import kernel as k
from gridfit.simulate.scenarios import catalogue, join


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    sheet = read_carsheet(write_all(tmp_path_factory.mktemp("car")) / "car.toml")
    plant = from_carsheet(sheet, np.random.default_rng(1), n_draws=4)
    return sheet, plant, catalogue(sheet, plant, np.random.default_rng(0))


def test_28_per_gear_in_the_stated_kinds(case):
    _, _, scenarios = case
    assert 1 in scenarios.gears()
    for gear in scenarios.gears():
        kinds = [scenarios.kind[i] for i in scenarios.in_gear(gear)]
        assert len(kinds) == 28
        counts = {name: kinds.count(name) for name in kinds}
        assert counts == {"stab": 8, "roll-on": 7, "damp patch": 5, "painted kerb": 4, "upshift": 4}


def test_entry_lies_between_30_and_64_percent_of_the_limit(case):
    """Engine speed at entry by hand: v / radius, times the overall ratio."""
    sheet, plant, scenarios = case
    radius = float(np.exp(np.log(plant.column("rolling_radius_m")).mean()))
    ratio = np.array(sheet.gearbox.ratios)[scenarios.gear - 1] * sheet.gearbox.final_drive
    rpm = scenarios.values[:, k.S_V0] / radius * ratio * 60.0 / (2.0 * np.pi)
    share = rpm / sheet.engine.limit_rpm
    assert share.min() >= 0.30 - 1e-9
    assert share.max() <= 0.64 + 1e-9
    assert share.max() - share.min() > 0.2


def test_demands_stay_in_their_ranges(case):
    _, _, scenarios = case
    lateral = scenarios.values[:, k.S_LATERAL]
    assert lateral.min() == 0.0
    assert 0.0 < lateral.max() <= 0.6
    patched = np.array([kind in ("damp patch", "painted kerb") for kind in scenarios.kind])
    assert (scenarios.values[patched, k.S_GRIP] < 1.0).all()
    assert (scenarios.values[~patched, k.S_GRIP] == 1.0).all()
    shifted = np.array([kind == "upshift" for kind in scenarios.kind])
    assert ((scenarios.values[:, k.S_CLUTCH] > 0.0) == shifted).all()


def test_the_seed_makes_the_catalogue(case):
    sheet, plant, scenarios = case
    np.testing.assert_array_equal(catalogue(sheet, plant, np.random.default_rng(0)).values, scenarios.values)
    assert (catalogue(sheet, plant, np.random.default_rng(1)).values != scenarios.values).any()


def test_take_and_join_undo_each_other(case):
    _, _, scenarios = case
    n = len(scenarios) // 2
    again = join([scenarios.take(list(range(n))), scenarios.take(list(range(n, len(scenarios))))])
    np.testing.assert_array_equal(again.values, scenarios.values)
    assert again.kind == scenarios.kind


def test_a_car_that_cannot_spin_is_refused(tmp_path):
    path = write_all(tmp_path) / "car.toml"
    swap(path, "[180, 215, 240, 262, 258, 241, 210]", "[36, 43, 48, 52, 51, 48, 42]")
    sheet = read_carsheet(path)
    plant = from_carsheet(sheet, np.random.default_rng(1), n_draws=4)
    with pytest.raises(DataError, match="cannot break traction in any gear") as caught:
        catalogue(sheet, plant, np.random.default_rng(0))
    assert caught.value.exit_code == 4
