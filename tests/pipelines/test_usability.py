"""Fit to refine, to compare, to score: every stop has its reason, sound logs stay usable, jobs stand on the verdict."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from cases.goodcar import change_rows, swap, write_all

from gridfit.errors import DataError
from gridfit.estimate import Estimate
from pipelines import cli, compare, refine
from pipelines.delivery import Delivery
from pipelines.ingest import Source, ingest
from pipelines.progress import silent
from pipelines.usability import judge, serious, unfit, usable
from pipelines.verdict import verdict

DATASETS = Path(__file__).parents[2] / "datasets"
DEMO = DATASETS / "demo"


@pytest.fixture(scope="module")
def demo():
    folders = (DEMO / "soft", DEMO / "hard")
    return ingest(Source(DEMO / "car.toml", folders, grids=DEMO / "grids_milder.json"), silent)


@pytest.fixture(scope="module")
def soft(demo):
    """The four runs on one compound."""
    own = tuple(item for item in demo.signals if item.run.note.compound == "soft")
    names = [item.name for item in own]
    return replace(demo, signals=own, episodes=demo.episodes[demo.episodes["run"].isin(names)])


def with_first(logs, item, **more):
    """The same logs with another first run."""
    return replace(logs, signals=(item, *logs.signals[1:]), **more)


def without_throttle(logs):
    item = logs.signals[0]
    roles = tuple(role for role in item.run.roles if role != "throttle")
    return with_first(logs, replace(item, run=replace(item.run, roles=roles)))


def without_target(logs):
    item = logs.signals[0]
    return with_first(logs, replace(item, table=item.table.assign(target_pct=np.nan)))


def without_an_axle(logs):
    item = logs.signals[0]
    valid = np.arange(len(item.table)) % 10 >= 6
    return with_first(logs, replace(item, table=item.table.assign(valid=valid)))


def at_ten_hertz(logs):
    item = logs.signals[0]
    return with_first(logs, replace(item, table=item.table.iloc[::10].reset_index(drop=True)))


def without_calibration(logs):
    return with_first(logs, replace(logs.signals[0], factor=Estimate(1.0, 0.98, 1.02)))


def without_slip(logs):
    return replace(logs, episodes=logs.episodes[logs.episodes["run"] != logs.signals[0].name])


def without_gear(logs):
    first = logs.episodes["run"] == logs.signals[0].name
    return replace(logs, episodes=logs.episodes.assign(gear=logs.episodes["gear"].where(~first, 0)))


def with_a_wrong_gear(logs):
    return _found(logs, "gear agrees with engine speed", 0.1)


def with_a_wrong_final_drive(logs):
    return _found(logs, "final drive of the sheet", 0.29)


def _found(logs, check, value):
    """The same logs with the first run's check failed at this value."""
    mine = (logs.findings["run"] == logs.signals[0].name) & (logs.findings["check"] == check)
    assert mine.sum() == 1
    changed = logs.findings.assign(
        value=logs.findings["value"].where(~mine, value),
        passed=logs.findings["passed"].where(~mine, False),
        remedy=logs.findings["remedy"].where(~mine, "do this"),
    )
    return replace(logs, findings=changed)


def without_a_note(logs):
    item = logs.signals[0]
    run = replace(item.run, note=replace(item.run.note, compound="unknown"))
    return with_first(logs, replace(item, run=run))


STOPS = {
    # damage: words of the reason, uses that it rules out
    without_throttle: ("no throttle", ("refine", "compare", "score")),
    without_target: ("target in force is not known", ("refine", "compare", "score")),
    without_an_axle: ("unknown in 60 % of the samples", ("refine", "compare", "score")),
    at_ten_hertz: ("10 samples per second", ("refine", "compare", "score")),
    without_calibration: ("no better than to 2.0 points", ("refine", "score")),
    without_slip: ("no slip episode", ("refine", "compare")),
    without_gear: ("none in a known gear", ("refine", "compare")),
    with_a_wrong_gear: ("(10 % of samples on it)", ("refine", "score")),
    with_a_wrong_final_drive: ("all ratios", ("refine",)),
    without_a_note: ("no note names its compound", ("compare",)),
}


@pytest.mark.parametrize("use", ["refine", "compare", "score"])
@pytest.mark.parametrize("damage", STOPS, ids=lambda damage: damage.__name__)
def test_a_damaged_run_is_left_out_with_its_reason_and_the_others_stay(demo, damage, use):
    words, uses = STOPS[damage]
    logs = damage(demo)
    first, *others = judge(logs, use).runs
    assert all(one.level == "fit" for one in others)
    if use not in uses:
        assert first.level != "not fit"
        return
    assert first.level == "not fit"
    assert any(words in reason for reason in first.reasons)
    assert len(first.changes) == len(first.reasons)
    assert all(first.changes)
    left = usable(logs, use)
    assert [item.name for item in left.signals] == [item.name for item in demo.signals[1:]]
    assert first.run not in set(left.episodes["run"])
    assert any(words in text and first.run in text for text in left.left_out)


@pytest.mark.parametrize("damage", [without_throttle, without_target, without_calibration])
def test_with_no_run_left_a_job_is_refused_with_reason_and_remedy(demo, damage):
    words, _ = STOPS[damage]
    alone = replace(demo, signals=demo.signals[:1])
    with pytest.raises(DataError, match="is not fit to refine") as refused:
        usable(damage(alone), "refine")
    assert refused.value.exit_code == 4
    assert words in str(refused.value)
    assert refused.value.problems[0].remedy


def test_sound_runs_are_fit_and_one_compound_cannot_be_compared(demo, soft):
    assert judge(demo, "refine").level == judge(demo, "compare").level == "fit"
    assert judge(soft, "refine").level == "fit"
    compare = judge(soft, "compare")
    assert compare.level == "not fit"
    assert "4 on soft" in compare.because
    assert usable(soft, "refine") is soft
    assert unfit(compare) == ()  # no run is at fault


def test_too_few_episodes_together_are_not_fit(soft):
    few = replace(soft, episodes=soft.episodes.iloc[:2])
    judged = judge(few, "refine")
    assert judged.level == "not fit"
    assert "2 slip episodes" in judged.because


def test_a_failed_check_makes_a_run_fit_with_corrections_and_says_what_to_change(demo):
    logs = _found(demo, "wheel-speed scale", 0.03)
    first, second, *_ = judge(logs, "refine").runs
    assert (first.level, second.level) == ("fit with corrections", "fit")
    assert first.checks == ("wheel-speed scale",)
    assert first.changes == ("do this",)
    judged = verdict(logs)
    assert judged.level == "fit with corrections"
    (change,) = [change for change in judged.changes if change.todo == "do this"]
    assert change.runs == (first.run,)
    assert not change.stops


def test_a_fault_that_two_checks_name_counts_once():
    rows = ["stuck: speed_fl_mps", "fault: stuck, speed_fl_mps", "fault: kerb, wheels", "channel cut"]
    findings = pd.DataFrame({"check": rows, "run": "a", "passed": False})
    assert list(serious(findings, "a", "refine")["check"]) == ["fault: stuck, speed_fl_mps", "channel cut"]
    assert list(serious(findings, "a", "compare")["check"]) == ["fault: stuck, speed_fl_mps"]


def test_what_stops_comes_first_among_the_changes(demo):
    changes = verdict(_found(without_throttle(demo), "wheel-speed scale", 0.03)).changes
    assert [change.stops for change in changes] == sorted((change.stops for change in changes), reverse=True)
    assert changes[0].stops
    assert "throttle" in changes[0].todo


def test_logs_of_an_independent_simulator_are_usable():
    """Logs with faults that their makers put in; see datasets/independent."""
    folder = DATASETS / "independent"
    logs = ingest(Source(folder / "car.toml", (folder,)), silent)
    judged = judge(logs, "refine")
    assert judged.level == "fit with corrections"
    assert judged.fit_runs == tuple(item.name for item in logs.signals)


@pytest.mark.parametrize("job", ["refine", "score", "compare"])
def test_jobs_refuse_a_log_without_throttle(tmp_path, capsys, job):
    folder = write_all(tmp_path / "day")
    swap(folder / "channels.toml", 'throttle = { column = "pedal", unit = "%" }\n', "")
    car, grids, out = (str(folder / "car.toml"), str(folder / "grids.json"), str(tmp_path / "out"))
    call = {
        "refine": [car, str(folder), "--grids", grids],
        "score": [car, grids, str(folder)],
        "compare": [car, str(folder)],
    }[job]
    assert cli.main([job, *call, "--out", out, "--no-tracking"]) == 4
    said = capsys.readouterr().err
    if job != "compare":  # one run cannot be compared anyway
        assert f"run1 is not fit to {job}: no throttle is logged" in said
        assert "Log the throttle" in said
    assert not (tmp_path / "out").exists()


def test_inspect_works_without_throttle_and_says_what_is_missing(tmp_path, capsys):
    folder = write_all(tmp_path / "day")
    for line in (
        'throttle = { column = "pedal", unit = "%" }\n', 'rpm = { column = "revs", unit = "rpm" }\n',
        'gear = { column = "gear", unit = "-" }\n',
    ):  # fmt: skip
        swap(folder / "channels.toml", line, "")
    change_rows(folder / "run1.csv", lambda rows: rows)
    out = tmp_path / "out"
    assert (
        cli.main(["inspect", str(folder / "car.toml"), str(folder), "--out", str(out), "--no-tracking"]) == 0
    )
    assert "To refine: not fit (no throttle is logged" in capsys.readouterr().out
    summary = json.loads((out / "summary.json").read_text())
    run = summary["results"]["verdict"]["refine"]["runs"][0]
    assert run["level"] == "not fit"
    assert "Log the throttle (pedal or plate), at the rate of the wheel speeds." in run["changes"]
    page = (out / "report.html").read_text()
    for text in ("What no run holds", "throttle: episodes cannot be found", "No engine speed was logged"):
        assert text in page


class Reached(Exception):
    """The step after the verdict was reached."""


@pytest.mark.parametrize("job", ["refine", "compare"])
def test_refine_and_compare_fit_on_the_runs_that_are_fit_alone(demo, tmp_path, monkeypatch, job):
    """What is handed to the fit holds no run that is not fit."""
    module = {"refine": refine, "compare": compare}[job]
    seen = []

    def stop(logs, *rest):
        seen.append(logs)
        raise Reached

    monkeypatch.setattr(module, "ingest", lambda source, progress: without_throttle(demo))
    monkeypatch.setattr(module, {"refine": "identify", "compare": "identify_compounds"}[job], stop)
    source = Source(DEMO / "car.toml", (DEMO / "soft",), grids=DEMO / "grids_milder.json")
    request = {"refine": refine.RefineRequest, "compare": compare.CompareRequest}[job]
    with pytest.raises(Reached):
        module.run(request(source, Delivery(tmp_path / "out")))
    (logs,) = seen
    assert [item.name for item in logs.signals] == [item.name for item in demo.signals[1:]]
    assert demo.signals[0].name in logs.left_out[0]
