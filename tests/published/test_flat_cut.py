"""Common practice of the trade (no published source), through the simulator."""

from itertools import pairwise

import numpy as np

from gridfit.carsheet import read_carsheet
from gridfit.plant.prior import from_carsheet
from gridfit.simulate import kernel as k
from gridfit.simulate.openloop import N_NUISANCE, predict_window
from gridfit.simulate.packing import pack
from gridfit.simulate.parameters import INDEX
from gridfit.simulate.scenarios import Traction, breaking_gears


def _drive(sheet, cut, gear=3):
    """Speed gained over half a second on very grippy ground [m/s]."""
    plant = from_carsheet(sheet, np.random.default_rng(0), n_draws=2)
    draws = plant.mean()[None, :].copy()
    draws[0, INDEX["cut_effect"]], draws[0, INDEX["mu_peak"]] = 1.0, 2.4
    rows = pack(sheet, draws)
    time = np.arange(0.0, 1.5, 0.01)
    speed = 0.5 * sheet.engine.limit_rpm / rows.gears[0, gear - 1, k.G_RPM]
    out = np.zeros((3, time.size))
    ones = np.ones(time.size)
    predict_window(
        0, 0, 60, time.size, time, ones, cut * ones, speed * ones, speed * ones, 0.0, 0.0, 0.0,
        np.array([speed * 1.02, speed, *[0.0] * (N_NUISANCE - 2)]), rows.car[0], rows.gears[0, gear - 1],
        rows.friction[0], rows.torque[0], rows.rpm_step, sheet.engine.idle_rpm, out,
    )  # fmt: skip
    v = out[1]
    rest = rows.car[0, k.C_ROLL] + rows.car[0, k.C_DRAG] * v[40:90].mean() ** 2
    mass = rows.car[0, k.C_MASS] + rows.gears[0, gear - 1, k.G_INERTIA]
    return mass * (v[89] - v[39]) / 0.5 + rest


def test_a_flat_ten_per_cent_cut_takes_about_ten_per_cent_of_the_torque(demo):
    """Contract of the trade: one in ten events dropped takes off roughly 10 % (common practice, no source)."""
    sheet = read_carsheet(demo / "car.toml")
    whole, less = _drive(sheet, 0.0), _drive(sheet, 0.10)
    assert 0.08 < 1.0 - less / whole < 0.12


def test_lower_gears_need_more_cut_on_a_strong_car(demo):
    """The gearbox multiplies torque (common practice, no source): cut that holds the tyre at its peak."""
    sheet = read_carsheet(demo / "car.toml")
    plant = from_carsheet(sheet, np.random.default_rng(0), n_draws=8)
    traction = Traction.of(sheet, plant)
    needed = []
    for gear in breaking_gears(sheet, plant):
        speed = np.array([0.6 * sheet.engine.limit_rpm / traction.gears[gear - 1, k.G_RPM]])
        needed.append(float(1.0 - (traction.grip_n(speed) / traction.drive_n(gear, speed))[0]))
    assert len(needed) >= 2
    assert all(low > high for low, high in pairwise(needed))
