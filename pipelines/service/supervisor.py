"""Starts a worker for each waiting job while there is room, and takes up again what dead workers left."""

import os
import secrets
import shutil
import subprocess
import sys
import threading
import time
from dataclasses import dataclass

from pipelines.service.jobtable import Job, JobTable, owner_name, this_host
from pipelines.service.places import Data

LOOK_S = 0.3
"""Time between two looks at the table [s]."""

STOP_S = 3.0
"""How long [s] workers are given to end when the service stops."""

LOG_BYTES = 1 << 20
"""Size from which on the workers' log is begun anew."""


@dataclass(frozen=True, slots=True)
class Child:
    """A worker of this supervisor."""

    owner: str
    process: "subprocess.Popen[bytes]"


class Supervisor:
    """A thread beside the service.

    Parameters
    ----------
    data : Data
    table : JobTable
    slots : int
        Jobs that run at a time.
    niceness : int
        By how much workers give way to others.
    """

    def __init__(self, data: Data, table: JobTable, slots: int = 1, niceness: int = 0) -> None:
        self._data, self._table, self._slots, self._niceness = data, table, slots, niceness
        self._children: list[Child] = []
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="supervisor", daemon=True)

    def start(self) -> None:
        """Begin to look after jobs."""
        self._sweep_folders()
        self._thread.start()

    def stop(self) -> None:
        """End, and queue again what was under way; its finished work is kept."""
        self._over.set()
        self._thread.join()
        for child in self._children:
            child.process.terminate()
        end = time.monotonic() + STOP_S
        for child in self._children:
            try:
                child.process.wait(max(0.0, end - time.monotonic()))
            except subprocess.TimeoutExpired:
                child.process.kill()
                child.process.wait()
        self._bury()

    def look(self) -> None:
        """Bury the dead, free their jobs, start workers where there is room."""
        self._bury()
        for job in self._table.in_state("running"):
            if job.owner and not self._lives(job):
                self._table.release(job.id, job.owner)
        running, waiting = self._table.in_state("running"), self._table.in_state("queued")
        # A worker that has just been started has not claimed its job yet.
        claimed = {job.owner for job in running}
        starting = sum(child.owner not in claimed for child in self._children)
        for _ in range(min(len(waiting) - starting, self._slots - len(running) - starting)):
            self._children.append(self._start())

    def _run(self) -> None:
        while not self._over.wait(LOOK_S):
            self.look()

    def _bury(self) -> None:
        for child in list(self._children):
            if child.process.poll() is not None:
                self._children.remove(child)
                for job in self._table.in_state("running"):
                    if job.owner == child.owner:
                        self._table.release(job.id, child.owner)

    def _lives(self, job: Job) -> bool:
        """Say whether a job's worker may still live: its process is there, or its lease has not run out."""
        if any(job.owner == expired.owner for expired in self._table.expired()):
            return False
        if any(child.owner == job.owner for child in self._children):
            return True
        host, pid, _ = (job.owner or "::").split(":", 2)
        return host != this_host() or not pid.isdigit() or _process_is_there(int(pid))

    def _start(self) -> Child:
        log = self._data.root / "workers.log"
        mode = "ab" if log.exists() and log.stat().st_size < LOG_BYTES else "wb"
        token = secrets.token_hex(6)
        # One process of one job: libraries' own threads would only wait for each other.
        environment = {
            **os.environ,
            "OMP_NUM_THREADS": "1",
            "OPENBLAS_NUM_THREADS": "1",
            "MKL_NUM_THREADS": "1",
        }
        with log.open(mode) as out:
            process = subprocess.Popen(
                [
                    sys.executable, "-m", "pipelines.service.worker", "--data", str(self._data.root),
                    "--owner", token, "--lease-s", str(self._table.lease_s), "--tries", str(self._table.most_tries),
                    "--nice", str(self._niceness),
                ],
                stdin=subprocess.DEVNULL, stdout=out, stderr=out, env=environment, start_new_session=True,
            )  # fmt: skip
        return Child(owner_name(process.pid, token), process)

    def _sweep_folders(self) -> None:
        """Remove inputs and stages of jobs that ended, which a kill may have left."""
        for folder in (self._data.root / "jobs").iterdir():
            job = self._table.get(folder.name)
            if job is None or job.state not in ("queued", "running", "failed", "cancelled"):
                shutil.rmtree(folder, ignore_errors=True)
        for part in self._data.incoming.glob("*.part"):
            part.unlink(missing_ok=True)


def _process_is_there(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
