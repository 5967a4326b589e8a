"""What the page of a car shows, gathered from the garage and from results; no computation."""

import json
from dataclasses import dataclass
from typing import Any

import pandas as pd

from gridfit.carsheet import CarSheet
from gridfit.grids import common_practice
from gridfit.preferences import MEANINGS
from pipelines.partnames import PART_LABELS, WEIGHT_LABELS
from pipelines.report.cautions import cautions
from pipelines.service.jobtable import Job
from pipelines.service.places import Data
from pipelines.service.preferences import built_in
from pipelines.service.records import Car
from pipelines.service.results import standing_summary
from pipelines.service.sheetform import fields
from pipelines.service.shelf import Shelf

MOST_JOBS = 200
"""Jobs of a car that are looked through for its latest results."""

RECENT = 8
"""Jobs that are listed."""


@dataclass(frozen=True, slots=True)
class Result:
    """A finished job.

    Parameters
    ----------
    job : Job
    summary : dict
    """

    job: Job
    summary: dict[str, Any]

    def json(self, data: Data, name: str) -> Any:  # noqa: ANN401 - JSON
        """Return one of its JSON files, or None."""
        path = data.result(self.job.id) / name
        return json.loads(path.read_text(encoding="utf-8")) if path.is_file() else None


def latest(parts: Shelf, jobs: list[Job], *kinds: str) -> Result | None:
    """Return the latest finished job of some kinds."""
    for job in jobs:
        if job.kind in kinds and job.state == "done":
            summary = standing_summary(parts.settings.data, job.id)
            if summary is not None:
                return Result(job, summary)
    return None


def car_view(parts: Shelf, car: Car) -> dict[str, Any]:
    """Return everything that the page of a car shows."""
    garage, data = parts.garage, parts.settings.data
    text = garage.sheet_text(car)
    sheet = garage.sheet(car)
    jobs = parts.jobs.of_car(car.id, None, MOST_JOBS)
    proposal = latest(parts, jobs, "refine", "propose")
    uploads = garage.runs(car.id)
    runs = [run for run in uploads if run.kind == "run"]
    pairs = garage.pairs(car.id)
    return {
        "car": car,
        "sheet": sheet,
        "fields": fields(text),
        "runs": runs,
        "tables": [run for run in uploads if run.kind == "table"],
        "channels": garage.channels_text(car),
        "pairs": pairs,
        "in_force": next((pair for pair in pairs if pair["id"] == car.in_force), None),
        "base": _base(
            sheet, pairs, car.in_force, None if proposal is None else _proposed(pairs, proposal.job)
        ),
        "proposed": None if proposal is None else _proposed(pairs, proposal.job),
        "proposal": proposal,
        "fit": _fitness(latest(parts, jobs, "inspect")),
        "plant": None if proposal is None else proposal.json(data, "plant.json"),
        "support": {} if proposal is None else _support(data, proposal),
        "tests": (None if proposal is None else proposal.json(data, "next_tests.json")) or [],
        "choices": _choices(None if proposal is None else proposal.json(data, "choices.json")),
        "overlay": proposal is not None and data.overlay(proposal.job.id).is_file(),
        "comparison": _comparison(data, latest(parts, jobs, "compare")),
        "jobs": jobs[:RECENT],
        "open_jobs": [job for job in jobs if job.state in ("queued", "running")],
        "history": garage.history(car.id, limit=40),
        "cautions": cautions(sheet.engine.cut),
        "part_labels": PART_LABELS,
        "preferences": [*built_in(), *garage.preferences.saved()],
        "weight_labels": weight_labels(),
        "stood_in": _stood_in(sheet),
        "compounds": sorted({run.note["compound"] for run in runs if run.note}),
    }


def _proposed(pairs: list[dict[str, Any]], job: Job) -> dict[str, Any] | None:
    """Return the pair that a job proposed; numbers that were there before keep their first label."""
    own = next((pair for pair in pairs if pair["origin"] == f"job:{job.id}"), None)
    return own or next((pair for pair in pairs if pair["label"].startswith(("Refined", "Proposed"))), None)


def _base(
    sheet: CarSheet, pairs: list[dict[str, Any]], in_force: str | None, proposed: dict[str, Any] | None
) -> dict[str, Any]:
    """Return the pair that the editor begins with: proposed, else in the car, else the latest, else common practice."""
    found = (
        proposed
        or next((pair for pair in pairs if pair["id"] == in_force), None)
        or (pairs[-1] if pairs else None)
    )
    return found or {"id": "", "label": "common practice", "content": common_practice(sheet).to_dict()}


def _fitness(result: Result | None) -> dict[str, Any] | None:
    """Return the verdict on the logs: by run, by question, and what to change."""
    if result is None:
        return None
    found = result.summary["results"]
    levels: dict[str, dict[str, Any]] = {}
    for use in ("refine", "compare"):
        for one in found["verdict"][use]["runs"]:
            levels.setdefault(one["run"], {})[use] = one
    return {
        "job": result.job,
        "refine": found["verdict"]["refine"],
        "compare": found["verdict"]["compare"],
        "runs": levels,
        "questions": found["questions"],
        "changes": found["change_before_next_test"],
        "episodes": found["episodes"],
    }


def _support(data: Data, result: Result) -> dict[str, dict[str, Any]]:
    """Return what each cell of the proposal rests on, by ``grid|gear|breakpoint``."""
    path = data.result(result.job.id) / "cells.csv"
    if not path.is_file():
        return {}
    table = pd.read_csv(path)
    found = {}
    for row in table.to_dict("records"):
        gear = 0 if pd.isna(row["gear"]) else int(row["gear"])
        found[f"{row['grid']}|{gear}|{float(row['breakpoint']):g}"] = {
            "episodes": int(row["episodes"]), "basis": str(row["basis"]), "reason": str(row["reason"]),
        }  # fmt: skip
    return found


def _choices(listed: list[dict[str, Any]] | None) -> list[dict[str, Any]]:
    """Return the kept pairs from calm to sharp, each once."""
    seen: dict[str, dict[str, Any]] = {}
    for one in listed or []:
        if one["figures"]["on_front"]:
            seen.setdefault(json.dumps(one["grids"]["cut"]) + json.dumps(one["grids"]["target"]), one)
    return sorted(seen.values(), key=lambda one: float(one["figures"]["roughness"]))


def _comparison(data: Data, result: Result | None) -> dict[str, Any] | None:
    if result is None:
        return None
    return {
        "job": result.job,
        "headline": result.summary["finding"],
        "pairs": result.json(data, "compare.json")["pairs"],
    }


def weight_labels() -> list[tuple[str, str, str, str]]:
    """Return name, label, meaning and upper bound of each weight."""
    return [
        (key, WEIGHT_LABELS[key], meaning, "1" if key == "tail" else "1000")
        for key, meaning in MEANINGS.items()
    ]


def _stood_in(sheet: CarSheet) -> list[str]:
    return sorted(sheet.stood_in)
