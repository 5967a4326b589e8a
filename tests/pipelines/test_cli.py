"""The command line: help, exit codes, what goes to which stream, faults, interruption."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from typer.main import get_command

from gridfit.errors import CallError, DataError, InputError
from pipelines import cli
from pipelines.delivery import Delivery, JobResult, deliver
from pipelines.running import guarded, run_job

ROOT = Path(__file__).parents[2]
COMMANDS = get_command(cli.app).commands
JOBS = ("propose", "inspect", "refine", "score", "compare")


def test_every_job_is_a_command():
    assert set(COMMANDS) == {*JOBS, "serve"}


def test_help_names_every_command_and_every_exit_code(capsys):
    assert cli.main(["--help"]) == 0
    out = capsys.readouterr().out
    for word in (*JOBS, "TARGET", "CUT", "car sheet", "Closed course", "safety system", "report.html"):
        assert word in out
    for code in ("0 done", "2 the call", "3 an input", "4 refused", "130 stopped"):
        assert code in " ".join(out.split())


@pytest.mark.parametrize("name", JOBS)
def test_every_command_and_option_has_help(name, capsys):
    command = COMMANDS[name]
    assert command.help
    for parameter in command.params:
        assert getattr(parameter, "help", None), f"{name} {parameter.name} has no help"
    assert cli.main([name, "--help"]) == 0
    out = capsys.readouterr().out
    assert "Example: gridfit " + name in out
    assert "Exit codes" in out
    for option in ("--out", "--overwrite", "--json", "--tracking", "--no-tracking", "--open"):
        assert option in out


@pytest.mark.parametrize("name", JOBS)
def test_the_short_help_fits_in_the_list_of_commands(name):
    assert len(COMMANDS[name].help.split("\n")[0]) <= 60


def test_no_arguments_print_the_help_and_exit_2(capsys):
    assert cli.main([]) == 2
    assert "Usage: gridfit" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["propos", "car.toml"], "Did you mean 'propose'"),
        (["propose"], "CAR"),
        (["propose", "car.toml"], "--out"),
        (["propose", "car.toml", "--out", "x", "--sed", "1"], "--seed"),
        (["propose", "car.toml", "--out", "x", "--seed", "-1"], "--seed"),
        (["propose", "car.toml", "--out", "x", "--preference", "wild"], "calm"),
        (["propose", "car.toml", "--out", "x", "--draws", "two"], "--draws"),
        (["inspect", "car.toml", "--out", "x"], "RUN"),
        (["refine", "car.toml", "run.csv", "--out", "x"], "--grids"),
    ],
)
def test_a_wrong_call_exits_2_without_a_box(arguments, said, capsys, elsewhere):
    assert cli.main(arguments) == 2
    streams = capsys.readouterr()
    assert streams.out == ""
    assert said in streams.err
    assert "Try: gridfit" in streams.err
    assert "│" not in streams.err
    assert list(elsewhere.iterdir()) == []


@pytest.mark.parametrize(("error", "code"), [(CallError, 2), (InputError, 3), (DataError, 4)])
def test_errors_are_printed_a_line_each_and_end_with_their_code(error, code, capsys):
    def fail():
        raise error.of(where="car.toml:12 [gearbox]", what="ratios[3]", value="13.5", remedy="Write 1.35.")

    assert guarded(fail) == code
    assert capsys.readouterr().err == "car.toml:12 [gearbox] ratios[3] = 13.5. Write 1.35.\n"


def test_a_fault_shows_no_traceback_and_saves_it(capsys, tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))

    def fail():
        return {}["key that is not there"]

    assert guarded(fail) == 1
    err = capsys.readouterr().err
    assert "Traceback" not in err
    assert "fault of gridfit" in err
    (saved,) = tmp_path.glob("gridfit-fault-*.txt")
    assert str(saved) in err
    assert "KeyError: 'key that is not there'" in saved.read_text()


def test_ctrl_c_says_how_to_go_on(capsys):
    def stop():
        raise KeyboardInterrupt

    assert guarded(stop) == 130
    assert "Run the same command again" in capsys.readouterr().err


def job(record, headline="Cost 2."):
    def run(delivery: Delivery, progress) -> JobResult:
        progress("working", 0.5)
        return deliver(delivery.checked(), record, {"a.csv": "1\n"}, lambda final: final.headline)

    return run


def test_json_prints_the_summary_and_nothing_else(tmp_path, record, capsys):
    run_job(job(record.warned("mind this")), tmp_path / "out", False, None, True, True, False)
    streams = capsys.readouterr()
    assert json.loads(streams.out) == json.loads((tmp_path / "out" / "summary.json").read_text())
    assert "Note: mind this" in streams.err


def test_without_json_the_finding_and_the_report_are_told(tmp_path, record, capsys):
    run_job(job(record), tmp_path / "out", False, None, True, False, False)
    out = capsys.readouterr().out
    assert record.headline in out
    assert str(tmp_path / "out" / "report.html") in out


def test_open_tells_the_path_where_there_is_no_browser(tmp_path, record, capsys, monkeypatch):
    for name in ("DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(sys, "platform", "linux")
    run_job(job(record), tmp_path / "out", False, None, True, False, True)
    assert f"Open this file yourself: {tmp_path / 'out' / 'report.html'}" in capsys.readouterr().err


def test_open_hands_the_report_to_the_browser(tmp_path, record, monkeypatch):
    opened = []
    monkeypatch.setenv("DISPLAY", ":0")
    monkeypatch.setattr("webbrowser.open", lambda address: opened.append(address) or True)
    run_job(job(record), tmp_path / "out", False, None, True, False, True)
    assert opened == [(tmp_path / "out" / "report.html").as_uri()]


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}


def test_help_is_quick_to_import():
    # Heavy libraries are imported inside the commands, so that --help and completion answer at once.
    script = (
        "import sys; from pipelines import cli; cli.main(['--help']); "
        "heavy = {'numpy', 'pandas', 'numba', 'mlflow', 'optuna', 'matplotlib', 'scipy', 'sklearn'}; "
        "sys.exit(sorted(heavy & set(sys.modules)).__repr__() if heavy & set(sys.modules) else 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], env=environment(), capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_offers_the_commands(shell):
    words = {
        "_GRIDFIT_COMPLETE": f"complete_{shell}",
        "_TYPER_COMPLETE_ARGS": "gridfit ",
        "COMP_WORDS": "gridfit ",
        "COMP_CWORD": "1",
        "_TYPER_COMPLETE_FISH_ACTION": "get-args",
    }
    done = subprocess.run(
        [sys.executable, "-c", "from pipelines.cli import main; main([])"],
        env={**environment(), **words}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    for name in JOBS:
        assert name in done.stdout


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_stopped_job_leaves_nothing(tmp_path, number):
    # A job that is stopped while its files are being written, in a process of its own.
    script = f"""
import sys, time
from datetime import UTC, datetime
from pathlib import Path
from pipelines import cli, outputs, running
from pipelines.delivery import Delivery, deliver
from pipelines.record import Record

def slow(stage):
    print("writing", flush=True)
    time.sleep(30)

import pipelines.delivery
pipelines.delivery.commit = slow
record = Record("inspect", "c", "id", datetime.now(UTC), {{}}, (), None)

@cli.app.command()
def wait() -> None:
    running.run_job(
        lambda delivery, progress: deliver(delivery.checked(), record, {{"a": "1"}}, lambda final: ""),
        Path({str(tmp_path / "deep" / "out")!r}), False, None, True, False, False)

sys.exit(cli.main(["wait"]))
"""
    process = subprocess.Popen(
        [sys.executable, "-c", script],
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # a shell starts what it puts into the background with Ctrl-C ignored, and children keep that
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert process.stdout.readline().strip() == "writing"
    time.sleep(0.2)
    process.send_signal(number)
    _, err = process.communicate(timeout=30)
    assert process.returncode == 130
    assert "Run the same command again" in err
    assert "Traceback" not in err
    assert list(tmp_path.iterdir()) == []
