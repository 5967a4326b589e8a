"""One process, one job: claims the job that has waited longest, works on it, and ends.

A thread renews the lease every second. When that fails, somebody cancelled the job or took it over, and the process
ends at once, wherever it is: what it had got done is kept, and nothing half-written counts.
"""

import argparse
import os
import shutil
import sys
import threading
import traceback
import warnings
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from gridfit.errors import GridfitError
from pipelines.delivery import Delivery, JobResult
from pipelines.ingest import Source
from pipelines.record import GIVEN_RESULT_ID
from pipelines.service import aftermath
from pipelines.service.asking import Inputs, lay_out, preference_of
from pipelines.service.jobtable import Job, JobTable, owner_name
from pipelines.service.memory import Memory
from pipelines.service.places import Data

BEAT_S = 1.0
"""Time between heartbeats [s]."""

LOST = 75
"""Exit code of a worker whose job is no longer its own."""

REFUSED = 4
"""Exit code of an error that says that the evidence does not carry the answer."""

Runner = Callable[[Job, Inputs, Delivery, "Pulse", Memory], JobResult]


class Pulse:
    """Keeps a job's lease while the process works, and passes its progress on.

    Parameters
    ----------
    table : JobTable
    job : Job
    owner : str
    marks : callable
        What the job has got done, as a count.
    """

    def __init__(self, table: JobTable, job: Job, owner: str, marks: Callable[[], int]) -> None:
        self._table, self._job, self._owner, self._marks = table, job, owner, marks
        self._said: tuple[str, float] = ("starting", 0.0)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True, name="pulse")

    def __enter__(self) -> "Pulse":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def progress(self, stage: str, fraction: float) -> None:
        """Take the stage and the share of it that is done [0..1]."""
        self._said = (stage, round(min(1.0, max(0.0, fraction)), 3))

    def _run(self) -> None:
        while not self._over.wait(BEAT_S):
            stage, share = self._said
            if not self._table.beat(self._job.id, self._owner, stage, share, self._marks()):
                os._exit(LOST)


def work(data: Data, table: JobTable, owner: str) -> bool:
    """Claim a job and end it one way or another; False when none waited."""
    job = table.claim(owner)
    if job is None:
        return False
    memory = Memory(data.job(job.id) / "state")
    with Pulse(table, job, owner, lambda: memory.marks) as pulse:
        state, headline, problem = _outcome(data, job, pulse, memory)
        if state == "done":
            aftermath.keep_findings(data, job, memory)
    memory.journal.close()
    if table.finish(job.id, owner, state, headline=headline, problem=problem):
        shutil.rmtree(data.job(job.id), ignore_errors=True)
    return True


def _outcome(data: Data, job: Job, pulse: Pulse, memory: Memory) -> tuple[str, str, dict[str, Any] | None]:
    """Return state, headline and problem of a job that was worked on."""
    try:
        if job.attempts > 1:
            aftermath.settle(data, job, result_id(job))
        stands = aftermath.standing_headline(data, job)
        if stands is not None:  # killed between writing the result and saying so
            return "done", stands, None
        return "done", _run(data, job, pulse, memory).headline, None
    except GridfitError as error:
        return "refused" if error.exit_code == REFUSED else "failed", "", error.to_dict()
    except Exception as error:  # noqa: BLE001 - the last line of defence: the job must end in the table
        fault = data.root / "faults" / f"{job.id}.txt"
        fault.parent.mkdir(exist_ok=True)
        fault.write_text("".join(traceback.format_exception(error)), encoding="utf-8")
        return "failed", "", _fault(job, error)


def _fault(job: Job, error: Exception) -> dict[str, Any]:
    return {
        "error": type(error).__name__,
        "exit_code": 1,
        "problems": [
            {
                "where": f"job {job.id}",
                "what": "a fault of gridfit, not of your files",
                "value": type(error).__name__,
                "allowed": "",
                "remedy": f"Details are in faults/{job.id}.txt of the data directory; send them with a word on it.",
            }
        ],
    }


def result_id(job: Job) -> str:
    """Return the identifier under which every attempt at a job tracks itself."""
    return f"{datetime.fromisoformat(job.created):%Y%m%d-%H%M%S}-{job.id[:6]}"


def _run(data: Data, job: Job, pulse: Pulse, memory: Memory) -> JobResult:
    inputs = lay_out(data, job.id, job.asked)
    delivery = Delivery(data.result(job.id), False, data.tracking)
    given = GIVEN_RESULT_ID.set(result_id(job))
    try:
        with memory.simulations():
            return RUNNERS[job.kind](job, inputs, delivery, pulse, memory)
    finally:
        GIVEN_RESULT_ID.reset(given)


def _source(inputs: Inputs) -> Source:
    return Source(inputs.car, inputs.runs, inputs.channels, inputs.grids)


def _propose(job: Job, inputs: Inputs, delivery: Delivery, pulse: Pulse, memory: Memory) -> JobResult:
    from pipelines.propose import ProposeRequest, run

    asked = job.asked
    return run(
        ProposeRequest(
            inputs.car,
            delivery,
            asked["seed"],
            preference_of(asked),
            asked["budget"],
            asked["draws"],
            pulse.progress,
        )
    )


def _refine(job: Job, inputs: Inputs, delivery: Delivery, pulse: Pulse, memory: Memory) -> JobResult:
    from pipelines.refine import RefineRequest, run

    asked = job.asked
    return run(
        RefineRequest(
            _source(inputs), delivery, asked["seed"], preference_of(asked), asked["budget"], asked["draws"],
            pulse.progress, stages=memory,
        )
    )  # fmt: skip


def _compare(job: Job, inputs: Inputs, delivery: Delivery, pulse: Pulse, memory: Memory) -> JobResult:
    from pipelines.compare import run
    from pipelines.comparing import CompareRequest

    return run(
        CompareRequest(_source(inputs), delivery, job.asked["seed"], job.asked["draws"], pulse.progress)
    )


def _inspect(job: Job, inputs: Inputs, delivery: Delivery, pulse: Pulse, memory: Memory) -> JobResult:
    from pipelines.inspect_logs import InspectRequest, run

    return run(InspectRequest(_source(inputs), delivery, job.asked["seed"], pulse.progress))


def _score(job: Job, inputs: Inputs, delivery: Delivery, pulse: Pulse, memory: Memory) -> JobResult:
    from pipelines.score import ScoreRequest, run

    asked = job.asked
    return run(
        ScoreRequest(
            _source(inputs),
            delivery,
            inputs.plant,
            asked["seed"],
            preference_of(asked),
            asked["draws"],
            pulse.progress,
        )
    )


RUNNERS: dict[str, Runner] = {
    "propose": _propose, "refine": _refine, "compare": _compare, "inspect": _inspect, "score": _score,
}  # fmt: skip
"""How each kind of job is run."""


def main(arguments: list[str] | None = None) -> int:
    """Work on one job of a data directory; 0 whether or not one waited."""
    parser = argparse.ArgumentParser(prog="gridfit-worker", description="Works on one waiting job and ends.")
    parser.add_argument("--data", type=Path, required=True, help="data directory of the service")
    parser.add_argument("--owner", required=True, help="name under which the job is claimed")
    parser.add_argument(
        "--lease-s", type=float, required=True, help="seconds after which silence counts as death"
    )
    parser.add_argument("--tries", type=int, required=True, help="attempts that may get no further")
    parser.add_argument("--nice", type=int, default=0, help="by how much to give way to others")
    given = parser.parse_args(arguments)
    warnings.simplefilter("ignore")  # as on the command line
    if given.nice and hasattr(os, "nice"):
        os.nice(given.nice)
    data = Data(given.data)
    owner = owner_name(os.getpid(), given.owner)
    work(data, JobTable(data.database, lease_s=given.lease_s, most_tries=given.tries), owner)
    return 0


if __name__ == "__main__":
    sys.exit(main())
