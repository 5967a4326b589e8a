"""Breakpoints that the controller leaves free: on its steps, within its table, and never at a higher cost."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridfit.carsheet import read_carsheet
from gridfit.grids import CutGrid, GridPair, TargetGrid, common_practice
from gridfit.plant.prior import from_carsheet
from gridfit.recovery import PART_INDEX, PARTS
from gridfit.search.budget import Budget
from gridfit.search.objective import robust
from gridfit.search.placing import MOST_CANDIDATES, Freedom, candidates, freedom_of, moved
from gridfit.search.space import on_axes
from gridfit.search.study import search, solve
from gridfit.search.support import Support
from gridfit.simulate.scenarios import catalogue
from gridfit.simulate.visits import Visits
from tests.gridfit.search.landscape import DRAWS, GEAR_OF, GEARS, SEARCHED, START, task_of

QUICK = Budget(
    rounds=1, trials_per_gear=24, trials_target=24, front_trials=8, front_pairs=3, screen_draws=3,
    search_draws=DRAWS, final_draws=DRAWS, per_gear=4,
)  # fmt: skip


def even_visits(speed, error):
    return lambda pair: Visits(np.full(speed.size, 0.1), np.full((GEARS.size, error.size), 0.05))


def freedom(speeds=6, errors=5, visits=None):
    speed, error = candidates(5.0, 20.0, 110.0), candidates(0.5, 0.0, 40.0)
    return Freedom(speeds, errors, speed, error, visits or even_visits(speed, error))


def kinked():
    """A pair whose rows bend away from the usual breakpoints, at 3.5, 8 and 12.5 points."""
    error, cut = np.array([0.0, 3.5, 8.0, 12.5, 40.0]), np.array([0.0, 8.0, 15.0, 80.0, 90.0])
    return GridPair(
        TargetGrid(np.array([20.0, 45.0, 110.0]), np.array([30.0, 12.0, 9.0])),
        CutGrid(error, GEARS, np.tile(cut, (GEARS.size, 1))),
    )


def looked_up(grids, scenarios, draws):
    """Cost grows with the squared distance from the kinked pair, wherever a controller may look it up."""
    error, speed, best = np.linspace(0.0, 20.0, 41), np.linspace(20.0, 110.0, 37), kinked()
    parts = np.zeros((len(grids), scenarios.size, len(PARTS)))
    for c, pair in enumerate(grids):
        off = np.mean(np.log(pair.target.at(speed) / best.target.at(speed)) ** 2)
        for gear in np.unique(GEAR_OF[scenarios]):
            row = np.mean(((pair.cut.at(error, gear) - best.cut.at(error, gear)) / 30.0) ** 2)
            parts[c, GEAR_OF[scenarios] == gear, PART_INDEX["drive_lost_kmh"]] = 1.0 + row + off
    return parts


def solved(free, support=None, start=START):
    task = replace(task_of(looked_up, start), freedom=free)
    if free is not None:
        task = replace(task, axes=free.within(START))
    return solve(task, budget=QUICK, support=support, seed=1, progress=lambda what, share: None)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.05, 20.0), st.floats(0.0, 100.0), st.floats(0.0, 400.0))
def test_candidates_are_few_whole_steps_that_cover_the_range(step, low, width):
    places = candidates(step, low, low + width)
    assert np.all(np.diff(places) > 0.0)
    assert 2 <= places.size <= MOST_CANDIDATES + 3
    np.testing.assert_allclose(places / step, np.round(places / step), atol=1e-6)
    assert places[0] <= low + 1e-6
    assert places[-1] >= low + width - 1e-6
    assert places[0] >= 0.0


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 12), st.integers(2, 10), st.integers(0, 2**32 - 1))
def test_placed_breakpoints_fit_the_table_and_its_steps(speeds, errors, seed):
    rng = np.random.default_rng(seed)
    own = freedom(speeds, errors)
    seen = Visits(rng.exponential(1.0, own.speed_kmh.size), rng.exponential(1.0, (4, own.error_pct.size)))
    cut = np.sort(rng.uniform(0.0, 100.0, (GEARS.size, 7)), axis=1)
    pair = replace(START, cut=replace(START.cut, cut_pct=cut))
    found = replace(own, visits=lambda pair: seen).placed(pair, SEARCHED)
    for axis, places, count in (
        (found.target.speed_kmh, own.speed_kmh, speeds),
        (found.cut.slip_error_pct, own.error_pct, errors),
    ):
        assert axis.size == count
        assert np.all(np.diff(axis) > 0.0)
        assert np.all(np.isin(axis, places))
    assert found.cut.slip_error_pct[0] == 0.0
    assert found == on_axes(pair, found)


def test_breakpoints_lie_where_time_is_spent():
    near, far = (
        Visits(np.ones(19), np.tile(np.where(np.abs(np.arange(0.0, 40.5, 0.5) - at) < 6.0, 1.0, 0.0), (4, 1)))
        for at in (6.0, 30.0)
    )
    curved = on_axes(START, freedom().fine(START))
    rows = np.tile(90.0 * np.sin(np.pi / 80.0 * curved.cut.slip_error_pct), (GEARS.size, 1))
    pair = replace(curved, cut=replace(curved.cut, cut_pct=rows))
    low, high = (
        replace(freedom(), visits=lambda pair, seen=seen: seen).placed(pair, SEARCHED) for seen in (near, far)
    )
    assert np.median(low.cut.slip_error_pct) < 13.0 < np.median(high.cut.slip_error_pct)


def test_chosen_breakpoints_beat_usual_ones_that_miss_the_bends():
    kept, chosen = (solved(free) for free in (None, freedom(10, 7)))
    assert chosen.cost_best.mean - 1.0 < 0.8 * (kept.cost_best.mean - 1.0)
    assert np.any(np.abs(chosen.best.cut.slip_error_pct[:, None] - [8.0, 12.5]) <= 0.5)
    assert any("slip errors of the cut grid are chosen: 0, " in said for said in chosen.findings)


def test_usual_breakpoints_stay_where_they_serve_better():
    # candidates so coarse that nothing placed on them can follow the bends
    speed, error = np.array([20.0, 110.0]), np.array([0.0, 35.0, 40.0])
    coarse = Freedom(10, 7, speed, error, even_visits(speed, error))
    kept, chosen = solved(None), solved(coarse)
    np.testing.assert_array_equal(chosen.best.cut.slip_error_pct, START.cut.slip_error_pct)
    assert chosen.cost_best.mean == pytest.approx(kept.cost_best.mean, rel=0.02)
    assert not any("chosen" in said for said in chosen.findings)


def test_cells_and_other_choices_are_on_the_new_breakpoints():
    zero = np.zeros(START.cut.cut_pct.shape)
    support = Support(START, zero.astype(np.int64), zero, np.full(10, 9), np.ones(10))
    result = solved(freedom(5, 4), support)
    axes = result.best
    assert (axes.target.speed_kmh.size, axes.cut.slip_error_pct.size) == (5, 4)
    before = on_axes(START, axes)
    for note in result.cells:
        if note.gear is None:
            assert note.breakpoint in axes.target.speed_kmh
            assert note.before_pct == pytest.approx(float(before.target.at(note.breakpoint)))
        else:
            assert note.breakpoint in axes.cut.slip_error_pct
            assert note.before_pct == pytest.approx(float(before.cut.at(note.breakpoint, note.gear)))
    for label, pair in zip(result.front.table["label"], result.front.pairs, strict=True):
        assert label or np.array_equal(pair.cut.slip_error_pct, axes.cut.slip_error_pct)


def test_nothing_is_said_of_breakpoints_that_stay():
    assert moved(START, START) == []


def test_the_room_is_the_sheets_else_that_of_the_grids(demo):
    sheet = read_carsheet(demo / "car.toml")
    plant = from_carsheet(sheet, np.random.default_rng(1), n_draws=2)
    scenarios = catalogue(sheet, plant, np.random.default_rng(0))
    assert freedom_of(sheet, START, (20.0, 110.0), scenarios, plant) is None
    free = replace(sheet, controller=sheet.controller.model_copy(update={"free_breakpoints": True}))
    axes = kinked()
    own = freedom_of(free, axes, (20.0, 110.0), scenarios, plant)
    assert (own.speeds, own.errors) == (3, 5)
    told = {key: item for key, item in free.stood_in.items() if not key.endswith("_columns")}
    own = freedom_of(replace(free, stood_in=told), axes, (20.0, 110.0), scenarios, plant)
    assert (own.speeds, own.errors) == (10, 7)


def test_on_the_simulator_chosen_breakpoints_beat_evenly_spaced_ones(demo):
    """A table of 4 x 4 spread evenly over all that it can hold, against the same table with free breakpoints."""
    sheet = read_carsheet(demo / "car.toml")
    poor = {
        "speed_breakpoints": (0.0, 150.0, 300.0, 450.0), "error_breakpoints": (0.0, 60.0, 120.0, 180.0),
        "speed_columns": 4, "error_columns": 4,
    }  # fmt: skip
    told = {key: item for key, item in sheet.stood_in.items() if not key.startswith("controller.")}
    plant = from_carsheet(sheet, np.random.default_rng(1), n_draws=4)
    scenarios = catalogue(sheet, plant, np.random.default_rng(0))
    budget = replace(QUICK, trials_per_gear=16, trials_target=16, catalogues=1, search_draws=4, final_draws=4)
    costs, found = {}, {}
    for free in (False, True):
        controller = sheet.controller.model_copy(update={**poor, "free_breakpoints": free})
        own = replace(sheet, controller=controller, stood_in=told)
        result = search(own, plant, scenarios, common_practice(own), budget=budget, seed=1)
        costs[free], found[free] = float(robust(result.draws_best)), result
    assert costs[True] < 0.97 * costs[False]
    pair = found[True].best
    assert pair.cut.slip_error_pct.size == pair.target.speed_kmh.size == 4
    assert pair.cut.slip_error_pct[-1] <= 40.0
