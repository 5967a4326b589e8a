"""How well the fitted plant follows the logs: residuals by gear and speed, example episodes, runs left out.

Intervals say how well a plant's figures are known if the car is such a plant. Nothing in them says that it is.
Here prediction errors are held against the sensors' noise and the car sheet's plant; `doubts` judges them.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.plant.crossvalidation import HeldOut, cross_validate
from gridfit.plant.doubts import far_finding, fit_findings, held_out_findings
from gridfit.plant.evidence import information, parameter_table
from gridfit.plant.fit import FitResult, Progress, silent
from gridfit.plant.identification import Identification
from gridfit.plant.predictions import DRIVEN, Predictions, predictions, weights
from gridfit.plant.residuals import Problem
from gridfit.signals.quality import Finding
from gridfit.simulate.parameters import Floats
from gridfit.units import KMH_PER_MPS

SPEED_STEP_KMH = 20.0
"""Width of a speed class [km/h]."""


@dataclass(frozen=True, slots=True)
class ModelChecks:
    """What there is to say of the fit itself.

    Parameters
    ----------
    predictions : Predictions
        All windows of the fit, as measured and as predicted.
    by_gear, by_speed : DataFrame
        Errors of the driven speed; columns as `residual_table` says.
    parameters : DataFrame
        As `gridfit.plant.evidence.parameter_table` returns it.
    held_out : HeldOut or None
        Whole runs left out; None with one run.
    shown : tuple of (str, int)
        "best", "typical", "worst" and the number of the episode.
    findings : tuple of Finding
        Whether this kind of plant fits.
    """

    predictions: Predictions
    by_gear: pd.DataFrame
    by_speed: pd.DataFrame
    parameters: pd.DataFrame
    held_out: HeldOut | None
    shown: tuple[tuple[str, int], ...]
    findings: tuple[Finding, ...]


def check_model(
    sheet: CarSheet,
    identification: Identification,
    fixed: dict[str, tuple[float, float]],
    *,
    leave_out: bool = True,
    progress: Progress = silent,
) -> ModelChecks:
    """Check a fitted plant against the logs that it was fitted to, and against runs left out of it.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    identification : Identification
        The fit.
    fixed : dict of str to (float, float)
        As `gridfit.plant.identification.measured_elsewhere` returns it.
    leave_out : bool
        Whether to fit again without each run, which takes about as long as the fit itself.
    progress : callable
        Told the stage and the share done.

    Returns
    -------
    ModelChecks
    """
    result = identification.result
    problem = Problem(sheet, result.windows, fixed)
    problem.begin()
    told = information(problem, result)
    found = predictions(problem, result.x, result.on_patch, weights(problem, result), result.start)
    by_gear = residual_table(found, result.windows.gear, result.misfit)
    held_out = cross_validate(sheet, result, fixed, progress=progress) if leave_out else None
    findings = [
        *fit_findings(by_gear),
        far_finding(result, told.fitted),
        *([] if held_out is None else held_out_findings(held_out)),
    ]
    return ModelChecks(
        found,
        by_gear,
        residual_table(found, speed_class(found), result.misfit),
        parameter_table(sheet, identification, fixed, told),
        held_out,
        examples(result),
        tuple(findings),
    )


def speed_class(found: Predictions) -> NDArray[np.int64]:
    """Lower edge of each window's class of vehicle speed: int64[W] [km/h]."""
    mean = np.nanmean(np.where(found.used[:, 1], found.measured[:, 1], np.nan), axis=1, keepdims=False)
    edge = np.floor(np.nan_to_num(mean) * KMH_PER_MPS / SPEED_STEP_KMH) * SPEED_STEP_KMH
    result: NDArray[np.int64] = edge.astype(np.int64)
    return result


def alike(error: Floats) -> Floats:
    """Correlation of each window's errors with the next sample's: error[W, L] (NaN: none) -> float64[W] [1]."""
    here, after = error[:, :-1], error[:, 1:]
    both = np.isfinite(here) & np.isfinite(after)
    here, after = np.where(both, here, 0.0), np.where(both, after, 0.0)
    size = np.sqrt((here**2).sum(axis=1) * (after**2).sum(axis=1))
    result: Floats = np.where(size > 0.0, (here * after).sum(axis=1) / np.maximum(size, 1e-12), np.nan)
    return result


def residual_table(found: Predictions, group: NDArray[np.int64], misfit: Floats) -> pd.DataFrame:
    """Errors of the predicted driven speed by a grouping of the windows.

    Parameters
    ----------
    found : Predictions
    group : int64[W]
        Gear, or speed class.
    misfit : float64[W]
        Whitened misfit of each window [1].

    Returns
    -------
    DataFrame
        One row per group and kind of driving: group, in_episodes, windows, rms_kmh (over all samples),
        typical_kmh (median over windows), end_bias_kmh (mean of predicted less measured over the last third of
        the windows, where the prediction has run longest), noise_kmh (of the sensor, median), over_noise (typical over
        noise), misfit (median, all channels), alike (median correlation with the next sample).
    """
    error = found.error[:, DRIVEN]
    late = np.where(_last_third(found), error, np.nan)
    per_window = pd.DataFrame(
        {
            "group": group,
            "in_episodes": found.windows.episode >= 0,
            "rms": found.rms(),
            "squares": np.nansum(error**2, axis=1),
            "count": np.isfinite(error).sum(axis=1),
            "late": np.nansum(late, axis=1),
            "late_count": np.isfinite(late).sum(axis=1),
            "noise": found.noise(),
            "misfit": misfit,
            "alike": alike(error),
        }
    )
    rows = [_residual_row(part) for _, part in per_window.groupby(["group", "in_episodes"])]
    return pd.DataFrame(rows)


def _last_third(found: Predictions) -> NDArray[np.bool_]:
    """Samples in the last third of their window: bool[W, L]."""
    length = (found.windows.bounds[:, 3] - found.windows.bounds[:, 2])[:, None]
    place = np.arange(found.time.shape[1])
    late: NDArray[np.bool_] = (place >= length - length // 3) & (place < length)
    return late


def _residual_row(part: pd.DataFrame) -> dict[str, object]:
    noise, typical = float(part["noise"].median()), float(part["rms"].median())
    return {
        "group": int(part["group"].iloc[0]),
        "in_episodes": bool(part["in_episodes"].iloc[0]),
        "windows": len(part),
        "rms_kmh": KMH_PER_MPS * float(np.sqrt(part["squares"].sum() / max(part["count"].sum(), 1))),
        "typical_kmh": KMH_PER_MPS * typical,
        "end_bias_kmh": KMH_PER_MPS * float(part["late"].sum() / max(part["late_count"].sum(), 1)),
        "noise_kmh": KMH_PER_MPS * noise,
        "over_noise": typical / noise,
        "misfit": float(part["misfit"].median()),
        "alike": float(part["alike"].median()),
    }


def examples(result: FitResult) -> tuple[tuple[str, int], ...]:
    """Episodes that the plant follows best, middling and worst, by their windows' mean misfit.

    Returns
    -------
    tuple of (str, int)
        "best", "typical" and "worst" with the episode's number; fewer where there are fewer episodes. Episodes
        of a single window come in only where no other has more.
    """
    windows = result.windows
    numbers = windows.episode[windows.episode >= 0]
    if numbers.size == 0:
        return ()
    table = pd.DataFrame({"episode": numbers, "misfit": result.misfit[windows.episode >= 0]})
    grouped = table.groupby("episode")["misfit"].agg(["mean", "size"])
    long = grouped[grouped["size"] > 1]
    ordered = (long if len(long) >= 3 else grouped).sort_values("mean", kind="stable").index.to_numpy()
    places = {"best": 0, "typical": (ordered.size - 1) // 2, "worst": ordered.size - 1}
    chosen: dict[int, str] = {}
    for name, place in places.items():
        chosen.setdefault(int(ordered[place]), name)
    return tuple((name, number) for number, name in chosen.items())


def episode_windows(found: Predictions, episode: int) -> NDArray[np.int64]:
    """Positions of an episode's windows in the order of time: int64[V]."""
    mine = np.flatnonzero(found.windows.episode == episode)
    order: NDArray[np.int64] = mine[np.argsort(found.windows.bounds[mine, 2], kind="stable")]
    return order
