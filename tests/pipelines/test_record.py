"""summary.json says what was asked, with what inputs, seeds and versions, and what came of it."""

import hashlib
import re

import pandas as pd

from pipelines.record import TrackedRun, new_result_id, utc_now, versions


def test_the_summary_has_what_a_reader_needs(record):
    summary = record.warned("mind this").summary()
    assert summary["format"] == "gridfit-summary/1"
    assert summary["asked"]["preference"] == "balanced"
    assert summary["seed"] == 7
    assert summary["scores"]["after"]["cost"] == {"mean": 2.0, "lo": 1.0, "hi": 3.0}
    assert summary["warnings"] == ["mind this"]
    assert summary["tracking"] is None
    (item,) = summary["inputs"]
    assert item["sha256"] == hashlib.sha256(b"[car]\n").hexdigest()
    assert item["size_bytes"] == 6
    assert {"python", "numpy", "optuna", "mlflow"} <= set(summary["versions"])


def test_findings_are_rows(record):
    from dataclasses import replace

    table = pd.DataFrame({"check": ["a"], "value": [float("nan")]})
    assert replace(record, findings=table).summary()["findings"] == [{"check": "a", "value": None}]


def test_the_tracked_run_is_told_with_how_to_open_it(record):
    from dataclasses import replace

    tracked = TrackedRun("r", "gridfit/car", "1", "sqlite:///x", "mlflow ui ...")
    assert replace(record, tracked=tracked).summary()["tracking"]["open_with"] == "mlflow ui ..."


def test_result_ids_sort_by_time_and_differ():
    now = utc_now()
    first, second = new_result_id(now), new_result_id(now)
    assert first != second
    assert re.fullmatch(r"\d{8}-\d{6}-[0-9a-f]{6}", first)


def test_versions_are_texts():
    assert all(re.match(r"\d+\.\d+", text) for text in versions().values())
