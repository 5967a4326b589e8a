"""What is left to do when a job is done, and what a killed attempt left in the tracking stores."""

from contextlib import suppress
from typing import TYPE_CHECKING

from gridfit.grids import read_grids
from pipelines.plain import to_json
from pipelines.service.asking import SEARCHES
from pipelines.service.garage import Garage
from pipelines.service.jobtable import Job
from pipelines.service.memory import Memory
from pipelines.service.overlay import overlay
from pipelines.service.places import Data
from pipelines.service.results import standing_summary
from pipelines.stores import Place, quiet_environment
from pipelines.studies import forget

if TYPE_CHECKING:
    from mlflow.tracking import MlflowClient

WORDS = {
    "propose": "Proposed", "refine": "Refined", "compare": "Compared", "inspect": "Checked", "score": "Scored",
}  # fmt: skip
"""How a finished job is told in the history."""


def standing_headline(data: Data, job: Job) -> str | None:
    """Return the finding of a result that stands already, else None."""
    found = standing_summary(data, job.id)
    return None if found is None else str(found["finding"])


def keep_findings(data: Data, job: Job, memory: Memory) -> None:
    """Keep the proposed pair with the car, the measured and predicted episodes, and a line of history; each once."""
    garage = Garage(data)
    folder = data.result(job.id)
    if job.kind in SEARCHES:
        pair = read_grids(folder / "grids.json")
        garage.add_pair(
            job.car, pair, f"{WORDS[job.kind]} {job.created[:16].replace('T', ' ')}", f"job:{job.id}"
        )
    if job.kind == "refine":
        checks = memory.kept("checks")
        if checks is not None:
            path = data.overlay(job.id)
            path.parent.mkdir(exist_ok=True)
            path.write_text(to_json(overlay(checks)), encoding="utf-8")
    headline = standing_headline(data, job)
    garage.note_once(job.car, "result", f"{WORDS[job.kind]}: {headline}", job.id)


def settle(data: Data, job: Job, result_id: str) -> None:
    """Bring the tracking stores to one run per job: close the run of a result that stands, drop any other.

    Parameters
    ----------
    data : Data
    job : Job
        One that an earlier attempt may have tracked.
    result_id : str
        Under which all attempts track themselves.
    """
    place = data.tracking
    stands = standing_headline(data, job) is not None
    # A store that fails must leave the job alone; it is told again when the job tracks itself.
    with suppress(Exception):
        if (place.folder / "mlflow.db").exists():
            _settle_runs(place, result_id, stands=stands)
    with suppress(Exception):
        if not stands:
            forget(place, result_id)


def _settle_runs(place: Place, result_id: str, *, stands: bool) -> None:
    quiet_environment()
    from mlflow.tracking import MlflowClient

    client = MlflowClient(tracking_uri=place.tracking_uri)
    everywhere = [experiment.experiment_id for experiment in client.search_experiments()]
    runs = client.search_runs(
        everywhere, f"tags.`gridfit.result_id` = '{result_id}'", order_by=["start_time DESC"]
    )
    for number, run in enumerate(runs):
        if stands and number == 0:
            if run.info.status == "RUNNING":
                client.set_terminated(run.info.run_id, "FINISHED")
        else:
            _drop_run(client, everywhere, run.info.run_id)


def _drop_run(client: "MlflowClient", everywhere: list[str], run_id: str) -> None:
    for child in client.search_runs(everywhere, f"tags.`mlflow.parentRunId` = '{run_id}'"):
        client.delete_run(child.info.run_id)
    client.delete_run(run_id)
