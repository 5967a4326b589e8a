"""Evidence: counts on hand-made runs, the pull towards the grids in force, and what is taken back."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from gridfit.estimate import Estimate
from gridfit.evidence import count_support, shares, what_to_test_next
from gridfit.grids import CutGrid, GridPair, TargetGrid
from gridfit.recovery import PARTS
from gridfit.search.blocks import Bench
from gridfit.search.ledger import Ledger
from gridfit.search.objective import deal
from gridfit.search.settle import GIVE_BACK, GIVE_BACK_COST, settle
from gridfit.search.support import ENOUGH_EPISODES, Support, doubt, pull
from gridfit.signals.note import RunNote
from gridfit.signals.prepared import Signals
from gridfit.signals.run import Run
from gridfit.simulate.kernel import N_SCENARIO, S_BASE, S_LATERAL, S_V0
from gridfit.simulate.scenarios import Scenarios
from tests.gridfit.search.landscape import DRAWS, GEAR_OF, SEARCHED, Bowl, judge_of, pair_of, reachable_best

SMALL = GridPair(
    TargetGrid([20.0, 40.0, 60.0], [20.0, 12.0, 10.0]),
    CutGrid([0.0, 5.0, 10.0], [1.0, 2.0], [[10.0, 20.0, 30.0]] * 2),
)


def signals_of(name, time_s, speed_kmh, error_pct):
    table = pd.DataFrame(
        {
            "time_s": np.asarray(time_s, dtype=float),
            "v_u_mps": np.asarray(speed_kmh, dtype=float) / 3.6,
            "slip_error_pct": np.asarray(error_pct, dtype=float),
        }
    )
    note = RunNote(compound="soft", date="2026-05-02", track="test track")
    run = Run(name, Path(f"{name}.csv"), table, note, ("time",), "0" * 64, 0)
    one = Estimate.exactly(1.0)
    return Signals(run, SMALL, one, one, table, ())


def episodes_of(*rows):
    return pd.DataFrame(rows, columns=["run", "gear", "start_index", "end_index"])


def test_time_is_shared_between_the_breakpoints_on_either_side():
    # 0.1 s at 2.5 points of error and 30 km/h: halfway between the breakpoints of both grids
    run = signals_of("a", np.arange(10) * 0.01, np.full(10, 30.0), np.full(10, 2.5))
    counted = count_support(SMALL, [run], episodes_of(("a", 1, 0, 9)))
    np.testing.assert_allclose(counted.cut_time_s[0], [0.05, 0.05, 0.0])
    np.testing.assert_allclose(counted.cut_time_s[1], 0.0)
    np.testing.assert_allclose(counted.target_time_s, [0.05, 0.05, 0.0])
    np.testing.assert_array_equal(counted.cut_episodes, [[1, 1, 0], [0, 0, 0]])
    np.testing.assert_array_equal(counted.target_episodes, [1, 1, 0])


def test_only_samples_of_the_episode_count_and_errors_beyond_the_last_cell_count_for_it():
    error = np.where(np.arange(20) < 10, 25.0, 5.0)
    run = signals_of("a", np.arange(20) * 0.01, np.full(20, 90.0), error)
    counted = count_support(SMALL, [run], episodes_of(("a", 2, 0, 9)))
    np.testing.assert_allclose(counted.cut_time_s[1], [0.0, 0.0, 0.1])
    np.testing.assert_allclose(counted.target_time_s, [0.0, 0.0, 0.1])


def test_below_the_first_error_there_is_no_cut_and_no_support():
    run = signals_of("a", np.arange(10) * 0.01, np.full(10, 20.0), np.full(10, -3.0))
    counted = count_support(SMALL, [run], episodes_of(("a", 1, 0, 9)))
    assert counted.cut_time_s.sum() == 0.0
    assert counted.target_time_s[0] == pytest.approx(0.1)


def test_an_episode_that_only_brushes_a_cell_does_not_count_for_it():
    error = np.full(30, 0.0)
    error[0] = 10.0
    run = signals_of("a", np.arange(30) * 0.01, np.full(30, 20.0), error)
    counted = count_support(SMALL, [run], episodes_of(("a", 1, 0, 29)))
    np.testing.assert_array_equal(counted.cut_episodes[0], [1, 0, 0])
    assert counted.cut_time_s[0, 2] == pytest.approx(0.01)


def test_episodes_add_up_over_runs_gears_without_a_row_use_the_nearest_and_unknown_gears_count_for_none():
    runs = [signals_of(n, np.arange(10) * 0.01, np.full(10, 20.0), np.zeros(10)) for n in "ab"]
    table = episodes_of(("a", 1, 0, 9), ("b", 5, 0, 9), ("b", 0, 0, 9), ("b", 1, 0, 9))
    counted = count_support(SMALL, runs, table)
    np.testing.assert_array_equal(counted.cut_episodes[:, 0], [2, 1])
    assert counted.target_episodes[0] == 4


def test_a_gap_in_the_log_counts_for_no_cell():
    time = np.array([0.0, 0.01, 0.02, 1.02, 1.03])
    run = signals_of("a", time, np.full(5, 20.0), np.zeros(5))
    counted = count_support(SMALL, [run], episodes_of(("a", 1, 0, 4)))
    assert counted.cut_time_s[0, 0] == pytest.approx(0.04)


def test_no_episodes_no_support():
    counted = count_support(SMALL, [], episodes_of())
    assert counted.cut_episodes.sum() == 0
    assert counted.target_time_s.sum() == 0.0


def test_shares_are_those_of_linear_interpolation():
    axis, values = np.array([0.0, 2.0, 5.0, 10.0]), np.array([3.0, 8.0, 1.0, 7.0])
    at = np.array([-4.0, 0.0, 1.3, 4.9, 10.0, 40.0])
    np.testing.assert_allclose(shares(axis, at) @ values, np.interp(at, axis, values))
    assert shares(axis, np.array([np.nan])).sum() == 0.0
    np.testing.assert_array_equal(shares(np.array([4.0]), np.array([1.0, 9.0])), [[1.0], [1.0]])


def full_support(pair, count):
    cells, knots = pair.cut.cut_pct.shape, pair.target.speed_kmh.shape
    return Support(
        pair,
        np.full(cells, count),
        np.full(cells, 1.0 * count),
        np.full(knots, count),
        np.full(knots, 1.0 * count),
    )


def test_pull_is_nothing_at_the_grids_in_force_and_falls_with_evidence():
    before, after = pair_of(10.0, 25.0), pair_of(12.0, 40.0)
    assert pull(before, full_support(before, 0), 5.0) == 0.0
    pulls = [pull(after, full_support(before, count), 5.0) for count in (0, 3, 30)]
    assert pulls[0] > pulls[1] > pulls[2] > 0.0
    assert pull(after, None, 5.0) == 0.0
    assert doubt(np.array([0, ENOUGH_EPISODES])) == pytest.approx([1.0, 0.5])


def test_support_of_the_wrong_shape_is_refused():
    with pytest.raises(ValueError, match=r"cut_episodes has shape \(1, 1\): must be \(2, 3\)"):
        Support(SMALL, np.zeros((1, 1), dtype=np.int64), np.zeros((2, 3)), np.zeros(3, np.int64), np.zeros(3))


def test_support_moves_to_other_axes_by_the_nearest_cell():
    counted = Support(
        SMALL, np.array([[1, 2, 3], [4, 5, 6]]), np.ones((2, 3)), np.array([7, 8, 9]), np.ones(3)
    )
    axes = GridPair(
        TargetGrid([22.0, 58.0], [10.0, 10.0]),
        CutGrid([0.0, 4.0, 9.0, 30.0], [1.0, 2.0, 3.0], np.zeros((3, 4))),
    )
    moved = counted.on(axes)
    np.testing.assert_array_equal(moved.cut_episodes, [[1, 2, 3, 3], [4, 5, 6, 6], [4, 5, 6, 6]])
    np.testing.assert_array_equal(moved.target_episodes, [7, 9])
    np.testing.assert_allclose(moved.pair.cut.cut_pct[0], [10.0, 18.0, 28.0, 30.0])


def settled(support_count, evaluate, start, proposal):
    judge = judge_of(evaluate)
    bench = Bench(judge, deal(GEAR_OF, DRAWS), lambda pair: 0.0, Ledger())
    return settle(bench, bench.stand(proposal), start, full_support(start, support_count), SEARCHED)


def test_a_change_without_evidence_that_the_draws_agree_on_stays_and_says_so():
    best = reachable_best()
    start = pair_of(best.target.slip_pct, best.cut.cut_pct * 0.5)
    at, notes = settled(0, Bowl(best), start, best)
    assert at.pair == best
    assert {note.basis for note in notes} == {"prior"}
    assert all(note.gain is not None and note.gain.lo > 0.0 for note in notes if note.after_pct > 20.0)
    assert all("no episode passed here" in note.reason for note in notes)


def test_a_change_without_evidence_that_the_draws_quarrel_over_is_taken_back():
    best = reachable_best()
    start = pair_of(best.target.slip_pct, best.cut.cut_pct * 0.9)
    torn = Bowl(best, scale=np.array([0.3, -1.0, 0.3, -1.0, 0.3, -1.0]))
    at, notes = settled(0, torn, start, best)
    assert np.array_equal(at.pair.cut.cut_pct[:3], start.cut.cut_pct[:3])
    assert {note.basis for note in notes} == {"held"}
    assert all(note.after_pct == note.before_pct for note in notes)


def test_the_same_change_with_evidence_stays():
    best = reachable_best()
    start = pair_of(best.target.slip_pct, best.cut.cut_pct * 0.9)
    torn = Bowl(best, scale=np.array([1.0, -0.9, 1.0, -0.9, 1.0, -0.9]))
    at, notes = settled(ENOUGH_EPISODES, torn, start, best)
    assert at.pair == best
    assert {note.basis for note in notes} == {"data"}
    assert all(f"{ENOUGH_EPISODES} episodes passed here" in note.reason for note in notes)


@pytest.mark.parametrize("seed", range(6))
def test_what_is_taken_back_costs_next_to_nothing_of_the_gain(seed):
    rng = np.random.default_rng(seed)
    best = reachable_best()
    start = pair_of(best.target.slip_pct * 1.3, best.cut.cut_pct * 0.7)
    bowl = Bowl(best, scale=rng.normal(0.4, 0.8, DRAWS))
    bench = Bench(judge_of(bowl), deal(GEAR_OF, DRAWS), lambda pair: 0.0, Ledger())
    before, proposed = bench.stand(start).cost, bench.stand(best).cost
    at, _ = settled(0, bowl, start, best)
    most = min(GIVE_BACK * max(0.0, before - proposed), GIVE_BACK_COST * proposed)
    assert at.cost <= proposed + most + 1e-12
    assert at.pair.is_monotone


def scenarios_of(gears, kinds, speeds_kmh):
    values = np.zeros((len(gears), N_SCENARIO))
    values[:, S_V0], values[:, S_BASE] = np.asarray(speeds_kmh) / 3.6, 1.0
    values[0, S_LATERAL] = 0.3
    return Scenarios(values, np.asarray(gears, dtype=np.int64), tuple(kinds))


def test_next_test_is_the_manoeuvre_that_the_draws_differ_on():
    scenarios = scenarios_of([1, 1, 2, 2], ["stab", "roll-on", "stab", "upshift"], [30, 34, 52, 61])
    parts = np.ones((4, 8, len(PARTS)))
    parts[2, :, 0] = np.linspace(0.0, 8.0, 8)
    first = what_to_test_next(scenarios, parts)[0]
    assert (first.gear, first.kind) == (2, "stab")
    assert "from about 50 km/h" in first.text
    assert "in a straight line" in first.text


def test_what_every_manoeuvre_shares_is_no_reason_to_drive_one():
    scenarios = scenarios_of([1, 1, 2], ["stab", "roll-on", "stab"], [30, 34, 52])
    parts = np.ones((3, 8, len(PARTS)))
    parts[:, :, 0] = np.linspace(0.0, 8.0, 8)
    assert what_to_test_next(scenarios, parts) == ()
    assert what_to_test_next(scenarios, parts[:, :1]) == ()
