"""One batch call for everything: a single run is a batch of one, whatever the lanes, threads and grid sizes."""

from dataclasses import replace

import numpy as np
import pytest

from gridfit.carsheet import read_carsheet
from gridfit.grids import CutGrid, GridPair, TargetGrid, common_practice
from gridfit.plant.prior import from_carsheet
from gridfit.recovery import PART_INDEX
from gridfit.simulate.batch import Simulator
from gridfit.simulate.packing import friction_tables
from gridfit.simulate.parameters import INDEX
from gridfit.simulate.scenarios import COUNTS, ENTRY_SHARE, KINDS, Traction, catalogue


@pytest.fixture(scope="module")
def case(demo):
    sheet = read_carsheet(demo / "car.toml")
    plant = from_carsheet(sheet, np.random.default_rng(1), n_draws=3)
    return sheet, plant, catalogue(sheet, plant, np.random.default_rng(0))


def pairs(sheet):
    start = common_practice(sheet)
    speed = np.array([20.0, 60.0, 120.0])
    gears = np.arange(1.0, len(sheet.gearbox.ratios) + 1.0)
    cut = np.tile([0.0, 50.0, 99.0], (gears.size, 1))
    own = GridPair(TargetGrid(speed, np.full(3, 11.0)), CutGrid(np.array([0.0, 10.0, 25.0]), gears, cut), {})
    return [start, own, start]


def test_a_pair_scores_the_same_alone_and_among_others(case):
    sheet, plant, scenarios = case
    simulator = Simulator(sheet, scenarios, plant)
    together = simulator.parts(pairs(sheet))
    for i, pair in enumerate(pairs(sheet)):
        np.testing.assert_array_equal(simulator.parts([pair])[0], together[i])


def test_odd_numbers_of_lanes_change_nothing(case):
    sheet, plant, scenarios = case
    simulator = Simulator(sheet, scenarios, plant)
    whole = simulator.parts(pairs(sheet)[:1])
    for index in ([0], [3, 1, 2], list(range(17))):
        np.testing.assert_array_equal(simulator.parts(pairs(sheet)[:1], index), whole[:, index])


def test_threads_change_nothing(case):
    sheet, plant, scenarios = case
    alone = Simulator(sheet, scenarios, plant, threads=1).parts(pairs(sheet))
    for threads in (2, 3, 50):
        several = Simulator(sheet, scenarios, plant, threads=threads).parts(pairs(sheet))
        np.testing.assert_array_equal(several, alone)


def test_a_draw_is_the_same_whatever_draws_are_played_with_it(case):
    sheet, plant, scenarios = case
    simulator = Simulator(sheet, scenarios, plant)
    whole = simulator.parts(pairs(sheet)[:1])
    for draws in ([1], [2, 0], list(range(len(plant) - 1, -1, -1))):
        np.testing.assert_array_equal(simulator.parts(pairs(sheet)[:1], draws=draws), whole[:, :, draws])


def test_the_catalogue_is_the_standard_one(case):
    sheet, plant, scenarios = case
    for gear in scenarios.gears():
        kinds = [scenarios.kind[i] for i in scenarios.in_gear(gear)]
        assert [kinds.count(kind) for kind in KINDS] == list(COUNTS)
    traction = Traction.of(sheet, plant)
    entry = np.array([traction.entry_mps(int(g), 1.0, sheet.engine.limit_rpm) for g in scenarios.gear])
    share = scenarios.values[:, 0] / entry
    assert share.min() >= ENTRY_SHARE[0]
    assert share.max() <= ENTRY_SHARE[1]
    again = catalogue(sheet, plant, np.random.default_rng(0))
    np.testing.assert_array_equal(again.values, scenarios.values)


def test_no_cut_spins_more_than_a_steep_cut(case):
    sheet, plant, scenarios = case
    gears = np.arange(1.0, len(sheet.gearbox.ratios) + 1.0)
    target = TargetGrid(np.array([20.0, 120.0]), np.array([11.0, 11.0]))
    none, steep = (
        GridPair(target, CutGrid(np.array([0.0, 20.0]), gears, np.tile(row, (gears.size, 1))), {})
        for row in ([0.0, 0.0], [9.0, 99.0])
    )
    parts = Simulator(sheet, scenarios, plant).parts([none, steep])
    excess = parts[..., PART_INDEX["excess_slip_m"]].mean(axis=(1, 2))
    assert excess[1] < 0.5 * excess[0]


def test_every_draw_of_a_wide_prior_gives_numbers(case):
    """Stiff and heavily damped half shafts must not run away."""
    sheet, _, _ = case
    plant = from_carsheet(sheet, np.random.default_rng(7), n_draws=256)
    scenarios = catalogue(sheet, plant, np.random.default_rng(2))
    assert np.isfinite(Simulator(sheet, scenarios, plant).parts(pairs(sheet)[:2])).all()


def test_no_draw_of_the_prior_has_a_tyre_that_pushes_a_sliding_car_back(case):
    """A Magic Formula with C above 2 turns its sign at large slip; the car then stood still within a window."""
    sheet, _, _ = case
    plant = from_carsheet(sheet, np.random.default_rng(5), n_draws=4096)
    steep = plant.draws[np.argsort(plant.draws[:, INDEX["tyre_c"]])[-64:]]
    steep[:, INDEX["tyre_law"]] = 0.0
    tables = friction_tables(steep)
    assert np.all(tables > 0.0)
    some = replace(plant, draws=steep, grip=plant.grip[:64], slip=plant.slip[:64])
    scenarios = catalogue(sheet, some, np.random.default_rng(2))
    gears = np.arange(1.0, len(sheet.gearbox.ratios) + 1.0)
    uncut = CutGrid(np.array([0.0, 20.0]), gears, np.zeros((gears.size, 2)))
    none = GridPair(TargetGrid(np.array([20.0, 120.0]), np.array([10.0, 10.0])), uncut, {})
    _, states = Simulator(sheet, scenarios, some).watch(
        [none], np.arange(len(scenarios)), np.zeros(len(scenarios), np.intp)
    )
    assert np.isfinite(states).all()
    assert states[..., 0].min() >= 0.0
