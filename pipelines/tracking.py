"""One MLflow run per job, from the record that makes summary.json. What fails here never costs a result."""

import logging
import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.record import Candidate, InputFile, Record, TrackedRun, versions
from pipelines.stores import Place, locked, make_sqlite, quiet_environment
from pipelines.studies import slug

if TYPE_CHECKING:
    from mlflow.entities import DatasetInput, Metric
    from mlflow.tracking import MlflowClient

PARAMETER_CHARACTERS = 500
"""Longest value of a parameter that every tracking store takes."""

BATCH_PARAMETERS = 100
"""Most parameters that one batch may carry."""

BATCH_METRICS = 800
"""Most metrics that are sent in one batch."""


@dataclass(slots=True)
class Tracking:
    """A job's run while the job is being written out; not frozen, because it collects what went wrong.

    Parameters
    ----------
    run : TrackedRun or None
        None when tracking is off or could not begin.
    warning : str
        What failed, for the summary and for standard error; empty when nothing did.
    """

    run: TrackedRun | None = None
    warning: str = ""
    _client: "MlflowClient | None" = field(default=None, repr=False)

    def log(self, record: Record, folder: Path) -> None:
        """Send the record and the files of `folder`; note a failure in `warning`.

        Parameters
        ----------
        record : Record
        folder : Path
            Holds the files of the result: JSON, CSV, Parquet and HTML.
        """
        if self.run is None or self._client is None:
            return
        try:
            _log(self._client, self.run, record, folder)
        except Exception as error:  # noqa: BLE001 - any failure of a store must leave the result alone
            self.warning = _failure("could not take the whole record", error)

    def end(self, *, succeeded: bool) -> None:
        """Close the run as finished or failed."""
        if self.run is None or self._client is None:
            return
        try:
            self._client.set_terminated(self.run.run_id, "FINISHED" if succeeded else "FAILED")
        except Exception as error:  # noqa: BLE001 - as above
            self.warning = self.warning or _failure("could not close its run", error)


@contextmanager
def tracking(place: Place | None, record: Record) -> Iterator[Tracking]:
    """Begin a run for a job and close it when the block ends, as failed when the block fails.

    Parameters
    ----------
    place : Place or None
        None switches tracking off.
    record : Record
        Gives experiment (one per car), name and tags.

    Yields
    ------
    Tracking
        With `warning` set when the run could not begin.
    """
    tracked = Tracking() if place is None else _begin(place, record)
    try:
        yield tracked
    except BaseException:
        tracked.end(succeeded=False)
        raise
    tracked.end(succeeded=True)


def _begin(place: Place, record: Record) -> Tracking:
    try:
        client = _client(place)
        experiment = f"gridfit/{record.car}"
        experiment_id = _experiment_id(client, place, experiment)
        run = client.create_run(
            experiment_id, run_name=f"{record.job} {record.result_id}", tags=_tags(record)
        )
        tracked = TrackedRun(
            run.info.run_id, experiment, experiment_id, place.tracking_uri, _how_to_open(place, run)
        )
        return Tracking(tracked, "", client)
    except Exception as error:  # noqa: BLE001 - any failure of a store must leave the result alone
        return Tracking(None, _failure("could not begin", error))


def _client(place: Place) -> "MlflowClient":
    """Return a client of the store, which is made first, by one process only, when it is a local file."""
    quiet_environment()
    for name in ("alembic", "mlflow"):
        logging.getLogger(name).setLevel(logging.WARNING)
    # Two processes that make the same store at once fail: it is opened under the lock for the first time.
    if place.url:
        from mlflow.tracking import MlflowClient

        return MlflowClient(tracking_uri=place.tracking_uri)
    with locked(place.folder):
        from mlflow.tracking import MlflowClient

        make_sqlite(place.folder / "mlflow.db", partial(_make_tables, place))
        client = MlflowClient(tracking_uri=place.tracking_uri)
        client.search_experiments(max_results=1)
        return client


def _make_tables(place: Place, address: str) -> None:
    from mlflow.store.tracking.sqlalchemy_store import SqlAlchemyStore

    SqlAlchemyStore(address, (place.folder / "artifacts").as_uri()).engine.dispose()


def _experiment_id(client: "MlflowClient", place: Place, name: str) -> str:
    with locked(place.folder):
        known = client.get_experiment_by_name(name)
        if known is not None:
            return str(known.experiment_id)
        # A relative place would put artifacts into whatever folder the next user happens to be in.
        served = place.url.startswith(("http://", "https://"))
        location = None if served else (place.folder / "artifacts" / slug(name)).as_uri()
        return str(client.create_experiment(name, artifact_location=location))


def _log(client: "MlflowClient", run: TrackedRun, record: Record, folder: Path) -> None:
    metrics = _metrics(record)
    client.log_batch(run.run_id, metrics=metrics[:BATCH_METRICS], params=_parameters(record))
    client.log_inputs(run.run_id, [_dataset(item) for item in record.inputs])
    client.log_artifacts(run.run_id, str(folder))
    for candidate in record.candidates:
        _log_candidate(client, run, candidate)


def _log_candidate(client: "MlflowClient", run: TrackedRun, candidate: Candidate) -> None:
    child = client.create_run(
        run.experiment_id, run_name=candidate.name, tags={"mlflow.parentRunId": run.run_id}
    )
    client.log_batch(child.info.run_id, metrics=_finite(dict(candidate.figures)))
    client.set_terminated(child.info.run_id, "FINISHED")


def _tags(record: Record) -> dict[str, str]:
    tags = {"gridfit.job": record.job, "gridfit.car": record.car, "gridfit.result_id": record.result_id}
    for index, item in enumerate(record.inputs):
        tags[f"sha256.{index:03d}.{slug(item.path.name)}"] = item.sha256
    return tags


def _parameters(record: Record) -> "list[object]":
    from mlflow.entities import Param

    asked: dict[str, object] = {}
    for key, value in record.asked.items():  # a weight each, so that the store can compare and sort by it
        parts = value.items() if isinstance(value, Mapping) else (("", value),)
        asked |= {".".join(filter(None, ("asked", key, part))): one for part, one in parts}
    every = {"seed": record.seed, **asked, **{f"version.{key}": value for key, value in versions().items()}}
    pairs = [(key, str(value)[:PARAMETER_CHARACTERS]) for key, value in every.items() if value is not None]
    return [Param(key, value or "-") for key, value in pairs[:BATCH_PARAMETERS]]


def _metrics(record: Record) -> "list[Metric]":
    figures: dict[str, float] = {}
    for when, parts in record.scores.items():
        for name, estimate in parts.items():
            figures[f"{when}.{name}"] = estimate.mean
            figures[f"{when}.{name}.lo"] = estimate.lo
            figures[f"{when}.{name}.hi"] = estimate.hi
    for name, value in record.figures.items():
        if isinstance(value, int | float):
            figures[name] = float(value)
    return _finite(figures)


def _finite(figures: dict[str, float]) -> "list[Metric]":
    from mlflow.entities import Metric
    from mlflow.utils.time import get_current_time_millis

    now_ms = get_current_time_millis()
    pairs = [(key, float(value)) for key, value in figures.items()]
    return [Metric(key, value, now_ms, 0) for key, value in pairs if math.isfinite(value)]


def _dataset(item: InputFile) -> "DatasetInput":
    from mlflow.data.meta_dataset import MetaDataset
    from mlflow.data.sources import LocalArtifactDatasetSource
    from mlflow.entities import DatasetInput, InputTag

    dataset = MetaDataset(
        LocalArtifactDatasetSource(item.path.absolute().as_uri()),
        name=item.path.name,
        digest=item.sha256[:32],
    )
    tags = [InputTag("mlflow.data.context", item.role), InputTag("sha256", item.sha256)]
    return DatasetInput(dataset._to_mlflow_entity(), tags)


def _how_to_open(place: Place, run: object) -> str:
    info = run.info  # type: ignore[attr-defined]
    page = f"#/experiments/{info.experiment_id}/runs/{info.run_id}"
    if place.url.startswith(("http://", "https://")):
        return f"{place.url.rstrip('/')}/{page}"
    return (
        "MLFLOW_DISABLE_TELEMETRY=true MLFLOW_SERVER_ENABLE_JOB_EXECUTION=false "
        f"mlflow ui --workers 1 --backend-store-uri '{place.tracking_uri}', then http://127.0.0.1:5000/{page}"
    )


def _failure(what: str, error: Exception) -> str:
    text = " ".join(str(error).split())[:300]
    return f"Tracking {what}: {type(error).__name__}: {text}. The result itself is complete."
