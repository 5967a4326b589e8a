"""What-if: the same figures as the jobs' own evaluation, whichever way an edit comes about."""

import json

import numpy as np
import pytest
from service.test_api import GRIDS

from gridfit.carsheet import read_carsheet
from gridfit.grids import GridPair, read_grids
from gridfit.recovery import preference
from gridfit.simulate.batch import evaluate
from pipelines.service.desk import MOST_DESKS, Desk, Desks, evenly


@pytest.fixture(scope="module")
def desk(demo):
    return Desk.of(read_carsheet(demo / "car.toml"), None)


def edited(pair: GridPair, row: int, value: float) -> GridPair:
    data = json.loads(json.dumps(pair.to_dict()))
    data["cut"]["cut_pct"][row][2] = value
    return GridPair.from_dict(data)


def test_an_edited_pair_is_scored_as_the_jobs_score_it(desk, demo):
    pair = read_grids(demo / "grids_milder.json")
    # in every order: what was played before must not show
    for one in (pair, edited(pair, 0, 50.0), edited(pair, 1, 60.0), edited(pair, 4, 70.0), pair):
        whole = evaluate(desk.sheet, [one], desk.scenarios, desk.plant)[0]
        np.testing.assert_array_equal(desk.parts(one), whole)


def test_a_target_that_is_edited_changes_every_gear(desk, demo):
    pair = read_grids(demo / "grids_milder.json")
    data = pair.to_dict()
    data["target"]["slip_pct"] = [value / 2 for value in data["target"]["slip_pct"]]
    other = GridPair.from_dict(data)
    before, after = desk.parts(pair), desk.parts(other)
    for gear in desk.scenarios.gears():
        rows = desk.scenarios.in_gear(gear)
        assert not np.array_equal(before[rows], after[rows])


def test_a_pair_against_itself_is_no_change(desk, demo):
    pair = read_grids(demo / "grids_milder.json")
    told = Desks().play(("a", ""), lambda: desk, pair, pair, preference("balanced"), 0)
    assert told["all_gears"]["change"] == {"mean": 0.0, "lo": 0.0, "hi": 0.0}
    assert told["course"]["edited"] == told["course"]["beside"]


def test_what_was_remembered_stays_bounded(desk, demo):
    pair = read_grids(demo / "grids_milder.json")
    for value in range(120):
        desk.parts(edited(pair, 0, value / 2))
    assert len(desk.played) <= 96
    desks = Desks()
    for number in range(MOST_DESKS + 3):
        desks.play((str(number), ""), lambda: desk, pair, None, preference("balanced"), 0)
    assert len(desks._desks) == MOST_DESKS


def test_draws_are_taken_evenly(desk):
    few = evenly(desk.plant, 4)
    assert len(few) == 4
    np.testing.assert_array_equal(few.draws[[0, -1]], desk.plant.draws[[0, -1]])


def test_a_pair_on_other_breakpoints_and_fewer_rows_can_be_played(desk):
    told = Desks().play(("b", ""), lambda: desk, GridPair.from_dict(GRIDS), None, preference("calm"), 999)
    assert told["scenario"] == len(told["scenarios"]) - 1
    assert told["all_gears"]["edited"]["cost"]["mean"] > 0
