"""Checks of a fitted plant as jobs use them: when they are made, what they warn of, and the files they become."""

import pandas as pd

from gridfit.plant.identification import measured_elsewhere
from gridfit.plant.modelchecks import ModelChecks, check_model
from pipelines.identify import Identified
from pipelines.ingest import Ingested
from pipelines.progress import Progress

WITHOUT_RUNS_LEFT_OUT = ("quick",)
"""Budgets under which no run is left out, which takes about as long as the fit."""


def check(logs: Ingested, identified: Identified, budget: str, progress: Progress) -> ModelChecks:
    """Check a fitted plant against the logs that it came from.

    Parameters
    ----------
    logs : Ingested
    identified : Identified
    budget : str
        Name of the job's budget.
    progress : Progress

    Returns
    -------
    ModelChecks
    """
    progress("checking the plant", 0.0)
    return check_model(
        logs.sheet,
        identified.found,
        measured_elsewhere(logs.signals),
        leave_out=budget not in WITHOUT_RUNS_LEFT_OUT,
        progress=progress,
    )


def warnings(checks: ModelChecks) -> tuple[str, ...]:
    """Return one warning when this kind of plant does not fit the car: what was found, what to do."""
    failed = [finding for finding in checks.findings if not finding.passed]
    if not failed:
        return ()
    meanings = dict.fromkeys(finding.meaning for finding in failed)
    remedies = dict.fromkeys(finding.remedy for finding in failed)
    longest = max(remedies, key=len)
    return (f"The plant may not be this car: {' '.join(meanings)} {longest}",)


def with_findings(findings: pd.DataFrame, checks: ModelChecks) -> pd.DataFrame:
    """Return the findings on the logs with those on the plant after them."""
    rows = pd.DataFrame([finding.to_dict() for finding in checks.findings], columns=findings.columns)
    return pd.concat([findings, rows], ignore_index=True)


def files(checks: ModelChecks) -> dict[str, str | bytes]:
    """Return parameters.csv and residuals.csv, and heldout.csv where runs were left out."""
    residuals = pd.concat(
        [checks.by_gear.assign(by="gear"), checks.by_speed.assign(by="speed from [km/h]")], ignore_index=True
    )
    made: dict[str, str | bytes] = {
        "parameters.csv": checks.parameters.to_csv(index=False),
        "residuals.csv": residuals[["by", *checks.by_gear.columns]].to_csv(index=False),
    }
    if checks.held_out is not None:
        made["heldout.csv"] = checks.held_out.table().to_csv(index=False)
    return made
