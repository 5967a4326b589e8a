"""One row per run for the comparisons: what notes, logs and grids give."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from gridfit.signals.run import RunNote
from pipelines.ingest import Source, ingest
from pipelines.progress import silent
from pipelines.runtable import driver, drivers, run_table

DEMO = Path(__file__).resolve().parents[2] / "datasets" / "demo"


@pytest.fixture(scope="module")
def logs():
    return ingest(Source(DEMO / "car.toml", (DEMO / "soft",)), silent)


@pytest.fixture(scope="module")
def table(logs):
    return run_table(logs)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("driver: Ann", "Ann"),
        ("fuel half, Driver = Bo; traffic", "Bo"),
        ("the driver was tired", ""),
        ("", ""),
    ],
)
def test_a_driver_is_read_from_the_notes(text, name):
    assert driver(RunNote("soft", "2026-05-01", "north", 20.0, None, text)) == name


def test_each_run_has_what_the_checks_read(table):
    assert list(table["run"]) == ["soft1", "soft2", "soft3", "soft4"]
    assert list(table["grids"]) == ["grids_start.json", *["grids_milder.json"] * 3]
    assert (table["day"].str.len() == 10).all()
    assert (table["started"] == "").all()
    assert table["speed_kmh"].between(30.0, 90.0).all()
    assert np.ptp(table["radius_m"]) < 0.005
    assert table["radius_m"].mean() == pytest.approx(0.313, abs=0.005)  # as the demo was made
    assert drivers(table) == []


def test_a_note_with_a_time_gives_day_and_order(logs):
    first = logs.signals[0]
    note = replace(first.run.note, date="2026-05-01T10:30:00", notes="driver: Ann")
    timed = replace(logs, signals=(replace(first, run=replace(first.run, note=note)), *logs.signals[1:]))
    row = run_table(timed).iloc[0]
    assert (row["day"], row["started"], row["driver"]) == ("2026-05-01", "2026-05-01T10:30:00", "Ann")
