"""Data directories of a small car: fresh, and with a finished refine that all tests share."""

import fcntl
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from service.smallcar import enter_small_car

from pipelines.service.asking import Wish, question
from pipelines.service.garage import Garage
from pipelines.service.jobtable import JobTable
from pipelines.service.places import Data

REFINE = Wish("refine", None, None, None, 1, 4, "balanced", "quick")
INSPECT = Wish("inspect", None, None, None, 1, 4, "balanced", "quick")


def ask(data: Data, car_id: str, wish: Wish) -> str:
    """Ask for a job and return its id."""
    garage = Garage(data)
    job, _ = JobTable(data.database).submit(car_id, wish.kind, question(garage, garage.car(car_id), wish))
    return job.id


def work_once(data: Data) -> None:
    """Let a worker process do the job that waits."""
    command = [sys.executable, "-m", "pipelines.service.worker", "--data", str(data.root)]
    command += ["--owner", "test", "--lease-s", "30", "--tries", "3"]
    subprocess.run(
        command, check=True, cwd=Path(__file__).parents[2], env={**os.environ, "OMP_NUM_THREADS": "1"}
    )


@pytest.fixture
def quick_folder(tmp_path) -> Iterator[Path]:
    """A folder in memory where there is one: every commit waits for its disk, and tests make thousands."""
    memory = Path("/dev/shm")
    if not os.access(memory, os.W_OK):
        yield tmp_path
        return
    folder = Path(tempfile.mkdtemp(prefix="gridfit-test-", dir=memory))
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def data(quick_folder) -> Data:
    """An empty data directory."""
    return Data(quick_folder / "data").prepare()


@pytest.fixture(scope="session")
def finished(tmp_path_factory, demo) -> tuple[Path, dict[str, str]]:
    """Data directory of a car with a finished inspect and refine, and their ids; made once for all processes."""
    shared = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        shared = shared.parent
    folder = shared / "finished"
    folder.mkdir(exist_ok=True)
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        told = folder / "ids.json"
        if not told.exists():
            data = Data(folder / "data").prepare()
            car = enter_small_car(data, demo)
            ids = {"car": car.id}
            for wish in (INSPECT, REFINE):
                ids[wish.kind] = ask(data, car.id, wish)
                work_once(data)
            told.write_text(json.dumps(ids))
        return folder / "data", json.loads(told.read_text())


@pytest.fixture
def finished_copy(finished, quick_folder) -> tuple[Data, dict[str, str]]:
    """A copy of that directory, to change at will: copying is also how a backup is made."""
    folder, ids = finished
    return Data(Path(shutil.copytree(folder, quick_folder / "copied"))), ids
