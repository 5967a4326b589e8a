"""Logs -> the car's plant and one row per run, for the comparisons of compounds and of grid pairs."""

import re
from collections.abc import Sequence

import numpy as np
import pandas as pd

from gridfit.gridchange import labels
from gridfit.plant.comparefit import identify_runs
from gridfit.plant.prior import from_carsheet
from gridfit.signals.run import RunNote
from gridfit.simulate.plantfiles import to_document
from gridfit.units import KMH_PER_MPS
from pipelines.identify import Identified, fit_remarks, fit_warnings
from pipelines.ingest import Ingested
from pipelines.progress import Progress

DRIVER = re.compile(r"\bdriver\s*[:=]\s*([^,;.\n]+)", re.IGNORECASE)
"""How a note names the driver in its free text."""


def identify_compounds(
    logs: Ingested, rng: np.random.Generator, draws: int, progress: Progress
) -> Identified:
    """Fit the plant of a car to its logs, and each run's own tyre.

    Parameters
    ----------
    logs : Ingested
        Prepared runs and episodes.
    rng : numpy.random.Generator
        Source of the draws.
    draws : int
        Draws of the plant.
    progress : Progress
        Told the stage and the share done.

    Returns
    -------
    Identified
        Its table of runs is that of `gridfit.plant.runtyre.run_tyres`.

    Raises
    ------
    DataError
        No stretch of the runs can be used.
    FitError
        The fit ran away.
    """
    fit_rng, prior_rng = rng.spawn(2)
    whole = identify_runs(logs.sheet, logs.signals, logs.episodes, fit_rng, n_draws=draws, progress=progress)
    found = whole.identification
    prior = from_carsheet(logs.sheet, prior_rng, n_draws=max(draws, 200))
    fewer = (
        f"What all runs share was fitted to {whole.fitted} of {whole.windows} windows, evenly taken; each run's own "
        "tyre to all of its windows.",
    )
    return Identified(
        found.plant,
        found,
        to_document(logs.sheet, found.plant),
        to_document(logs.sheet, prior),
        whole.runs,
        fit_warnings(found.result, found.moved),
        (
            *(fewer if whole.fitted < whole.windows else ()),
            *fit_remarks(found.result, found.moved, found.laws),
        ),
    )


def run_table(logs: Ingested, runs: pd.DataFrame | None = None) -> pd.DataFrame:
    """Return one row per run for a comparison.

    Parameters
    ----------
    logs : Ingested
    runs : DataFrame, optional
        Each run's tyre; runs without a sliding window are left out, since they say nothing of peak friction.
        Without it, all runs.

    Returns
    -------
    DataFrame
        Columns of `runs` and episodes, mean_gear, speed_kmh (mean vehicle speed in the episodes), track_temp_c, day,
        started (empty when the note has no time), track, driver (empty when the note names none), grids (file name,
        empty when not known), radius_m (rolling radius by engine speed).
    """
    notes = {item.name: item.run.note for item in logs.signals}
    if runs is None:
        runs = pd.DataFrame({"run": list(notes), "compound": [note.compound for note in notes.values()]})
    else:
        runs = runs[runs["sliding_windows"] > 0].reset_index(drop=True)
    names = [str(name) for name in runs["run"]]
    by_run = logs.episodes.groupby("run")["gear"]
    counts, gears = by_run.size(), by_run.mean()
    pairs, radius = (
        labels(logs.signals, logs.in_force),
        {item.name: item.radius.mean for item in logs.signals},
    )
    speeds = _speeds(logs)
    temperatures = [notes[name].track_temp_c for name in names]
    return runs.assign(
        episodes=[int(counts.get(name, 0)) for name in names],
        mean_gear=[float(gears.get(name, np.nan)) for name in names],
        speed_kmh=[speeds.get(name, float("nan")) for name in names],
        track_temp_c=np.array([np.nan if t is None else float(t) for t in temperatures]),
        day=[str(notes[name].date)[:10] for name in names],
        started=[_started(notes[name]) for name in names],
        track=[notes[name].track for name in names],
        driver=[driver(notes[name]) for name in names],
        grids=[pairs.get(name, "") for name in names],
        radius_m=[float(radius[name]) for name in names],
    )


def _speeds(logs: Ingested) -> dict[str, float]:
    """Mean vehicle speed in the episodes of each run [km/h]."""
    found: dict[str, list[float]] = {}
    tables = {item.name: item.table["v_u_mps"].to_numpy(dtype=np.float64) for item in logs.signals}
    for run, first, last in logs.episodes[["run", "start_index", "end_index"]].itertuples(index=False):
        inside = tables[str(run)][int(first) : int(last) + 1]
        inside = inside[np.isfinite(inside)]
        if inside.size:
            found.setdefault(str(run), []).append(KMH_PER_MPS * float(inside.mean()))
    return {run: float(np.mean(values)) for run, values in found.items()}


def _started(note: RunNote) -> str:
    """Date and time of a note; empty where it has no time of day."""
    text = str(note.date)
    return text if len(text) > 10 else ""


def driver(note: RunNote) -> str:
    """Return the driver that a note's free text names as ``driver: NAME``; empty when it names none."""
    found = DRIVER.search(note.notes or "")
    return found.group(1).strip() if found else ""


def drivers(table: pd.DataFrame) -> Sequence[str]:
    """Return the drivers of the runs, in the order of their names."""
    return sorted({str(name) for name in table["driver"] if name})
