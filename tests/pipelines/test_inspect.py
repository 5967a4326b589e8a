"""inspect end to end on a small good log, whole and with channels taken away."""

import json
import math

import numpy as np
import pandas as pd
import pytest
from cases.goodcar import change_rows, swap, write_all
from cases.htmlpage import check

from pipelines import cli
from pipelines.ingest import Source, ingest
from pipelines.progress import silent
from pipelines.verdict import verdict


def slipping(rows: np.ndarray) -> np.ndarray:
    """Six roll-ons, each with a second of 25 % slip at full throttle; half throttle between."""
    changed = rows.copy()
    time = rows[:, 0] - rows[0, 0]
    slip = (time % 2.0) < 1.0
    changed[:, 3] = rows[:, 1] * np.where(slip, 1.6, 1.0)
    changed[:, 4] = rows[:, 2] * np.where(slip, 1.6, 1.0)
    changed[:, 5] = np.where(slip, 100.0, 60.0)
    return changed


@pytest.fixture
def folder(tmp_path):
    return write_all(tmp_path / "day")


def inspect(folder, out, *more: str) -> int:
    return cli.main(
        ["inspect", str(folder / "car.toml"), str(folder), "--out", str(out), "--no-tracking", *more]
    )


def test_files_and_page(folder, tmp_path, capsys):
    change_rows(folder / "run1.csv", slipping)
    assert inspect(folder, tmp_path / "out", "--json") == 0
    summary = json.loads(capsys.readouterr().out)
    out = tmp_path / "out"
    assert sorted(path.name for path in out.iterdir()) == summary["files"]
    episodes = pd.read_csv(out / "episodes.csv")
    assert list(episodes.columns[:7]) == [
        "run", "start_s", "end_s", "gear", "cause", "peak_slip_kmh", "recovery_s"
    ]  # fmt: skip
    assert len(episodes) == 6
    assert summary["results"]["episodes"] == 6
    assert summary["results"]["episodes_by_gear"] == {"2": 6}
    roles = {item["role"] for item in summary["inputs"]}
    assert roles == {"car sheet", "run", "note", "channel map", "grids"}
    assert all(len(item["sha256"]) == 64 for item in summary["inputs"])
    page = check((out / "report.html").read_text())
    assert page.tags.count("figure") == 3
    assert "6 slip episodes in 1 run" in (out / "report.html").read_text()
    for text in (out / "calibration.json", out / "summary.json"):
        json.loads(text.read_text(), parse_constant=pytest.fail)


@pytest.mark.parametrize(
    "lines",
    [
        ['rpm = { column = "revs", unit = "rpm" }'],
        ['gear = { column = "gear", unit = "-" }'],
        ['rpm = { column = "revs", unit = "rpm" }', 'gear = { column = "gear", unit = "-" }'],
    ],
)
def test_missing_channels_narrow_but_do_not_stop(folder, tmp_path, lines):
    change_rows(folder / "run1.csv", slipping)
    for line in lines:
        swap(folder / "channels.toml", line + "\n", "")
    assert inspect(folder, tmp_path / "out") == 0
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    answers = {question["asked"]: question["answer"] for question in summary["results"]["questions"]}
    assert answers["Are the channels there?"] == "partly"
    check((tmp_path / "out" / "report.html").read_text())


def test_a_run_without_note_and_without_grids(folder, tmp_path):
    (folder / "run1.toml").unlink()
    assert inspect(folder, tmp_path / "out") == 0
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    answers = {question["asked"]: question["answer"] for question in summary["results"]["questions"]}
    assert answers["Is the target in force known?"] == "no"
    assert any("target in force" in warning for warning in summary["warnings"])


def test_grids_given_stand_in_for_a_note(folder, tmp_path):
    (folder / "run1.toml").unlink()
    assert inspect(folder, tmp_path / "out", "--grids", str(folder / "grids.json")) == 0
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    answers = {question["asked"]: question["answer"] for question in summary["results"]["questions"]}
    assert answers["Is the target in force known?"] == "yes"


def test_the_verdict_counts_per_gear(folder):
    change_rows(folder / "run1.csv", slipping)
    logs = ingest(Source(folder / "car.toml", (folder,)), silent)
    judged = verdict(logs)
    (episodes,) = [each for each in judged.questions if each.asked.startswith("Are there enough")]
    assert episodes.answer == "partly"
    assert "gear 2: 6" in episodes.because
    assert logs.in_force == {"run1": "grids.json"}
    assert math.isfinite(logs.signals[0].factor.mean)


def test_nothing_is_replaced_without_asking(folder, tmp_path, capsys):
    assert inspect(folder, tmp_path / "out") == 0
    before = (tmp_path / "out" / "summary.json").read_bytes()
    assert inspect(folder, tmp_path / "out") == 2
    assert "--overwrite" in capsys.readouterr().err
    assert (tmp_path / "out" / "summary.json").read_bytes() == before
    assert inspect(folder, tmp_path / "out", "--overwrite") == 0


def test_a_guessed_map_is_written_with_its_reasons_and_can_be_used(folder, tmp_path):
    change_rows(folder / "run1.csv", slipping)
    text = (folder / "run1.csv").read_text().split("\n", 1)
    names = "Time [s],WS FL [km/h],WS FR [km/h],WS RL [km/h],WS RR [km/h],TPS [%],RPM,Gang"
    (folder / "run1.csv").write_text(f"{names}\n{text[1]}")
    (folder / "channels.toml").unlink()
    assert inspect(folder, tmp_path / "out") == 0
    proposed = tmp_path / "out" / "channels.toml"
    assert 'speed_rl = { column = "WS RL [km/h]", unit = "km/h" }  # 95 % sure: named' in proposed.read_text()
    (folder / "channels.toml").write_text(proposed.read_text())
    assert inspect(folder, tmp_path / "again") == 0
    assert not (tmp_path / "again" / "channels.toml").exists()
    first, second = (pd.read_csv(tmp_path / name / "episodes.csv") for name in ("out", "again"))
    pd.testing.assert_frame_equal(first, second)
