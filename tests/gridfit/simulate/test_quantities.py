"""Cut gain, inertia and dead time by hand arithmetic from the invented car's sheet."""

from math import pi

import numpy as np
import pytest
from cases.goodcar import write_all

from gridfit.carsheet import read_carsheet
from gridfit.plant.prior import from_carsheet
from gridfit.simulate.parameters import INDEX
from gridfit.simulate.quantities import cut_gain_kmhps_per_pct, dead_time_s, inertia_kg

VALUES = {
    "torque_scale": 1.0, "efficiency": 0.93, "engine_inertia_kgm2": 0.13, "wheel_inertia_kgm2": 1.9,
    "rolling_radius_m": 0.31, "cut_effect": 0.9, "dead_time_s": 0.007, "dead_time_cycles": 0.15,
    "inertia_factor_1": 1.0, "inertia_factor_2": 1.1,
}  # fmt: skip


@pytest.fixture
def car(tmp_path):
    sheet = read_carsheet(write_all(tmp_path) / "car.toml")
    draws = from_carsheet(sheet, np.random.default_rng(0), n_draws=1).draws.copy()
    for name, value in VALUES.items():
        draws[0, INDEX[name]] = value
    return sheet, draws


def test_cut_gain_and_inertia(car):
    """Torque at 0.6 x 7200 = 4320 /min is 262 - 0.32 x 4 = 260.72 N m; gear 2 carries its own factor 1.1."""
    sheet, draws = car
    for gear, ratio, own in ((1, 3.63 * 3.9, 1.0), (2, 2.19 * 3.9, 1.1)):
        inertia_kgm2 = (1.9 + 0.13 * ratio**2) * own
        per_cut_radps2 = 0.01 * 0.9 * 260.72 * ratio * 0.93 / inertia_kgm2
        assert inertia_kg(sheet, draws)[0, gear - 1] == pytest.approx(inertia_kgm2 / 0.31**2, rel=1e-12)
        gain = cut_gain_kmhps_per_pct(sheet, draws)[0, gear - 1]
        assert gain == pytest.approx(-3.6 * 0.31 * per_cut_radps2, rel=1e-9)


def test_dead_time(car):
    """A four-stroke cycle takes two turns: 2 x 2 pi over the engine's angular speed."""
    sheet, draws = car
    cycle_s = 4.0 * pi / (4320.0 * 2.0 * pi / 60.0)
    assert dead_time_s(sheet, draws)[0] == pytest.approx(0.007 + 0.15 * cycle_s, rel=1e-12)
