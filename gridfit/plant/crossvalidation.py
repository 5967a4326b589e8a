"""Whole runs left out: whether a plant fitted to the other runs predicts this one.

Each fold fits the car anew without some runs, and predicts theirs with only the windows' own starts left free.
Beside it stand the plant of all runs and the car sheet's plant without any log, under the same freedom.

Source: Roberts et al., Ecography 40, 2017, 913-929 (blocks of dependent data are left out whole; from memory).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.errors import FitError
from gridfit.plant.fit import FitResult, Progress, fit, silent
from gridfit.plant.predictions import predictions, subset, weights
from gridfit.plant.residuals import Problem
from gridfit.plant.windows import Windows
from gridfit.simulate.parameters import Floats
from gridfit.units import KMH_PER_MPS

FOLDS = 5
"""Most folds; with no more runs than this each run is a fold of its own."""
MOST_SLIPPING, MOST_QUIET = 120, 40
"""Most windows in episodes, and without, that take part: evenly thinned, so that the check stays cheap."""
PLANTS: tuple[str, ...] = ("in_sample", "held_out", "car_sheet")
"""Plants that are compared: all runs, the other runs, no run."""


@dataclass(frozen=True, slots=True)
class HeldOut:
    """Prediction errors of plants on runs that they have or have not seen.

    Parameters
    ----------
    windows : Windows
        The windows that took part.
    rms_mps : dict of str to float64[W]
        By plant (`PLANTS`): root mean square error of the driven speed in each window [m/s].
    noise_mps : float64[W]
        Noise of the driven speed in each window [m/s].
    cost : dict of str to float64[W]
        By plant: weighed squared error over all channels and the pull on the window's starts, per sample [1].
    lost : tuple of str
        Runs without which no fit was found.
    """

    windows: Windows
    rms_mps: dict[str, Floats]
    noise_mps: Floats
    cost: dict[str, Floats]
    lost: tuple[str, ...]

    def table(self) -> pd.DataFrame:
        """Errors by run, and of all runs together.

        Returns
        -------
        DataFrame
            run ("all runs" last), windows (in episodes), noise_kmh (sensor noise of the driven speed),
            in_sample_kmh, held_out_kmh, car_sheet_kmh (median over the windows in episodes of the root mean
            square error), worse_than_in_sample_pct, better_than_car_sheet_pct (of the whole misfit, median by
            window).
        """
        slipping = self.windows.episode >= 0
        rows = []
        for r, name in enumerate(self.windows.runs):
            mine = slipping & (self.windows.run == r)
            if mine.any():
                rows.append(self._row(name, mine))
        return pd.DataFrame([*rows, self._row("all runs", slipping)])

    def _row(self, name: str, mine: NDArray[np.bool_]) -> dict[str, object]:
        kmh = {f"{p}_kmh": KMH_PER_MPS * _median(self.rms_mps[p][mine]) for p in PLANTS}
        held = self.cost["held_out"][mine]
        return {
            "run": name,
            "windows": int(mine.sum()),
            "noise_kmh": KMH_PER_MPS * _median(self.noise_mps[mine]),
            **kmh,
            "worse_than_in_sample_pct": 100.0 * _median(held / self.cost["in_sample"][mine] - 1.0),
            "better_than_car_sheet_pct": 100.0 * _median(1.0 - held / self.cost["car_sheet"][mine]),
        }


def _median(values: Floats) -> float:
    """Median of what is finite, NaN of nothing."""
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if finite.size else float("nan")


def _thin(positions: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    """Return at most so many positions, evenly spread."""
    if positions.size <= most:
        return positions
    return positions[np.linspace(0, positions.size - 1, most).round().astype(np.int64)]


def taking_part(windows: Windows) -> NDArray[np.int64]:
    """Positions of the windows that cross-validation uses, in order: int64[V]."""
    slipping = windows.episode >= 0
    parts = [
        _thin(np.flatnonzero(slipping), MOST_SLIPPING),
        _thin(np.flatnonzero(~slipping), MOST_QUIET),
    ]
    return np.sort(np.concatenate(parts))


def folds(runs: NDArray[np.int64]) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """Splits of windows by run, training positions and left-out ones; whole runs stay together.

    Parameters
    ----------
    runs : int64[W]
        Run of each window; at least two different ones.
    """
    # deferred: the import costs a second that jobs without this check need not pay
    from sklearn.model_selection import GroupKFold, LeaveOneGroupOut

    several = np.unique(runs).size > FOLDS
    splitter = GroupKFold(n_splits=FOLDS) if several else LeaveOneGroupOut()
    yield from splitter.split(np.zeros((runs.size, 1)), groups=runs)


def _fold_vectors(
    sheet: CarSheet,
    windows: Windows,
    fixed: dict[str, tuple[float, float]],
    result: FitResult,
    progress: Progress,
) -> Floats:
    """Plant for each window, fitted without the window's run: float64[W, X], NaN where no fit was found."""
    x = np.full((len(windows), result.x.size), np.nan)
    splits = list(folds(windows.run))
    for number, (train, left_out) in enumerate(splits):
        progress("leaving out runs", number / len(splits))
        try:
            x[left_out] = fit(sheet, subset(windows, train), fixed, law=result.law).x
        except FitError:
            continue
    return x


def _judge(
    sheet: CarSheet, windows: Windows, fixed: dict[str, tuple[float, float]], x: Floats, on_patch: Floats,
    weight: Floats,
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """Error and noise of the driven speed [m/s] and cost per sample of each window under its plant x[W, X]."""
    rms, noise, cost = np.full((3, len(windows)), np.nan)
    vectors, plant = np.unique(x, axis=0, return_inverse=True)
    for number, vector in enumerate(vectors):
        mine = np.flatnonzero(plant.ravel() == number)
        if not np.isfinite(vector).all():
            continue
        problem = Problem(sheet, subset(windows, mine), fixed)
        found = predictions(problem, vector, on_patch[mine], weight[mine], problem.begin())
        rms[mine], noise[mine], cost[mine] = found.rms(), found.noise(), found.cost
    return rms, noise, cost


def cross_validate(
    sheet: CarSheet,
    result: FitResult,
    fixed: dict[str, tuple[float, float]],
    *,
    progress: Progress = silent,
) -> HeldOut | None:
    """Leave out whole runs, fit the rest, and predict what was left out.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    result : FitResult
        Fit to all runs; tells which windows lie on patches, and what each window's errors weigh.
    fixed : dict of str to (float, float)
        As `gridfit.plant.fit.fit` was given.
    progress : callable
        Told the stage and the share done.

    Returns
    -------
    HeldOut or None
        None with windows of fewer than two runs: there is nothing to leave out.
    """
    whole = Problem(sheet, result.windows, fixed)
    keep = taking_part(result.windows)
    windows = subset(result.windows, keep)
    if np.unique(windows.run).size < 2:
        return None
    on_patch, weight = result.on_patch[keep], weights(whole, result)[keep]
    ones = np.ones((len(windows), 1))
    plants = {
        "in_sample": ones * result.x,
        "held_out": _fold_vectors(sheet, windows, fixed, result, progress),
        "car_sheet": ones * result.centre,
    }
    judged = {name: _judge(sheet, windows, fixed, plants[name], on_patch, weight) for name in PLANTS}
    missing = np.unique(windows.run[~np.isfinite(plants["held_out"]).all(axis=1)])
    return HeldOut(
        windows,
        {name: rms for name, (rms, _, _) in judged.items()},
        judged["in_sample"][1],
        {name: cost for name, (_, _, cost) in judged.items()},
        tuple(windows.runs[r] for r in missing),
    )
