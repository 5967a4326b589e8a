"""What a job was asked, from what inputs it worked and what it found.

This is the one record behind summary.json, the report and the tracked run.
"""

import platform
import secrets
from collections.abc import Mapping
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Self

import pandas as pd

from gridfit.estimate import Estimate
from pipelines.outputs import SUMMARY_FORMAT, digest
from pipelines.plain import Plain, plain

LIBRARIES = ("gridfit", "numpy", "scipy", "numba", "pandas", "scikit-learn", "optuna", "cmaes", "mlflow")
"""Distributions whose versions can change a result."""


@dataclass(frozen=True, slots=True)
class InputFile:
    """A file that went in.

    Parameters
    ----------
    role : str
        What it was: car sheet, run, note, channel map, grids, plant.
    path : Path
    sha256 : str
        Of its bytes, hexadecimal.
    size_bytes : int
    """

    role: str
    path: Path
    sha256: str
    size_bytes: int

    @classmethod
    def of(cls, role: str, path: Path) -> Self:
        """Make the entry of a file by reading it."""
        return cls(role, path, digest(path), path.stat().st_size)


@dataclass(frozen=True, slots=True)
class TrackedRun:
    """Where a job was tracked.

    Parameters
    ----------
    run_id, experiment, experiment_id : str
        As the tracking store names them.
    store : str
        Address of the store.
    open_with : str
        The command that shows it, and the page to turn to.
    """

    run_id: str
    experiment: str
    experiment_id: str
    store: str
    open_with: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """A grid pair that was kept beside the proposal, with its figures.

    Parameters
    ----------
    name : str
    figures : mapping of str to float
        Costs and parts under names that carry their unit.
    """

    name: str
    figures: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Record:
    """Everything that a job says about itself, in plain values.

    Parameters
    ----------
    job : str
        propose, refine, compare, inspect or score.
    car : str
        Name in the car sheet.
    result_id : str
        Unique: time of day and random digits.
    started : datetime
        UTC.
    asked : mapping
        The options that the job ran with.
    inputs : tuple of InputFile
    seed : int or None
        None when nothing random took part.
    headline : str
        The finding in one or two sentences, with numbers.
    scores : mapping of str to mapping of str to Estimate
        ``scores["before"]["cost"]`` and so on; names carry units.
    figures : mapping
        Other results that fit in a line each.
    warnings : tuple of str
        What a reader must know before acting.
    findings : DataFrame or None
        Checks with statistic, threshold, outcome, meaning and remedy.
    stand_ins : mapping of str to str
        Keys that the car sheet lacks, and what stood in.
    candidates : tuple of Candidate
    studies : tuple of str
        Names under which the searches can be reopened.
    study_store : str
        Optuna journal that holds them; empty when there is none.
    tracked : TrackedRun or None
    files : tuple of str
        Names of the files in the result folder.
    """

    job: str
    car: str
    result_id: str
    started: datetime
    asked: Mapping[str, object]
    inputs: tuple[InputFile, ...]
    seed: int | None
    headline: str = ""
    scores: Mapping[str, Mapping[str, Estimate]] = field(default_factory=dict)
    figures: Mapping[str, object] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    findings: pd.DataFrame | None = None
    stand_ins: Mapping[str, str] = field(default_factory=dict)
    candidates: tuple[Candidate, ...] = ()
    studies: tuple[str, ...] = ()
    study_store: str = ""
    tracked: TrackedRun | None = None
    files: tuple[str, ...] = ()

    def warned(self, *warnings: str) -> Self:
        """Return the record with more warnings."""
        return replace(self, warnings=self.warnings + warnings)

    def summary(self) -> Plain:
        """Return the content of summary.json."""
        return plain(
            {
                "format": SUMMARY_FORMAT,
                "job": self.job,
                "car": self.car,
                "result_id": self.result_id,
                "started": self.started.isoformat(timespec="seconds"),
                "finding": self.headline,
                "asked": self.asked,
                "inputs": self.inputs,
                "seed": self.seed,
                "versions": versions(),
                "scores": self.scores,
                "results": self.figures,
                "warnings": self.warnings,
                "findings": [] if self.findings is None else self.findings,
                "stood_in": self.stand_ins,
                "candidates": self.candidates,
                "studies": {"store": self.study_store or None, "names": self.studies},
                "tracking": self.tracked,
                "files": self.files,
            }
        )


GIVEN_RESULT_ID: ContextVar[str] = ContextVar("GIVEN_RESULT_ID", default="")
"""Identifier of the job that this process runs, where it was given one ahead."""


def new_result_id(now: datetime) -> str:
    """Return an identifier that sorts by time and is unique on a shared store.

    It takes no part in any result, so it may come from the system's entropy. A job that is begun again after it was
    killed has its identifier in `GIVEN_RESULT_ID`, so that it stays one job in every store.
    """
    given = GIVEN_RESULT_ID.get()
    if given:
        return given
    return f"{now:%Y%m%d-%H%M%S}-{secrets.token_hex(3)}"


def utc_now() -> datetime:
    """Return the time in UTC."""
    return datetime.now(UTC)


def versions() -> dict[str, str]:
    """Return the versions of Python and of `LIBRARIES`; a library that is not installed is left out."""
    found = {"python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found
