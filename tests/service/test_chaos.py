"""Workers and servers killed at random moments: nothing lost, nothing doubled, the same grids in the end."""

import hashlib
import json
import os
import random
import signal
import time

import httpx
import optuna
import pytest
from mlflow.tracking import MlflowClient
from optuna.storages import JournalStorage
from optuna.storages.journal import JournalFileBackend
from service.conftest import REFINE, ask
from service.serverprocess import ServerProcess
from service.smallcar import enter_small_car

from pipelines.service.garage import Garage
from pipelines.service.jobtable import JobTable
from pipelines.service.uploads import blob_path

KILLS = 20
LONGEST_S = 900.0  # a minute on two quiet cores


def worker_pid(table: JobTable, job_id: str) -> int | None:
    owner = table.get(job_id).owner
    return None if owner is None else int(owner.split(":")[1])


def kill(pid: int) -> None:
    try:
        os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:
        pass  # it ended by itself a moment ago


class Chaos:
    """A service under fire."""

    def __init__(self, data, car_id, job_id, seed):
        self.data, self.car_id, self.job_id = data, car_id, job_id
        self.table, self.rng = JobTable(data.database), random.Random(seed)
        self.server = ServerProcess(data.root, "--tries", "1000")
        self.kept: dict[str, bytes] = {}
        self.hit = {"worker": 0, "server": 0, "both": 0}

    def ended(self) -> bool:
        return self.table.get(self.job_id).state not in ("queued", "running")

    def upload(self, number: int) -> None:
        """Send a small log; it counts as kept only when the service said so."""
        name, body = f"extra-{number}.csv", f"time,speed\n0,{number}\n".encode()
        try:
            answer = self.server.client.put(f"/api/cars/{self.car_id}/runs/{name}", content=body)
        except httpx.TransportError:
            return
        assert answer.status_code in (200, 201), answer.text
        self.kept[name] = body

    def wait_for(self, marks: int, pause_s: float) -> None:
        """Wait until the job has got so far, at most twenty seconds, then a moment more."""
        end = time.monotonic() + 20.0
        while time.monotonic() < end and not self.ended() and self.table.get(self.job_id).marks < marks:
            time.sleep(0.02)
        time.sleep(pause_s)

    def strike(self, number: int) -> None:
        # A job goes on while its server is away, and could end before the last strike: so that comes early on.
        what = self.rng.choice(("worker", "server", "both") if number < KILLS // 2 else ("worker", "both"))
        pid = worker_pid(self.table, self.job_id)
        if what != "server" and pid is not None:
            kill(pid)
        if what != "worker":
            self.server.kill()
            self.server = ServerProcess(self.data.root, "--tries", "1000")
        self.hit[what] += 1

    def run(self, whole: int) -> None:
        """Strike 20 times, then let the job end."""
        begun = time.monotonic()
        for number in range(KILLS):
            self.upload(number)
            # Half of the moments lie anywhere after a start, half are spread over what the job has to do.
            at = 0 if number % 2 else int(whole * number / KILLS)
            self.wait_for(at, self.rng.uniform(0.0, 0.6) * (1.0 - number / KILLS))
            if self.ended():
                return
            self.strike(number)
        while not self.ended() and time.monotonic() - begun < LONGEST_S:
            time.sleep(0.1)


@pytest.mark.timeout(LONGEST_S + 15)
def test_a_refine_that_is_killed_20_times_ends_as_if_nothing_had_been(finished, data, demo):
    folder, ids = finished
    whole = JobTable(type(data)(folder).database).get(ids["refine"]).marks
    car = enter_small_car(data, demo)
    job_id = ask(data, car.id, REFINE)
    chaos = Chaos(data, car.id, job_id, seed=20)
    try:
        chaos.run(whole)
    finally:
        chaos.server.stop()
    assert sum(chaos.hit.values()) == KILLS, chaos.hit
    assert min(chaos.hit.values()) > 0

    job = chaos.table.get(job_id)
    assert job.state == "done", job
    check_same_result(folder, data, ids["refine"], job_id)
    check_nothing_doubled(data, car.id, job)
    for name, body in chaos.kept.items():
        run = Garage(data).run(car.id, name)
        assert blob_path(data, run.sha256).read_bytes() == body
    assert len(chaos.kept) == KILLS


def check_same_result(folder, data, undisturbed: str, killed: str) -> None:
    one, other = folder / "results" / undisturbed, data.result(killed)
    assert sorted(p.name for p in one.iterdir()) == sorted(p.name for p in other.iterdir())
    for name in ("grids.json", "plant.json", "cells.csv", "choices.json", "episodes.csv", "history.parquet"):
        digests = [hashlib.sha256((place / name).read_bytes()).hexdigest() for place in (one, other)]
        assert digests[0] == digests[1], name


def check_nothing_doubled(data, car_id, job) -> None:
    garage = Garage(data)
    assert len(JobTable(data.database).of_car(car_id, None, 100)) == 1
    assert len([line for line in garage.history(car_id) if line["kind"] == "result"]) == 1
    assert len([pair for pair in garage.pairs(car_id) if pair["origin"] == f"job:{job.id}"]) == 1
    assert not list((data.root / "jobs").iterdir()), "inputs of a finished job are left"
    summary = json.loads((data.result(job.id) / "summary.json").read_text())
    client = MlflowClient(tracking_uri=data.tracking.tracking_uri)
    everywhere = [one.experiment_id for one in client.search_experiments()]
    runs = client.search_runs(everywhere, "tags.`gridfit.job` = 'refine'")
    assert [run.info.status for run in runs] == ["FINISHED"]
    assert runs[0].info.run_id == summary["tracking"]["run_id"]
    kept = summary["studies"]["store"]
    assert [str(path) for path in (data.tracking.folder / "studies").iterdir()] == [kept]
    names = optuna.get_all_study_names(JournalStorage(JournalFileBackend(kept)))
    assert sorted(names) == sorted(summary["studies"]["names"])
