"""The demo car, entered into a data directory: its sheet, its logs with their notes, its grid pair, and two jobs."""

import tomllib
from pathlib import Path
from typing import Any

from gridfit.errors import CallError
from gridfit.grids import read_grids
from pipelines.service.asking import Wish, question
from pipelines.service.garage import Garage
from pipelines.service.jobtable import JobTable
from pipelines.service.places import Data
from pipelines.service.uploads import RunName, Stored, keep_bytes

PACKED = Path(__file__).parent / "demo_car"
"""Where the demo car lies in an installed gridfit."""

CHECKOUT = Path(__file__).parents[2] / "datasets" / "demo"
"""Where it lies in a checkout."""

IN_FORCE = "grids_milder.json"
"""The pair in the car now: mild enough that there is something to find."""

DRIVEN = "grids_start.json"
"""The pair in the car while the logs were driven."""


def folder() -> Path:
    """Return where the demo car's files lie; raises CallError when they were left out of this installation."""
    for place in (PACKED, CHECKOUT):
        if (place / "car.toml").is_file():
            return place
    raise CallError.of(
        where="--demo", what="files of the demo car", value="missing", allowed="must be part of the installation",
        remedy="Install gridfit from its wheel, or run it from a checkout.",
    )  # fmt: skip


def enter(data: Data) -> str:
    """Enter the demo car unless it is there, and ask whether its logs are fit and for a better pair; return its id."""
    garage, source = Garage(data), folder()
    sheet = (source / "car.toml").read_text(encoding="utf-8")
    name = tomllib.loads(sheet)["car"]["name"]
    for car in garage.cars(0, 1000):
        if car.name == name:
            return car.id
    car = garage.add(sheet)
    channels = (source / "soft" / "channels.toml").read_text(encoding="utf-8")
    car = garage.change_channels(car.id, car.etag, channels)
    driven = garage.add_pair(car.id, read_grids(source / DRIVEN), "driven while logging", "entered")
    milder = garage.add_pair(car.id, read_grids(source / IN_FORCE), "milder", "entered")
    for log in sorted((*(source / "soft").glob("*.parquet"), *(source / "hard").glob("*.parquet"))):
        raw = log.read_bytes()
        run, _ = garage.add_run(
            car.id, RunName.of(log.name), log.name, Stored(keep_bytes(data, raw), len(raw))
        )
        garage.set_note(car.id, run.name, _note(log, driven["id"]))
    car = garage.put_in_force(car.id, garage.car(car.id).etag, milder["id"])
    table = JobTable(data.database)
    soft = tuple(run.name for run in garage.runs(car.id) if run.name.startswith("soft"))
    for kind in ("inspect", "refine"):
        wish = Wish(kind, soft, None, None, 1, 32, "balanced", "quick")
        table.submit(car.id, kind, question(garage, car, wish))
    return car.id


def _note(log: Path, pair_id: str) -> dict[str, Any]:
    note = tomllib.loads(log.with_suffix(".toml").read_text(encoding="utf-8"))
    return {
        "compound": note["compound"],
        "date": str(note["date"]),
        "track": note["track"],
        "track_temp_c": note.get("track_temp_c"),
        "pair": pair_id,
        "notes": note.get("notes", ""),
    }
