"""Runs are tracked from the same record, without the network, and a failure never costs the result."""

import json
import sqlite3
import subprocess
import sys
import textwrap
from contextlib import closing
from pathlib import Path

import optuna
import pytest
from optuna.storages import JournalStorage
from optuna.storages.journal import JournalFileBackend

from gridfit.errors import CallError
from pipelines import delivery as delivery_module
from pipelines.delivery import Delivery, deliver
from pipelines.plain import to_json
from pipelines.stores import place
from pipelines.studies import keep, slug
from pipelines.tracking import tracking


def page(record) -> str:
    return f"<p>{record.tracked.run_id if record.tracked else 'not tracked'}</p>"


@pytest.fixture
def delivered(tmp_path, record, elsewhere, look_ups):
    study = optuna.create_study(direction="minimize")
    study.optimize(lambda trial: trial.suggest_float("x", -1, 1) ** 2, n_trials=5)
    delivery = Delivery(tmp_path / "out", track=place(str(tmp_path / "runs"))).checked()
    result = deliver(delivery, record, {"grids.json": "{}"}, page, studies={"gear 2": study})
    return result, delivery, study


def client_of(delivery):
    from mlflow.tracking import MlflowClient

    return MlflowClient(tracking_uri=delivery.track.tracking_uri)


def test_nothing_is_looked_up_and_nothing_is_dropped(delivered, look_ups, elsewhere):
    assert look_ups == []
    assert list(elsewhere.iterdir()) == []


def test_a_fresh_process_looks_no_name_up(tmp_path):
    # MLflow reports usage on import unless told not to: so in a process that has imported nothing yet.
    script = """
        import socket, sys
        from datetime import UTC, datetime
        from pathlib import Path
        asked = []
        def refuse(host, *args, **kwargs):
            asked.append(host)
            raise socket.gaierror(str(host))
        socket.getaddrinfo = refuse
        from pipelines.record import Record
        from pipelines.stores import place
        from pipelines.tracking import tracking
        record = Record("inspect", "c", "id", datetime.now(UTC), {}, (), None)
        with tracking(place(sys.argv[1]), record) as tracked:
            assert tracked.run is not None, tracked.warning
        import threading, time
        for thread in threading.enumerate():
            if thread is not threading.main_thread():
                thread.join(5)
        print("asked", asked)
    """
    environment = {"PATH": "", "PYTHONPATH": str(Path(__file__).parents[2]), "HOME": str(tmp_path)}
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script), str(tmp_path / "runs")],
        capture_output=True, text=True, env=environment, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "asked []"


def test_the_run_holds_the_record(delivered, record):
    result, delivery, _ = delivered
    client = client_of(delivery)
    run = client.get_run(result.summary["tracking"]["run_id"])
    assert run.info.status == "FINISHED"
    assert run.data.metrics["before.cost"] == 9.0
    assert run.data.metrics["after.cost.hi"] == 3.0
    assert run.data.metrics["episodes"] == 12
    assert run.data.params["seed"] == "7"
    assert run.data.params["asked.preference"] == "balanced"
    assert run.data.tags["gridfit.job"] == "propose"
    assert record.inputs[0].sha256 in run.data.tags.values()


def test_inputs_are_logged_as_datasets_with_their_digest(delivered, record):
    result, delivery, _ = delivered
    run = client_of(delivery).get_run(result.summary["tracking"]["run_id"])
    (item,) = run.inputs.dataset_inputs
    assert item.dataset.name == "car.toml"
    assert item.dataset.digest == record.inputs[0].sha256[:32]
    tags = {tag.key: tag.value for tag in item.tags}
    assert tags == {"mlflow.data.context": "car sheet", "sha256": record.inputs[0].sha256}


def test_artifacts_are_the_files_of_the_result(delivered, tmp_path):
    result, delivery, _ = delivered
    client = client_of(delivery)
    run_id = result.summary["tracking"]["run_id"]
    assert {item.path for item in client.list_artifacts(run_id)} == {
        "grids.json", "report.html", "summary.json"
    }  # fmt: skip
    folder = Path(client.get_run(run_id).info.artifact_uri.removeprefix("file://"))
    assert folder.is_relative_to(tmp_path / "runs" / "artifacts")
    assert (folder / "summary.json").read_bytes() == (result.out / "summary.json").read_bytes()


def test_one_child_per_kept_candidate(delivered):
    result, delivery, _ = delivered
    summary = result.summary["tracking"]
    runs = client_of(delivery).search_runs([summary["experiment_id"]])
    children = [run for run in runs if run.data.tags.get("mlflow.parentRunId") == summary["run_id"]]
    assert [child.data.metrics for child in children] == [{"cost": 2.5}]
    assert len(runs) == 2


def test_the_experiment_is_the_car_s(delivered, tmp_path):
    _, delivery, _ = delivered
    experiment = client_of(delivery).get_experiment_by_name("gridfit/Test car")
    assert experiment.artifact_location == (tmp_path / "runs" / "artifacts" / "gridfit-test-car").as_uri()


def test_the_store_is_in_write_ahead_mode(delivered, tmp_path):
    with closing(sqlite3.connect(tmp_path / "runs" / "mlflow.db")) as database:
        assert database.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_a_search_can_be_reopened_by_the_name_in_the_summary(delivered):
    result, _, study = delivered
    (name,) = result.summary["studies"]["names"]
    assert name == "test-car/propose/20260101-120000-abcdef/gear-2"
    storage = JournalStorage(JournalFileBackend(result.summary["studies"]["store"]))
    again = optuna.load_study(study_name=name, storage=storage)
    assert [trial.params for trial in again.trials] == [trial.params for trial in study.trials]
    assert again.best_value == study.best_value


def test_without_tracking_the_result_is_whole(tmp_path, record, elsewhere):
    result = deliver(Delivery(tmp_path / "out").checked(), record, {}, page)
    summary = json.loads((result.out / "summary.json").read_text())
    assert summary["tracking"] is None
    assert summary["warnings"] == []
    assert list(elsewhere.iterdir()) == []


def test_a_broken_store_costs_a_warning_only(tmp_path, record):
    folder = tmp_path / "runs"
    folder.mkdir()
    (folder / "mlflow.db").write_text("this is no database")
    result = deliver(Delivery(tmp_path / "out", track=place(str(folder))).checked(), record, {}, page)
    summary = json.loads((result.out / "summary.json").read_text())
    assert summary["tracking"] is None
    assert any("Tracking could not begin" in warning for warning in summary["warnings"])
    assert result.warnings == tuple(summary["warnings"])
    assert (result.out / "report.html").is_file()


def test_a_store_that_fails_midway_is_said_in_the_summary(tmp_path, record, monkeypatch):
    from pipelines import tracking as tracking_module

    def broken(*args):
        raise RuntimeError("the server\nwent away")

    monkeypatch.setattr(tracking_module, "_log", broken)
    track = place(str(tmp_path / "runs"))
    result = deliver(Delivery(tmp_path / "out", track=track).checked(), record, {}, page)
    (warning,) = json.loads((result.out / "summary.json").read_text())["warnings"]
    assert "RuntimeError: the server went away" in warning


def test_a_result_that_cannot_be_written_closes_the_run_as_failed(tmp_path, record, monkeypatch):
    def full(stage):
        raise CallError.of(where="disk", what="full")

    monkeypatch.setattr(delivery_module, "commit", full)
    delivery = Delivery(tmp_path / "out", track=place(str(tmp_path / "runs"))).checked()
    with pytest.raises(CallError):
        deliver(delivery, record, {}, page)
    client = client_of(delivery)
    experiment = client.get_experiment_by_name("gridfit/Test car")
    runs = client.search_runs([experiment.experiment_id], filter_string="tags.`gridfit.job` = 'propose'")
    assert [run.info.status for run in runs] == ["FAILED"]
    assert not (tmp_path / "out").exists()


def test_two_processes_may_make_the_store_at_once(tmp_path):
    # Without the lock one of the two crashes on the first start of the store, nearly every time.
    script = """
        import sys
        from datetime import UTC, datetime
        from pipelines.record import Record
        from pipelines.stores import place
        from pipelines.tracking import tracking
        record = Record("inspect", "c", "id", datetime.now(UTC), {}, (), None)
        with tracking(place(sys.argv[1]), record) as tracked:
            sys.exit(tracked.warning or 0)
    """
    command = [sys.executable, "-c", textwrap.dedent(script), str(tmp_path / "runs")]
    both = [subprocess.Popen(command, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    errors = [process.communicate(timeout=120)[1] for process in both]
    assert [process.returncode for process in both] == [0, 0], errors


def test_a_tracking_folder_must_not_be_a_file(tmp_path):
    (tmp_path / "f").write_text("x")
    with pytest.raises(CallError, match="is a file"):
        place(str(tmp_path / "f"))


def test_an_address_is_taken_as_it_is(elsewhere):
    where = place("postgresql+psycopg://db/tracks")
    assert where.tracking_uri == "postgresql+psycopg://db/tracks"
    assert where.folder == elsewhere / "gridfit-runs"


def test_no_studies_make_no_store(tmp_path):
    assert keep(place(str(tmp_path / "runs")), "a/b/c", {}) == ()
    assert not (tmp_path / "runs").exists()


@pytest.mark.parametrize(
    ("text", "expected"), [("Gear 2, round 1", "gear-2-round-1"), ("", "unnamed"), ("Grün/7.5", "grün-7.5")]
)
def test_names_for_stores(text, expected):
    assert slug(text) == expected


def test_the_failing_block_is_not_swallowed(tmp_path, record):
    with pytest.raises(ZeroDivisionError), tracking(None, record):
        raise ZeroDivisionError


def test_the_summary_is_strict_json(record):
    json.loads(to_json(record.summary()), parse_constant=pytest.fail)
