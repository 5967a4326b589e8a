"""The fit's open-loop prediction against solve_ivp on the same equations: one plant in two places."""

import numpy as np
from cases.goodcar import write_all

from gridfit.carsheet import read_carsheet
from gridfit.grids import CutGrid, GridPair, TargetGrid
from gridfit.plant.prior import from_carsheet
from gridfit.simulate import kernel as k
from gridfit.simulate import reference
from gridfit.simulate.openloop import N_NUISANCE, predict
from gridfit.simulate.packing import pack
from gridfit.simulate.parameters import INDEX, Plant
from gridfit.simulate.scenarios import Scenarios

BEGIN_S, TICK_S, SAMPLES = 0.3, 0.01, 26
ROLLING, SPINNING = 1.6, 0.85
"""Grip of the surface on which full throttle in second gear rolls, and in first gear spins."""


def compare(folder, grip, gear, change=1.0):
    """Largest relative difference of driven, undriven and engine speed over 0.25 s, and the slip at its end."""
    sheet = read_carsheet(write_all(folder) / "car.toml")
    draws = from_carsheet(sheet, np.random.default_rng(0), n_draws=2).mean()[None, :]
    ones = np.ones((1, 1))
    plant = Plant(draws, "prior", ("hard",), ones, ones)
    rows = pack(sheet, draws)
    row = np.zeros((1, k.N_SCENARIO))
    row[0, [k.S_U0, k.S_U1, k.S_RAMP, k.S_GRIP, k.S_LOAD, k.S_BASE]] = 1.0, 1.0, 0.01, 1.0, 1.0, grip
    row[0, k.S_V0] = 0.45 * sheet.engine.limit_rpm / rows.gears[0, gear - 1, k.G_RPM]
    scenarios = Scenarios(row, np.array([gear]), ("logged",))
    target = TargetGrid(np.array([20.0, 200.0]), np.array([10.0, 10.0]))
    none = CutGrid(np.array([0.0, 20.0]), np.array([1.0]), np.zeros((1, 2)))
    trace = reference.simulate(sheet, GridPair(target, none, {}), scenarios, 0, plant, window_s=0.7)
    time = BEGIN_S + TICK_S * np.arange(SAMPLES)
    at = np.stack([np.interp(time, trace.time_s, state) for state in trace.states.T], axis=1)
    v, w, x = (at[0, i] for i in (reference.V, reference.W, reference.X))
    wrong = draws.copy()
    wrong[0, INDEX["torque_scale"]] *= change
    rows = pack(sheet, wrong)
    car, ratio = rows.car[0], rows.gears[0, gear - 1]
    shaft = ratio[k.G_FORCE] * np.interp(
        x * ratio[k.G_RPM] / rows.rpm_step, np.arange(rows.torque.shape[1]), rows.torque[0]
    )
    lead, push = at[0, reference.K] - (w - v) / v, (at[0, reference.S] - shaft) / car[k.C_FZ0]
    start = np.array([[[w, v, lead, np.log(grip), push, x - w, *[0.0] * (N_NUISANCE - 6)]]])
    got = predict(
        np.array([[0, 0, 0, SAMPLES]]), np.array([gear - 1]), time, np.ones(SAMPLES), np.zeros(SAMPLES),
        at[:, reference.X].copy(), at[:, reference.W].copy(), np.zeros(1), np.zeros(1), np.zeros((1, 1)), start,
        rows.car, rows.gears, rows.friction, rows.torque, rows.rpm_step, sheet.engine.idle_rpm, SAMPLES,
    )[0, 0]  # fmt: skip
    want = at[:, [reference.WM, reference.VM, reference.X]].T
    return np.max(np.abs(got / want - 1.0), axis=1), at[-1, reference.W] / at[-1, reference.V] - 1.0


def test_rolling_agrees(tmp_path):
    difference, slip = compare(tmp_path, ROLLING, 2)
    assert slip < 0.06
    assert difference.max() <= 0.005


def test_spinning_agrees(tmp_path):
    difference, slip = compare(tmp_path, SPINNING, 1)
    assert slip > 0.15
    assert difference.max() <= 0.005


def test_a_wrong_engine_is_noticed(tmp_path):
    """Negative control: a fifth more torque is beyond the same tolerance."""
    difference, _ = compare(tmp_path, ROLLING, 2, change=1.2)
    assert difference.max() > 0.005
