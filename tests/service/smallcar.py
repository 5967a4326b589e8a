"""A car with one short log, small enough for jobs of seconds."""

from io import BytesIO
from pathlib import Path

import pandas as pd

from gridfit.grids import read_grids
from pipelines.service.garage import Garage
from pipelines.service.places import Data
from pipelines.service.records import Car
from pipelines.service.uploads import RunName, Stored, keep_bytes

SPAN_S = (0.0, 118.0)
"""Part of the first demo run that is used: three slip episodes."""


def short_log(demo: Path) -> bytes:
    """Part of a demo log, as Parquet."""
    table = pd.read_parquet(demo / "soft" / "soft1.parquet")
    inside = table[(table["time"] >= SPAN_S[0]) & (table["time"] <= SPAN_S[1])].reset_index(drop=True)
    stream = BytesIO()
    inside.to_parquet(stream, index=False)
    return stream.getvalue()


def enter_small_car(data: Data, demo: Path) -> Car:
    """Put the demo car with its short log and a pair in force into a data directory."""
    garage = Garage(data)
    car = garage.add((demo / "car.toml").read_text(encoding="utf-8"))
    raw = short_log(demo)
    garage.add_run(
        car.id, RunName.of("soft1.parquet"), "soft1.parquet", Stored(keep_bytes(data, raw), len(raw))
    )
    car = garage.change_channels(
        car.id, car.etag, (demo / "soft" / "channels.toml").read_text(encoding="utf-8")
    )
    pair = garage.add_pair(car.id, read_grids(demo / "grids_milder.json"), "milder", "entered")
    return garage.put_in_force(car.id, car.etag, pair["id"])
