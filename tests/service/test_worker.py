"""A worker's ways out: done, refused, fault of ours, cancelled, already answered; and what it leaves behind."""

import subprocess
import sys
import time
from pathlib import Path

import pytest
from service.conftest import REFINE, ask
from service.smallcar import enter_small_car

from gridfit.errors import DataError, InputError
from pipelines.service import worker
from pipelines.service.aftermath import standing_headline
from pipelines.service.asking import lay_out
from pipelines.service.garage import Garage
from pipelines.service.jobtable import JobTable
from pipelines.service.records import missing


@pytest.fixture
def waiting(data, demo):
    car = enter_small_car(data, demo)
    return data, JobTable(data.database), ask(data, car.id, REFINE)


def raising(error):
    def run(*_):
        raise error

    return run


@pytest.mark.parametrize(
    ("error", "state"),
    [
        (
            DataError.of(where="run1", what="episodes", value=0, allowed="at least 3", remedy="Drive more."),
            "refused",
        ),
        (
            InputError.of(where="run1", what="time", value="x", allowed="seconds", remedy="Export it again."),
            "failed",
        ),
        (missing("pair", "x", "Choose another."), "failed"),
    ],
)
def test_an_error_of_the_job_ends_it_with_place_and_remedy(waiting, monkeypatch, error, state):
    data, table, job_id = waiting
    monkeypatch.setitem(worker.RUNNERS, "refine", raising(error))
    assert worker.work(data, table, "w")
    job = table.get(job_id)
    assert job.state == state
    assert job.problem["problems"][0]["remedy"] == error.problems[0].remedy
    assert not data.job(job_id).exists()


def test_a_fault_of_ours_is_kept_for_us_and_told_without_its_words(waiting, monkeypatch):
    data, table, job_id = waiting
    monkeypatch.setitem(worker.RUNNERS, "refine", raising(ZeroDivisionError("secret")))
    worker.work(data, table, "w")
    job = table.get(job_id)
    assert job.state == "failed"
    assert "secret" not in str(job.problem)
    assert "secret" in (data.root / "faults" / f"{job_id}.txt").read_text()


def test_a_result_that_stands_is_not_made_again(finished_copy, monkeypatch):
    """Killed between writing the result and saying so: the next worker only says so."""
    data, ids = finished_copy
    table = JobTable(data.database)
    before = standing_headline(data, table.get(ids["refine"]))
    with data.database.write() as connection:
        connection.execute(
            "UPDATE jobs SET state='queued', headline=NULL, attempts=1 WHERE id=?", (ids["refine"],)
        )
    monkeypatch.setitem(worker.RUNNERS, "refine", raising(AssertionError("made again")))
    assert worker.work(data, table, "w")
    job = table.get(ids["refine"])
    assert (job.state, job.headline) == ("done", before)
    assert len([line for line in Garage(data).history(ids["car"]) if line["ref"] == ids["refine"]]) == 1


def test_nothing_waits_nothing_done(data):
    assert not worker.work(data, JobTable(data.database), "w")


def test_a_cancelled_worker_ends_at_its_next_beat(waiting):
    data, table, job_id = waiting
    command = [sys.executable, "-m", "pipelines.service.worker", "--data", str(data.root), "--owner", "x"]
    command += ["--lease-s", "30", "--tries", "3"]
    process = subprocess.Popen(command, cwd=Path(__file__).parents[2])
    while table.get(job_id).state != "running":
        time.sleep(0.05)
    table.cancel(job_id)
    assert process.wait(60) == worker.LOST
    assert table.get(job_id).state == "cancelled"
    assert not data.result(job_id).exists()


def test_inputs_are_laid_out_anew_from_what_was_asked(waiting):
    data, table, job_id = waiting
    asked = table.get(job_id).asked
    garage = Garage(data)
    [car] = garage.cars(0, 10)
    garage.remove_run(car.id, "soft1.parquet")
    garage.change_sheet(car.id, "*", garage.sheet_text(car).replace("mass_kg = 1180", "mass_kg = 1200"))
    inputs = lay_out(data, job_id, asked)
    assert "mass_kg = 1180" in inputs.car.read_text()
    assert [path.name for path in inputs.runs] == ["soft1.parquet"]
    assert (inputs.runs[0].parent / "channels.toml").exists()


def test_notes_survive_every_letter(waiting):
    import tomllib

    data, table, job_id = waiting
    odd = 'a"b\\c\u00e9\x7f\U0001f3ce\n\ttab'
    asked = table.get(job_id).asked
    asked["runs"][0]["note"] = {
        "compound": odd,
        "date": "2026-04-11",
        "track": odd,
        "track_temp_c": 21.5,
        "notes": odd,
    }
    inputs = lay_out(data, job_id, asked)
    note = tomllib.loads(inputs.runs[0].with_suffix(".toml").read_text(encoding="utf-8"))
    assert note["compound"] == note["track"] == note["notes"] == odd
    assert note["track_temp_c"] == 21.5
