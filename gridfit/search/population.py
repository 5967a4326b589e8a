"""One Optuna study: ask a population, score it in one call, tell; in memory and repeatable."""

import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

import numpy as np
import optuna
from numpy.typing import NDArray
from optuna.distributions import BaseDistribution, FloatDistribution
from optuna.trial import FrozenTrial, create_trial

from gridfit.search.budget import SAMPLER
from gridfit.search.samplers import create_sampler

FloatArray = NDArray[np.float64]
Score = Callable[[FloatArray], FloatArray]
"""Points of the cube float64[C, P] -> values float64[C], lower is better."""


@contextmanager
def quiet_optuna() -> Iterator[None]:
    """Silence Optuna's log for a while and give the user's own setting back."""
    before = optuna.logging.get_verbosity()
    optuna.logging.set_verbosity(optuna.logging.ERROR)
    try:
        yield
    finally:
        optuna.logging.set_verbosity(before)


def window(start: FloatArray, reach: float, names: Sequence[str]) -> dict[str, BaseDistribution]:
    """Bounds of a study around its starting point.

    Optuna's CMA-ES starts in the middle of the bounds with a sixth of their width as its step, so bounds
    of `start` plus and minus `reach` give a warm start without the arguments that Optuna deprecates.
    """
    return {
        name: FloatDistribution(float(x) - reach, float(x) + reach)
        for name, x in zip(names, start, strict=True)
    }


def explore(
    score: Score,
    start: FloatArray,
    start_value: float,
    names: Sequence[str],
    *,
    name: str,
    trials: int,
    population: int,
    reach: float,
    seed: int,
    sampler: str = SAMPLER,
    on_population: Callable[[optuna.Study], bool] | None = None,
) -> optuna.Study:
    """Search around a starting point; the start is the study's first trial, so the best is never worse.

    Parameters
    ----------
    score : Score
        Values of a whole population in one call.
    start : float64[P]
        Starting point in the cube.
    start_value : float
        Its value.
    names : sequence of str[P]
        Names of the coordinates.
    name : str
        Name of the study.
    trials : int
        Trials besides the start; rounded up to whole populations, because a part of one teaches CMA-ES
        nothing.
    population : int
        Points per call.
    reach : float
        Half-width of the bounds around the start; a third of it is the first step [1].
    seed : int
        Seed of the sampler.
    sampler : str
        A name of `samplers.SAMPLERS`.
    on_population : callable, optional
        Called after each population; True ends the search.

    Returns
    -------
    optuna.Study
        Finished study; parameters are coordinates of the cube.
    """
    bounds = window(start, reach, names)
    with quiet_optuna(), warnings.catch_warnings():
        # CMA-ES shrinks its step below float resolution on a flat landscape and numpy says so; harmless.
        warnings.filterwarnings("ignore", category=RuntimeWarning, module="cmaes")
        warnings.filterwarnings("ignore", category=optuna.exceptions.ExperimentalWarning)
        study = optuna.create_study(
            study_name=name, sampler=create_sampler(sampler, population, seed), direction="minimize"
        )
        first = dict(zip(names, map(float, start), strict=True))
        study.add_trial(create_trial(params=first, distributions=bounds, value=start_value))
        for _ in range(-(-trials // population)):
            asked = [study.ask(bounds) for _ in range(population)]
            # each look at a trial's parameters copies them all
            points = [trial.params for trial in asked]
            values = score(np.array([[point[n] for n in names] for point in points]))
            for trial, value in zip(asked, values, strict=True):
                study.tell(trial, float(value))
            if on_population is not None and on_population(study):
                break
    return study


def middle(study: optuna.Study, names: Sequence[str], population: int) -> FloatArray:
    """Where the populations of a study settled: the mean of the better halves of its last third, float64[P].

    Where each population is judged on other chances, the best trial owes most of its lead to its own.

    Source
    ------
    Averaging of iterates: Polyak and Juditsky, SIAM J. Control Optim. 30(4), 1992 (from memory).
    """
    trials = study.get_trials(deepcopy=False)[1:]
    count = len(trials) // population
    if not count:
        return best_point(study, names)
    last = trials[-max(1, count // 3) * population :]
    values = np.array([trial.value for trial in last], dtype=np.float64).reshape(-1, population)
    points = np.array([[trial.params[name] for name in names] for trial in last])
    better = np.argsort(np.argsort(values, axis=1, kind="stable"), axis=1) < -(-population // 2)
    return np.asarray(points[better.ravel()].mean(axis=0), dtype=np.float64)


def best_point(study: optuna.Study, names: Sequence[str]) -> FloatArray:
    """Coordinates of the best trial, float64[P]."""
    return np.array([study.best_trial.params[name] for name in names])


def plain_trials(study: optuna.Study) -> list[FrozenTrial]:
    """Trials without the sampler's own state, to store: parameters, bounds and values only.

    The sampler keeps its state as a pickle in the trials' attributes; stores of results hold no pickles.
    """
    return [
        create_trial(params=trial.params, distributions=trial.distributions, value=trial.value)
        for trial in study.get_trials(deepcopy=False)
    ]
