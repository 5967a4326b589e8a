"""Samplers that a study can use, by name, every option that matters named.

Which is the default was measured at equal time on invented cars; the table is in the developers' guide.
"""

from collections.abc import Callable

from optuna.samplers import (
    BaseSampler,
    CmaEsSampler,
    NSGAIISampler,
    QMCSampler,
    RandomSampler,
    TPESampler,
)

from gridfit.errors import check_name


def _cmaes(population: int, seed: int) -> BaseSampler:
    return CmaEsSampler(
        n_startup_trials=1,
        independent_sampler=RandomSampler(seed=seed),
        warn_independent_sampling=False,
        seed=seed,
        consider_pruned_trials=False,
        popsize=population,
        use_separable_cma=False,
        with_margin=False,
        lr_adapt=False,
        source_trials=None,
    )


def _tpe(population: int, seed: int) -> BaseSampler:
    # a whole population is asked before any of it is told, so trials under way must count as bad ones
    return TPESampler(n_startup_trials=population, multivariate=True, constant_liar=True, seed=seed)


def _nsga2(population: int, seed: int) -> BaseSampler:
    return NSGAIISampler(population_size=population, seed=seed)


def _qmc(population: int, seed: int) -> BaseSampler:
    return QMCSampler(qmc_type="sobol", scramble=True, seed=seed, warn_independent_sampling=False)


def _random(population: int, seed: int) -> BaseSampler:
    return RandomSampler(seed=seed)


SAMPLERS: dict[str, Callable[[int, int], BaseSampler]] = {
    "cmaes": _cmaes, "tpe": _tpe, "nsga2": _nsga2, "qmc": _qmc, "random": _random,
}  # fmt: skip
"""Makers of samplers, from points per call and seed; the Gaussian-process sampler needs a library of gigabytes."""


def create_sampler(name: str, population: int, seed: int) -> BaseSampler:
    """Return a new sampler.

    Parameters
    ----------
    name : str
        A key of `SAMPLERS`.
    population : int
        Points per call of the study.
    seed : int

    Raises
    ------
    CallError
        There is none of that name.
    """
    check_name("--sampler", "sampler", name, SAMPLERS)
    return SAMPLERS[name](population, seed)
