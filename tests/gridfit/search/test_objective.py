"""Judging: deals cover everything once, gear by gear is exact, lost numbers are refused."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gridfit.errors import DataError
from gridfit.recovery import PARTS, Preference, episode_cost, pair_cost
from gridfit.search.blocks import Bench
from gridfit.search.ledger import Ledger
from gridfit.search.objective import BLUR, DOUBT, MANY, Plays, deal, everything, robust
from gridfit.search.space import with_row
from tests.gridfit.search.landscape import DRAWS, GEAR_OF, START, Bowl, judge_of, pair_of, reachable_best


@given(st.integers(1, MANY - 1), st.integers(1, 10), st.integers(0, 5), st.integers(1, 4))
def test_deals_hold_every_draw_once_and_every_scenario_once(n_draws, per_gear, turn, gears):
    gear = np.repeat(np.arange(1, gears + 1), 14)
    at = deal(gear, n_draws, per_gear, turn)
    assert np.array_equal(np.unique(at.scenarios), np.arange(gear.size))
    hands = {}
    for draw in range(n_draws):
        own = at.scenarios[at.draws == draw]
        assert set(gear[own]) == set(gear)
        assert own.size == np.unique(own).size
        hands[own.tobytes()] = own
    # two draws have the same scenarios or none in common
    assert sum(own.size for own in hands.values()) == gear.size
    assert np.all(np.diff(at.draws) >= 0)


def test_dealt_whole_it_is_everything_on_everything():
    one, other = deal(GEAR_OF, 5), everything(GEAR_OF.size, 5)
    assert np.array_equal(one.draws, other.draws)
    assert np.array_equal(one.scenarios, other.scenarios)


@given(st.lists(st.integers(1, 5), min_size=1, max_size=12))
def test_every_play_is_in_one_group_with_its_draw(counts):
    plays = Plays(np.arange(sum(counts)), np.repeat(np.arange(len(counts)), counts))
    groups = plays.by_draw()
    assert sorted(np.concatenate([own.ravel() for _, own in groups]).tolist()) == list(range(sum(counts)))
    for places, own in groups:
        assert np.array_equal(plays.draws[own], np.broadcast_to(places[:, None], own.shape))


@pytest.mark.parametrize("per_gear", [None, 2, 4])
def test_playing_one_gear_equals_playing_all(per_gear):
    judge = judge_of(Bowl(reachable_best()))
    at = deal(GEAR_OF, DRAWS, per_gear)
    incumbent = judge.play([START], at)
    moved = [with_row(START, 2, np.linspace(0.0, top, 7)) for top in (40.0, 90.0)]
    alone = judge.play_gear(moved, 2, incumbent)
    np.testing.assert_allclose(judge.cost(alone), judge.cost(judge.play(moved, at)), rtol=1e-14)


def test_playing_one_gear_plays_only_that_gear():
    bowl = Bowl(reachable_best())
    judge, at = judge_of(bowl), deal(GEAR_OF, DRAWS)
    incumbent = judge.play([START], at)
    before = bowl.played
    judge.play_gear([START], 3, incumbent)
    assert bowl.played - before == np.sum(GEAR_OF == 3) * DRAWS


def test_cost_is_the_recovery_scores_own():
    parts = np.random.default_rng(5).random((2, GEAR_OF.size, DRAWS, len(PARTS)))
    judge = judge_of(lambda grids, scenarios, draws: parts[: len(grids), scenarios, draws])
    weights = Preference()
    expected = pair_cost(episode_cost(parts, weights), weights, axis=1)
    np.testing.assert_allclose(judge.cost_draws(judge.play([START, START], deal(GEAR_OF, DRAWS))), expected)


def test_without_a_known_pair_the_robust_cost_is_the_mean():
    assert robust(np.arange(1.0, 9.0)) == pytest.approx(4.5)


def test_robust_cost_by_hand():
    # known costs 2 in every draw: the first draw is as dear, the second far cheaper, the third far dearer, the fourth
    # dearer by the blur, whose logistic is 1 / (1 + 1/e)
    known, cost = np.full(4, 2.0), np.array([2.0, 1.0, 3.0, 2.0 * (1.0 + BLUR)])
    share = (0.5 + 0.0 + 1.0 + 1.0 / (1.0 + np.exp(-1.0))) / 4.0
    assert robust(cost, known) == pytest.approx(cost.mean() + DOUBT * 2.0 * share, rel=1e-6)


@given(st.lists(st.floats(0.1, 9.0), min_size=2, max_size=9), st.integers(0, 8), st.floats(0.01, 5.0))
def test_a_cost_that_rises_in_one_draw_never_lowers_the_robust_cost(known, draw, more):
    known = np.array(known)
    dearer = known.copy()
    dearer[draw % known.size] += more
    assert robust(dearer, known) > robust(known, known)


def test_costs_near_nothing_or_below_it_are_judged_all_the_same():
    assert np.isfinite(robust(np.array([0.0, -1.0, 2.0]), np.array([0.0, -0.5, 0.0])))
    assert np.isfinite(robust(np.zeros(3), np.zeros(3)))


def test_a_bench_against_known_pairs_counts_where_the_cheapest_of_them_costs_less():
    bench = Bench(judge_of(Bowl(reachable_best())), deal(GEAR_OF, DRAWS), lambda pair: 0.0, Ledger())
    other = pair_of(10.0, 30.0)
    draws = bench.judge.cost_draws(bench.judge.play([START, other], bench.at))
    against = bench.against([START, other])
    cheapest = draws[int(np.argmin(draws.mean(axis=1)))]
    np.testing.assert_array_equal(against.known, cheapest)
    assert against.stand(START).cost == pytest.approx(float(robust(draws[0], cheapest)))
    assert bench.against([]) is bench


def test_pairs_stand_together_as_they_stand_alone():
    bench = Bench(judge_of(Bowl(reachable_best())), deal(GEAR_OF, DRAWS, 2), lambda pair: 0.5, Ledger())
    bench = bench.against([START])
    pairs = [START, pair_of(10.0, 30.0), reachable_best()]
    for pair, together in zip(pairs, bench.stands(pairs), strict=True):
        alone = bench.stand(pair)
        assert together.pair is pair
        assert together.cost == alone.cost
        np.testing.assert_array_equal(together.played.parts, alone.played.parts)
    assert bench.stands([]) == []


@given(st.integers(1, 12), st.integers(1, DRAWS))
def test_a_dealt_bench_meets_only_what_the_whole_one_has(per_gear, draws):
    some = np.flatnonzero(np.arange(GEAR_OF.size) % 3 != 1)
    whole = everything(some.size, draws)
    at = Plays(some[whole.scenarios], whole.draws)
    dealt = Bench(judge_of(Bowl(reachable_best())), at, lambda pair: 0.0, Ledger()).dealt(per_gear).at
    assert set(dealt.scenarios) <= set(some)
    assert np.array_equal(np.unique(dealt.draws), np.arange(draws))
    for draw in range(draws):
        assert set(GEAR_OF[dealt.scenarios[dealt.draws == draw]]) == set(GEAR_OF[some])
    assert dealt.draws.size <= at.draws.size


def test_a_draw_without_a_number_is_refused_with_its_name():
    def lost(grids, scenarios, draws):
        parts = np.ones((len(grids), scenarios.size, len(PARTS)))
        parts[:, draws == 4] = np.nan
        return parts

    bench = Bench(judge_of(lost), deal(GEAR_OF, DRAWS, 4), lambda pair: 0.0, Ledger())
    with pytest.raises(DataError, match="draws 4"):
        bench.stand(START)


@given(st.integers(1, DRAWS), st.integers(2, 5))
def test_a_first_look_is_the_full_one_on_its_draws(count, per_gear):
    bench = Bench(
        judge_of(Bowl(reachable_best())), deal(GEAR_OF, DRAWS, per_gear), lambda pair: 0.0, Ledger()
    )
    bench = bench.against([pair_of(10.0, 30.0)])
    few, full = bench.first(count), bench.judge.play([START], bench.at)
    np.testing.assert_array_equal(few.judge.play([START], few.at).parts, full.first(count).parts)
    np.testing.assert_array_equal(few.known, bench.known[:count])
    draws = few.judge.cost_draws(full.first(count))
    np.testing.assert_array_equal(draws, bench.judge.cost_draws(full)[:, :count])


def test_a_pooled_judge_takes_the_worst_tenth_of_all_that_was_played():
    judge = replace(judge_of(Bowl(reachable_best())), pooled=True)
    played = judge.play([START], deal(GEAR_OF, DRAWS, 4))
    costs = np.sort(episode_cost(played.parts[0], Preference()))
    worst = costs[-round(0.1 * costs.size) :]
    assert judge.cost(played)[0] == pytest.approx(costs.mean() + 0.5 * (worst.mean() - costs.mean()))


def test_a_pooled_judge_knows_no_doubt():
    judge = replace(judge_of(Bowl(reachable_best())), pooled=True)
    bench = Bench(judge, deal(GEAR_OF, DRAWS), lambda pair: 0.0, Ledger())
    assert bench.against([START]).known is None
    assert replace(bench, judge=replace(judge, pooled=False)).against([START]).known is not None


@given(st.integers(MANY, 50), st.integers(0, 3))
def test_many_draws_that_are_fewer_than_the_hands_meet_all_scenarios_over_the_turns(n_draws, begin):
    gear = np.repeat([1, 2], 240)
    turns = [deal(gear, n_draws, 2, begin + turn) for turn in range(4)]
    assert all(np.array_equal(np.bincount(at.draws), np.full(n_draws, 4)) for at in turns)
    assert np.array_equal(np.unique(np.concatenate([at.scenarios for at in turns])), np.arange(gear.size))
