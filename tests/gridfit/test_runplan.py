"""The run plan: every compound in every block, positions in balance, random but repeatable."""

from collections import Counter

import numpy as np
import pandas as pd
import pytest

from gridfit.compounds import compare
from gridfit.runplan import AFRESH, MOST_BLOCKS, blocks_to_plan, run_plan

NAMES = ("soft", "medium", "hard")


def test_each_block_has_each_compound_once():
    plan = run_plan(NAMES, 5, np.random.default_rng(0))
    assert [one.order for one in plan] == list(range(1, 16))
    for block in range(1, 6):
        assert sorted(one.compound for one in plan if one.block == block) == sorted(NAMES)


@pytest.mark.parametrize("seed", range(5))
def test_positions_are_in_balance_over_as_many_blocks_as_compounds(seed):
    plan = run_plan(NAMES, 6, np.random.default_rng(seed))
    places = Counter((one.compound, (one.order - 1) % 3) for one in plan)
    assert set(places.values()) == {2}


def test_orders_are_dealt_at_random_and_repeat_with_the_seed():
    first = [run_plan(NAMES, 3, np.random.default_rng(seed)) for seed in range(40)]
    assert first[7] == run_plan(NAMES, 3, np.random.default_rng(7))
    orders = {tuple(one.compound for one in plan[:3]) for plan in first}
    assert len(orders) == 6


def test_drivers_and_grids_hold_within_a_block_and_take_turns():
    plan = run_plan(NAMES, 4, np.random.default_rng(1), drivers=("A", "B"), grids=("one", "two"))
    for block in range(1, 5):
        assert len({(one.driver, one.grids) for one in plan if one.block == block}) == 1
    assert Counter(one.driver for one in plan) == {"A": 6, "B": 6}
    assert Counter(one.grids for one in plan) == {"one": 6, "two": 6}


def _compared(spread, **columns):
    rng = np.random.default_rng(3)
    y = np.repeat([0.0, 0.10], 4) + spread * rng.standard_normal(8)
    names = ["soft"] * 4 + ["hard"] * 4
    table = pd.DataFrame({"run": range(8), "compound": names, "log_mu": y, "se": 0.0, **columns})
    return compare(table, np.random.default_rng(0))


def test_length_of_the_plan_follows_what_is_still_needed():
    calm = {"track_temp_c": [20.0, 21, 22, 23, 20, 21, 22, 23]}
    assert blocks_to_plan(_compared(0.005, **calm)) == 0
    assert blocks_to_plan(_compared(0.2, **calm)) == MOST_BLOCKS
    one_driver_each = {"driver": ["A"] * 4 + ["B"] * 4}
    assert blocks_to_plan(_compared(0.005, **calm, **one_driver_each)) == AFRESH
