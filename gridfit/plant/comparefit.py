"""Prepared runs and episodes -> the car's plant and each run's tyre, for comparisons of many runs."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from gridfit.carsheet import CarSheet
from gridfit.plant.fit import Progress, fit, silent
from gridfit.plant.identification import Identification, law_weights, measured_elsewhere
from gridfit.plant.posterior import POSTERIOR_DRAWS, draw, mixed, what_moved
from gridfit.plant.runtyre import run_tyres
from gridfit.plant.thinning import MOST_RUNS, MOST_WINDOWS, compact, pooled, thin
from gridfit.plant.windows import build
from gridfit.signals.prepared import Signals

SHARES = (0.55, 0.35, 0.1)
"""Shares of the work: one tyre law, the other, each run's tyre."""


@dataclass(frozen=True, slots=True)
class RunsIdentified:
    """What logs made of a car and of the tyre in each of its runs.

    Parameters
    ----------
    identification : Identification
        Of the car; its table of runs is `runs`.
    runs : DataFrame
        As `gridfit.plant.runtyre.run_tyres` returns it.
    windows, fitted : int
        Windows of all runs, and those behind what the runs share.
    """

    identification: Identification
    runs: pd.DataFrame
    windows: int
    fitted: int


def identify_runs(
    sheet: CarSheet,
    signals: Sequence[Signals],
    episodes: pd.DataFrame,
    rng: np.random.Generator,
    *,
    n_draws: int = POSTERIOR_DRAWS,
    most: int = MOST_WINDOWS,
    progress: Progress = silent,
) -> RunsIdentified:
    """Fit a car to its runs, then each run's own tyre with the car held.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    signals : sequence of Signals
        Its prepared runs.
    episodes : DataFrame
        Episodes of all runs, as `gridfit.signals.episodes.find` returns them.
    rng : numpy.random.Generator
        Source of the draws.
    n_draws : int
        Draws of the plant.
    most : int
        Windows behind what the runs share.
    progress : callable
        Told the stage and the share done.

    Returns
    -------
    RunsIdentified

    Raises
    ------
    DataError
        If no stretch of the runs can be used.
    FitError
        If the fit runs away.
    """
    windows, fixed = build(sheet, signals, episodes), measured_elsewhere(signals)
    fewer = compact(thin(windows, most))
    if len(windows.runs) > MOST_RUNS:
        fewer = pooled(fewer)
    first = fit(sheet, fewer, fixed, progress=_part(progress, 0.0, SHARES[0]))
    second = fit(sheet, fewer, fixed, law=1, begin=first, progress=_part(progress, SHARES[0], SHARES[1]))
    weights = law_weights((first, second))
    count = round(n_draws * weights[0] / 2) * 2
    plant = mixed([
        draw(sheet, result, rng, n_draws=n) for result, n in ((first, count), (second, n_draws - count)) if n
    ])  # fmt: skip
    result = first if weights[0] >= 0.5 else second
    runs = run_tyres(
        sheet, result, windows, sizes=_sizes(signals), progress=_part(progress, 1.0 - SHARES[2], SHARES[2])
    )
    found = Identification(plant, result, runs, what_moved(result, plant), weights)
    return RunsIdentified(replace(found, runs=runs), runs, len(windows), len(fewer))


def _sizes(signals: Sequence[Signals]) -> list[float]:
    """Rolling radius of each run over the mean of all; 1 where engine speed does not tell it."""
    radius = np.array([one.radius.mean for one in signals], dtype=np.float64)
    known = np.isfinite(radius) & (radius > 0.0)
    if not known.any():
        return [1.0] * radius.size
    return [float(size) for size in np.where(known, radius / radius[known].mean(), 1.0)]


def _part(progress: Progress, begin: float, share: float) -> Progress:
    """Progress of a part of the work as progress of the whole."""
    return lambda stage, done: progress(stage, begin + share * done)
