"""Logs -> plant, with what a report says of it: before and after, what moved, what is doubtful."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from gridfit.plant.fit import FitResult
from gridfit.plant.identification import Identification
from gridfit.plant.identification import identify as identify_plant
from gridfit.plant.posterior import Moved
from gridfit.plant.prior import from_carsheet
from gridfit.simulate.parameters import Plant
from gridfit.simulate.plantfiles import to_document
from gridfit.tyrelaws import LAWS
from pipelines.ingest import Ingested
from pipelines.partnames import PLANT_LABELS
from pipelines.progress import Progress

FAR_SD = 3.0
"""A parameter further from its prior than so many of the prior's sd is named in a warning [1]."""


@dataclass(frozen=True, slots=True)
class Identified:
    """The plant that logs gave, and what to say of it.

    Parameters
    ----------
    plant : Plant
        Draws of the fit.
    found : Identification
        The fit itself.
    plant_json, prior_json : dict
        Documents of plant.json after and before the logs.
    runs : DataFrame
        Peak friction by run: run, compound, log_mu, se, sliding_windows.
    warnings, remarks : tuple of str
        Doubts, and what the fit rests on.
    """

    plant: Plant
    found: Identification
    plant_json: dict[str, Any]
    prior_json: dict[str, Any]
    runs: pd.DataFrame
    warnings: tuple[str, ...]
    remarks: tuple[str, ...]


def identify(logs: Ingested, rng: np.random.Generator, draws: int, progress: Progress) -> Identified:
    """Fit the plant of a car to its logs.

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

    Raises
    ------
    DataError
        No stretch of the runs can be used.
    FitError
        The fit ran away.
    """
    fit_rng, prior_rng = rng.spawn(2)
    found = identify_plant(logs.sheet, logs.signals, logs.episodes, fit_rng, n_draws=draws, progress=progress)
    prior = from_carsheet(logs.sheet, prior_rng, n_draws=max(draws, 200))
    return Identified(
        found.plant,
        found,
        to_document(logs.sheet, found.plant),
        to_document(logs.sheet, prior),
        found.runs,
        fit_warnings(found.result, found.moved),
        fit_remarks(found.result, found.moved, found.laws),
    )


def fit_warnings(result: FitResult, moved: tuple[Moved, ...]) -> tuple[str, ...]:
    """Doubts about the fit."""
    said = []
    if not result.settled:
        said.append(
            f"The fit was still moving a little after {result.rounds} rounds; its intervals allow for faults of "
            "the model, not for this."
        )
    far = [
        PLANT_LABELS[m.name]
        for i, m in enumerate(moved)
        if m.informed and abs(result.x[i] - result.centre[i]) > FAR_SD * result.width[i]
    ]
    if far:
        said.append(
            f"The logs moved {'; '.join(far)} further than the car sheet allows: check these figures of the sheet, "
            "and read the plant with care."
        )
    return tuple(said)


def fit_remarks(result: FitResult, moved: tuple[Moved, ...], laws: tuple[float, ...]) -> tuple[str, ...]:
    """What the fit rests on."""
    windows = result.windows
    sliding = windows.episode >= 0
    patches = 100.0 * float((result.on_patch[sliding] > 0.5).mean()) if sliding.any() else 0.0
    told = [m for m in moved if m.name != "tyre_law" and not m.name.startswith("inertia_factor")]
    informed = [PLANT_LABELS[m.name] for m in told if m.informed]
    rest = [PLANT_LABELS[m.name] for m in told if not m.informed]
    shares = " and ".join(f"{100 * w:.0f} % follow the {law.name}" for law, w in zip(LAWS, laws, strict=True))
    return (
        f"Fitted to {len(windows)} windows of a quarter of a second, {int(sliding.sum())} of them in episodes, of "
        f"which {patches:.0f} % were read as patches and not as the tyre; what is over kerbs is left out.",
        f"Of the plants drawn, {shares} tyre law, by how well each fits; neither is left out, since a real tyre "
        "follows none exactly.",
        f"The logs informed: {'; '.join(informed) or 'nothing'}.",
        f"Still resting on the car sheet and on what is usual: {'; '.join(rest) or 'nothing'}.",
    )
