"""Every sampler drives a study; what is no sampler is refused with the nearest name."""

from dataclasses import replace

import numpy as np
import pytest

from gridfit.errors import CallError
from gridfit.search.budget import FEW, MOST_MORE, SAMPLER, Budget
from gridfit.search.population import explore
from gridfit.search.samplers import SAMPLERS
from pipelines.options import SamplerName

NAMES = ("a", "b", "c")


def search(sampler, seed=3):
    return explore(
        lambda points: ((points - 0.4) ** 2).sum(axis=1), np.full(3, 0.7), 0.27, NAMES, name="bowl", trials=64,
        population=8, reach=0.5, seed=seed, sampler=sampler,
    )  # fmt: skip


@pytest.mark.parametrize("sampler", SAMPLERS)
def test_every_sampler_improves_on_its_start_and_repeats_itself(sampler):
    study, again = search(sampler), search(sampler)
    assert len(study.trials) == 65
    assert study.best_value < 0.1
    assert [trial.params for trial in study.trials] == [trial.params for trial in again.trials]


def test_an_unknown_sampler_is_refused_with_the_nearest_name():
    with pytest.raises(CallError) as caught:
        search("cmaess")
    assert "cmaes" in str(caught.value)


def test_the_command_line_offers_every_sampler():
    assert {name.value for name in SamplerName} == set(SAMPLERS)
    assert SAMPLER in SAMPLERS


def test_few_draws_buy_more_trials():
    budget = Budget()
    assert budget.for_draws(budget.search_draws) == budget
    alone = budget.for_draws(1)
    assert alone.trials_per_gear == 2 * budget.trials_per_gear
    assert alone.starts == MOST_MORE * budget.starts
    assert alone.polish_starts == MOST_MORE * budget.polish_starts
    some = budget.for_draws(budget.search_draws // (2 * FEW))
    assert some.trials_target == 2 * budget.trials_target
    assert some.polish_passes == 2 * budget.polish_passes


def test_with_logs_one_round_is_followed_by_studies_of_everything_on_more_scenarios():
    usual = Budget()
    logs = usual.for_logs()
    assert (usual.together, logs.together) == (False, True)
    assert logs.rounds == 1
    assert logs.catalogues > usual.catalogues
    assert not replace(usual, rounds=0).for_logs().together


@pytest.mark.parametrize("count", [1, 2])
def test_a_usual_number_of_gears_has_all_draws(count):
    assert Budget().for_gears(count) == Budget()


def test_more_gears_take_fewer_draws_down_to_a_share():
    budget = Budget(search_draws=64, polish_draws=128, jury_draws=128, final_draws=48)
    three, six = budget.for_gears(3), budget.for_gears(6)
    assert (three.search_draws, three.polish_draws, three.jury_draws, three.final_draws) == (43, 86, 86, 32)
    assert (six.search_draws, six.polish_draws, six.jury_draws, six.final_draws) == (32, 64, 64, 32)
    assert replace(six, search_draws=64, polish_draws=128, jury_draws=128, final_draws=48) == budget
    assert Budget(search_draws=1, final_draws=1).for_gears(9).final_draws == 1
