"""Polish: on the controller's steps, in order, and never worse than it began."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from gridfit.recovery import PARTS
from gridfit.search.blocks import Bench
from gridfit.search.ledger import Ledger
from gridfit.search.moves import LEAPS, Resolution, row_moves, snap, straightened, target_moves, together
from gridfit.search.objective import deal
from gridfit.search.polish import curves_of, polish
from tests.gridfit.search.landscape import (
    DRAWS,
    ERROR,
    GEAR_OF,
    SEARCHED,
    SPEED,
    Bowl,
    judge_of,
    pair_of,
    reachable_best,
)


def bench_of(evaluate):
    return Bench(judge_of(evaluate), deal(GEAR_OF, DRAWS), lambda pair: 0.0, Ledger())


rows = hnp.arrays(np.float64, ERROR.size, elements=st.floats(0.0, 100.0)).map(np.sort)
targets = hnp.arrays(np.float64, SPEED.size, elements=st.floats(2.0, 60.0)).map(lambda x: np.sort(x)[::-1])


@settings(max_examples=12, deadline=None)
@given(rows, targets, st.sampled_from([1.0, 2.0, 5.0]), st.sampled_from([60.0, 100.0]))
def test_never_worse_on_steps_and_in_order(row, slip, step, top):
    bench = bench_of(Bowl(reachable_best()))
    resolution = Resolution(step, top)
    pair = pair_of(slip, np.minimum(row, top))
    began = bench.stand(resolution.pair(pair)).cost
    ended = polish(bench, pair, SEARCHED, resolution, (20.0, 110.0), passes=1)[-1]
    assert ended.cost <= began
    assert bench.stand(ended.pair).cost == pytest.approx(ended.cost)
    assert ended.pair.is_monotone
    np.testing.assert_allclose(ended.pair.cut.cut_pct / step, np.round(ended.pair.cut.cut_pct / step))
    assert ended.pair.cut.cut_pct.max() <= top
    np.testing.assert_allclose(ended.pair.target.slip_pct * 2, np.round(ended.pair.target.slip_pct * 2))


def test_reaches_the_bottom_of_a_bowl_from_nearby():
    best = Resolution().pair(reachable_best())
    bench = bench_of(Bowl(best))
    off = pair_of(best.target.slip_pct + 1.5, np.clip(best.cut.cut_pct + 3.0, 0, 100))
    ended = polish(bench, off, SEARCHED, Resolution(), (20.0, 160.0), passes=6, limit=6)[-1]
    assert ended.cost - 1.1 < 0.05 * (bench.stand(off).cost - 1.1)


def test_a_kink_that_buys_nothing_goes():
    """On a flat landscape every kink is needless; the cost stays what it was."""

    def flat(grids, scenarios, draws):
        return np.ones((len(grids), scenarios.size, len(PARTS)))

    kinked = pair_of(10.0, [10, 20, 70, 72, 74, 90, 99])
    ended = polish(bench_of(flat), kinked, SEARCHED, Resolution(), (20.0, 110.0), passes=1)[-1]
    for gear in SEARCHED:
        row = ended.pair.cut.row(gear)
        bends = straightened(row, ERROR, 1.0)
        assert not bends
    assert np.array_equal(ended.pair.cut.row(4), kinked.cut.row(4))


def test_a_kink_that_pays_stays():
    best = Resolution().pair(pair_of(10.0, [0, 0, 60, 60, 60, 60, 60]))
    ended = polish(bench_of(Bowl(best)), best, SEARCHED, Resolution(), (20.0, 110.0), passes=1)[-1]
    assert np.array_equal(ended.pair.cut.row(1), best.cut.row(1))


@given(rows, st.sampled_from([1.0, 2.5]), st.integers(0, 3))
def test_moves_of_a_row_keep_its_order_and_its_first_cells(row, step, first):
    row = snap(row, step, 100.0)
    for move in row_moves(row, Resolution(step, 100.0), first):
        assert np.all(np.diff(move[first:]) >= 0.0)
        assert np.array_equal(move[:first], row[:first])
        assert move.min() >= 0.0
        assert move.max() <= 100.0
        assert not np.array_equal(move, row)


@given(targets)
def test_moves_of_a_target_keep_it_falling_and_positive(slip):
    slip = np.maximum(snap(slip, 0.5, np.inf), 0.5)
    for move in target_moves(slip, Resolution()):
        assert np.all(np.diff(move) <= 0.0)
        assert move.min() >= 0.5


def test_a_target_that_rises_in_force_can_still_move():
    slip = np.array([10.0, 8.0, 12.0])
    moves = target_moves(slip, Resolution())
    assert len(moves) == 2 * len(LEAPS) * slip.size
    assert all(np.count_nonzero(move != slip) == 1 for move in moves)


def test_a_target_that_moves_as_a_whole_takes_the_rows_along():
    pair = pair_of(10.0, [0.0, 10.0, 25.0, 50.0, 75.0, 90.0, 95.0])
    curve = curves_of(pair, SEARCHED, Resolution(), (20.0, 110.0), wide=True)[-1]
    higher = curve.shape(pair, np.full(SPEED.size, 12.0))
    assert np.all(higher.target.slip_pct == 12.0)
    for gear in SEARCHED:
        # 2 points more slip allowed: the cut at an error is what stood 2 points further on
        expected = np.round(np.interp(ERROR + 2.0, ERROR, pair.cut.row(gear)))
        np.testing.assert_array_equal(higher.cut.row(gear), expected)
    np.testing.assert_array_equal(higher.cut.row(4), pair.cut.row(4))


def test_a_valley_of_target_and_rows_is_gone_along():
    """Cost asks for cut at slips, not at errors, and for a target far away: cell by cell nothing helps for long."""

    def valley(grids, scenarios, draws):
        parts = np.zeros((len(grids), scenarios.size, len(PARTS)))
        slip = np.linspace(10.0, 30.0, 21)
        for c, pair in enumerate(grids):
            level = float(pair.target.slip_pct.mean())
            for gear in np.unique(GEAR_OF[scenarios]):
                off = np.mean(
                    np.abs(pair.cut.at(slip - level, int(gear)) - np.clip(4.0 * (slip - 8.0), 0.0, 90.0))
                )
                parts[c, GEAR_OF[scenarios] == gear, 0] = 1.0 + off + 0.05 * abs(level - 6.0)
        return parts

    start = pair_of(12.0, np.clip(4.0 * (ERROR + 4.0), 0.0, 90.0))
    bench = bench_of(valley)
    ended = polish(bench, start, SEARCHED, Resolution(), (20.0, 110.0), passes=6, wide=True)[-1]
    by_cells = polish(bench, start, SEARCHED, Resolution(), (20.0, 110.0), passes=6)[-1]
    # 1 is the least that any pair costs
    assert ended.cost - 1.0 < 0.8 * (by_cells.cost - 1.0)


def test_moves_that_help_are_joined_best_first():
    row = np.array([10.0, 20.0, 30.0, 40.0])
    moves = [np.array([12.0, 20, 30, 40]), np.array([10.0, 20, 30, 44]), np.array([10.0, 24, 30, 40])]
    joined = together(row, moves, np.array([0.1, 0.3, -0.2]))
    assert len(joined) == 1
    np.testing.assert_array_equal(joined[0], [12.0, 20, 30, 44])


def test_largest_cut_is_the_last_whole_step_below_it():
    np.testing.assert_allclose(snap(np.array([100.0, 97.0, 4.0]), 6.0, 100.0), [96.0, 96.0, 6.0])
    np.testing.assert_allclose(snap(np.array([0.34]), 0.1, 100.0), [0.3], atol=0)
