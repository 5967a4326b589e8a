"""A wish for a job -> the whole question by content -> the files that the job reads."""

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gridfit.errors import CallError
from gridfit.recovery import Preference, preference
from pipelines.plain import to_json
from pipelines.service.garage import Garage
from pipelines.service.places import Data
from pipelines.service.records import Car
from pipelines.service.uploads import blob_path

KINDS = ("propose", "refine", "compare", "inspect", "score")
"""Jobs that can be asked for."""

NEEDS_RUNS = ("refine", "compare", "inspect")
NEEDS_GRIDS = ("refine", "score")

SEARCHES = ("propose", "refine")
"""Jobs with a preference and a budget, whose result is a grid pair."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What a person asks for.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    runs : tuple of str or None
        Names of runs; None for all runs of the car.
    pair : str or None
        Grid pair: where refine starts, what score scores; None for the pair in force.
    plant_of : str or None
        Finished refine whose plant score shall use.
    seed, draws : int
    preference, budget : str
        Names: a preference may be a saved one.
    """

    kind: str
    runs: tuple[str, ...] | None
    pair: str | None
    plant_of: str | None
    seed: int
    draws: int
    preference: str
    budget: str


def question(garage: Garage, car: Car, wish: Wish) -> dict[str, Any]:
    """Return all that a job's answer depends on, each input by its digest or in full.

    Raises
    ------
    CallError
        Runs, a grid pair or a preference are missing.
    """
    uploads = garage.runs(car.id)
    chosen = [run for run in uploads if run.kind == "run" and (wish.runs is None or run.name in wish.runs)]
    if wish.kind == "propose" or (wish.kind == "score" and wish.runs is None):
        chosen = []
    for name in wish.runs or ():
        garage.run(car.id, name)
    if wish.kind in NEEDS_RUNS and not chosen:
        raise CallError.of(
            where=f"{wish.kind} runs", value="none", allowed="at least one run of the car",
            remedy="Upload a log first.",
        )  # fmt: skip
    pair = wish.pair or car.in_force
    if wish.kind in NEEDS_GRIDS and pair is None:
        raise CallError.of(
            where=f"{wish.kind} pair", value="none", allowed="a grid pair of the car",
            remedy="Enter the grid pair that is in the car now, or name one.",
        )  # fmt: skip
    asked: dict[str, Any] = {
        "sheet": car.sheet,
        "channels": car.channels if chosen else None,
        "runs": [
            {"name": run.name, "sha256": run.sha256, "note": _note(garage, car.id, run.note)}
            for run in chosen
        ],
        "tables": [
            {"name": run.name, "sha256": run.sha256} for run in uploads if run.kind == "table" and chosen
        ],
        "grids": None if pair is None or wish.kind == "propose" else garage.pair(car.id, pair)["content"],
        "plant_of": wish.plant_of if wish.kind == "score" else None,
        "seed": wish.seed,
    }
    if wish.kind != "inspect":
        asked["draws"] = wish.draws
    if wish.kind in (*SEARCHES, "score"):
        asked["preference"] = wish.preference
        # The weights themselves: what is saved under the name later does not change what was asked.
        asked["weights"] = garage.preferences.get(wish.preference).weights.weights()
    if wish.kind in SEARCHES:
        asked["budget"] = wish.budget
    return asked


def preference_of(asked: dict[str, Any]) -> Preference:
    """Return the preference of a question, with the weights that it was asked with."""
    name = asked["preference"]
    # A job that an earlier version queued has only the name of one of the three.
    return Preference(name, **asked["weights"]) if "weights" in asked else preference(name)


def _note(garage: Garage, car_id: str, note: dict[str, Any] | None) -> dict[str, Any] | None:
    if note is None:
        return None
    pair = note.get("pair")
    rest = {key: value for key, value in note.items() if key != "pair"}
    return rest if pair is None else {**rest, "grids": garage.pair(car_id, pair)["content"]}


@dataclass(frozen=True, slots=True)
class Inputs:
    """Files that a job reads.

    Parameters
    ----------
    car : Path
    runs : tuple of Path
    channels, grids, plant : Path or None
    """

    car: Path
    runs: tuple[Path, ...]
    channels: Path | None
    grids: Path | None
    plant: Path | None


def lay_out(data: Data, job_id: str, asked: dict[str, Any]) -> Inputs:
    """Write the files of a question into the job's folder, anew at every attempt, and return their places.

    Raises
    ------
    CallError
        The plant that was named is gone.
    """
    folder = data.job(job_id) / "input"
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "runs").mkdir(parents=True)
    car = folder / "car.toml"
    shutil.copyfile(blob_path(data, asked["sheet"]), car)
    for number, run in enumerate(asked["runs"]):
        target = folder / "runs" / run["name"]
        shutil.copyfile(blob_path(data, run["sha256"]), target)
        if run["note"] is not None:
            _write_note(target, run["note"], number)
    for table in asked["tables"]:
        shutil.copyfile(blob_path(data, table["sha256"]), folder / "runs" / table["name"])
    channels = None
    if asked["channels"] is not None:
        # Beside the logs, as a person would put it, so that a message table is found from there too.
        shutil.copyfile(blob_path(data, asked["channels"]), folder / "runs" / "channels.toml")
    return Inputs(
        car,
        tuple(folder / "runs" / run["name"] for run in asked["runs"]),
        channels,
        _grids(folder, asked["grids"]),
        _plant(data, folder, asked["plant_of"]),
    )


def _grids(folder: Path, content: dict[str, Any] | None) -> Path | None:
    if content is None:
        return None
    path = folder / "grids.json"
    path.write_text(to_json(content), encoding="utf-8")
    return path


def _plant(data: Data, folder: Path, job_id: str | None) -> Path | None:
    if job_id is None:
        return None
    kept = data.result(job_id) / "plant.json"
    if not kept.is_file():
        raise CallError.of(
            where="plant_of", value=job_id, allowed="must be a finished refine with its plant",
            remedy="Choose another refine, or leave the plant out.",
        )  # fmt: skip
    return Path(shutil.copyfile(kept, folder / "plant.json"))


def _write_note(run: Path, note: dict[str, Any], number: int) -> None:
    stem = run.name.removesuffix(".gz").rsplit(".", 1)[0]
    lines = [
        f"{key} = {_toml(note[key])}"
        for key in ("compound", "track", "track_temp_c", "notes")
        if note.get(key) is not None
    ]
    lines.append(f"date = {_toml(note['date'])}")
    if note.get("grids") is not None:
        name = f"{stem}-grids-{number}.json"
        (run.parent / name).write_text(to_json(note["grids"]), encoding="utf-8")
        lines.append(f'grids = "{name}"')
    (run.parent / f"{stem}.toml").write_text("\n".join([*lines, ""]), encoding="utf-8")


def _toml(value: object) -> str:
    """Return a number or a text as TOML."""
    if isinstance(value, int | float):
        return repr(value)
    # JSON's escapes are TOML's, but for the delete character, which TOML wants escaped too.
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")
