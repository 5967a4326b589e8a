"""Prepared runs and episodes -> the car's plant, in one call: windows, fit, posterior, the runs' grip."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from gridfit.carsheet import CarSheet
from gridfit.plant.fit import FitResult, Progress, fit, silent
from gridfit.plant.leastsquares import MISMATCH
from gridfit.plant.posterior import POSTERIOR_DRAWS, Moved, draw, mixed, run_grip, what_moved
from gridfit.plant.windows import build
from gridfit.signals.prepared import Signals
from gridfit.simulate.parameters import Plant

LAW_FLOOR = 0.15
"""Least weight of a tyre law in the draws [1]."""
FACTOR_FLOOR = 0.001
"""Smallest relative sd taken for the wheel-speed factor [1]."""


@dataclass(frozen=True, slots=True)
class Identification:
    """What logs made of a car.

    Parameters
    ----------
    plant : Plant
        Draws, origin "fit".
    result : FitResult
        Where the fit ended.
    runs : DataFrame
        Peak friction by run: run, compound, log_mu, se, sliding_windows.
    moved : tuple of Moved
        Each parameter before and after, and whether the logs narrowed it.
    laws : tuple of float
        Weight of each tyre law of `gridfit.tyrelaws.LAWS` in the draws.
    """

    plant: Plant
    result: FitResult
    runs: pd.DataFrame
    moved: tuple[Moved, ...]
    laws: tuple[float, ...] = (1.0, 0.0)


def measured_elsewhere(signals: Sequence[Signals]) -> dict[str, tuple[float, float]]:
    """Return what calibration measured ahead of the fit: centre and sd on the fit's scale.

    The wheel-speed factor is the driven over the undriven speed as the controller reads them; the rolling radius
    comes from engine speed and ratios, where engine speed is logged.
    """
    fixed = {}
    for name, estimates in (
        ("driven_factor", [s.factor for s in signals]),
        ("rolling_radius_m", [s.radius for s in signals]),
    ):
        means = np.array([e.mean for e in estimates])
        widths = np.array([(e.hi - e.lo) / 3.29 for e in estimates])
        good = np.isfinite(means) & (means > 0)
        if good.any():
            mean = float(means[good].mean())
            sd = max(FACTOR_FLOOR, float(widths[good].mean()) / mean)
            fixed[name] = (float(np.log(mean)), sd)
    return fixed


def identify(
    sheet: CarSheet,
    signals: Sequence[Signals],
    episodes: pd.DataFrame,
    rng: np.random.Generator,
    *,
    n_draws: int = POSTERIOR_DRAWS,
    progress: Progress = silent,
) -> Identification:
    """Fit a car's plant to its logs.

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
    progress : callable
        Told the stage and the share done.

    Returns
    -------
    Identification

    Raises
    ------
    DataError
        If no stretch of the runs can be used.
    FitError
        If the fit runs away.
    """
    windows, fixed = build(sheet, signals, episodes), measured_elsewhere(signals)
    first = fit(sheet, windows, fixed, progress=_part(progress, 0.0, 0.6))
    second = fit(sheet, windows, fixed, law=1, begin=first, progress=_part(progress, 0.6, 0.4))
    weights = law_weights((first, second))
    count = round(n_draws * weights[0] / 2) * 2
    plant = mixed([
        draw(sheet, result, rng, n_draws=n) for result, n in ((first, count), (second, n_draws - count)) if n
    ])  # fmt: skip
    result = first if weights[0] >= 0.5 else second
    return Identification(plant, result, run_grip(sheet, result), what_moved(result, plant), weights)


def _part(progress: Progress, begin: float, share: float) -> Progress:
    """Progress of a part of the work as progress of the whole."""
    return lambda stage, done: progress(stage, begin + share * done)


def law_weights(results: Sequence[FitResult]) -> tuple[float, ...]:
    """Weights of the tyre laws in the draws, by their likelihood.

    Errors of the model are alike from window to window, so the log likelihood counts as `MISMATCH` standard errors
    do; no law falls below `LAW_FLOOR`, since a car's tyre follows neither exactly.

    Parameters
    ----------
    results : sequence of FitResult
        One per law.

    Returns
    -------
    tuple of float
        They add up to 1.
    """
    level = np.array([r.log_likelihood for r in results]) / MISMATCH**2
    weights = np.exp(level - level.max())
    weights = np.maximum(weights / weights.sum(), LAW_FLOOR)
    return tuple(float(w) for w in weights / weights.sum())
