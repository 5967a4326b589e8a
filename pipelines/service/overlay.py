"""Measured and predicted speeds of a few episodes, as numbers that the page draws."""

from typing import Any

import numpy as np

from gridfit.plant.modelchecks import ModelChecks, episode_windows
from gridfit.plant.predictions import DRIVEN, UNDRIVEN
from gridfit.units import KMH_PER_MPS


def overlay(checks: ModelChecks) -> dict[str, Any]:
    """Return the episodes that the fit follows best, typically and worst.

    Parameters
    ----------
    checks : ModelChecks

    Returns
    -------
    dict
        ``episodes``: each with ``which``, ``run``, ``gear``, ``time_s``, ``driven_kmh``, ``predicted_kmh`` and
        ``undriven_kmh``; None where a sample may not be compared.
    """
    return {"episodes": [_episode(checks, which, number) for which, number in checks.shown]}


def _episode(checks: ModelChecks, which: str, number: int) -> dict[str, Any]:
    found = checks.predictions
    rows = episode_windows(found, number)
    time = found.time[rows].ravel()
    order = np.unique(time, return_index=True)[1]
    used = found.used[rows, DRIVEN].ravel()[order]
    time_s = time[order]

    def kmh(values: np.ndarray) -> list[float | None]:
        picked = KMH_PER_MPS * values.ravel()[order]
        return [round(float(v), 2) if ok else None for v, ok in zip(picked, used, strict=True)]

    windows = found.windows
    return {
        "which": which,
        "run": windows.runs[int(windows.run[rows[0]])],
        "gear": int(windows.gear[rows[0]]),
        "time_s": [round(float(t - time_s[0]), 4) for t in time_s],
        "driven_kmh": kmh(found.measured[rows, DRIVEN]),
        "predicted_kmh": kmh(found.predicted[rows, DRIVEN]),
        "undriven_kmh": kmh(found.measured[rows, UNDRIVEN]),
    }
