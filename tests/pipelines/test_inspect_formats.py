"""inspect on a minute of a real car in every shape: no throttle and no target, and it says so.

Source of the logs: datasets/formats, from commaai/comma2k19 (MIT).
"""

import json
from pathlib import Path

import pandas as pd
import pytest
from cases.goodcar import CAR
from cases.htmlpage import check

from pipelines import cli

FORMATS = Path(__file__).parents[2] / "datasets" / "formats"
TELL_THEIR_UNITS = (
    "bus0.log.gz", "bus0_frames.mf4", "signals_400.mf4", "signals_410_dz.mf4", "signals_410_tdz.mf4"
)  # fmt: skip
SILENT = ("signals_50hz.csv.gz", "signals_50hz.parquet", "signals_long.parquet")
MAP = """\
[channels]
time = { column = "time", unit = "s" }
speed_fl = { column = "WHEEL_SPEED_FL", unit = "km/h" }
speed_fr = { column = "WHEEL_SPEED_FR", unit = "km/h" }
speed_rl = { column = "WHEEL_SPEED_RL", unit = "km/h" }
speed_rr = { column = "WHEEL_SPEED_RR", unit = "km/h" }
rpm = { column = "RPM", unit = "rpm" }
"""


@pytest.fixture
def car(tmp_path):
    """The invented car, front driven as the logged one is; its ratios are not that car's."""
    path = tmp_path / "car.toml"
    path.write_text(CAR.replace('"rwd"', '"fwd"'), encoding="utf-8")
    return path


def inspect(car, name, out, *more):
    return cli.main(["inspect", str(car), str(FORMATS / name), "--out", str(out), "--no-tracking", *more])


@pytest.mark.parametrize("name", [*TELL_THEIR_UNITS, *SILENT])
def test_with_a_channel_map_each_is_inspected(car, tmp_path, name):
    channels = tmp_path / "map.toml"
    channels.write_text(MAP, encoding="utf-8")
    assert inspect(car, name, tmp_path / "out", "--channels", str(channels)) == 0
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    refine = summary["results"]["verdict"]["refine"]
    assert refine["level"] == "not fit"
    assert "no throttle is logged" in refine["because"]
    assert summary["results"]["episodes"] == 0
    factor = next(iter(summary["results"]["factor_driven_over_undriven"].values()))
    assert factor["lo"] < 1.0 + 0.005  # four equal tyres; half a per cent is a pressure's work, from memory
    assert factor["hi"] > 1.0 - 0.005
    page = (tmp_path / "out" / "report.html").read_text()
    check(page)
    assert "throttle: episodes cannot be found and nothing can be fitted. Log the throttle." in page
    faults = pd.read_csv(tmp_path / "out" / "faults.csv")
    assert list(faults.columns) == ["run", "kind", "channel", "start_s", "end_s", "samples", "detail"]


@pytest.mark.parametrize("name", TELL_THEIR_UNITS[::2])
def test_without_a_map_files_that_tell_their_units_are_inspected(car, tmp_path, name):
    assert inspect(car, name, tmp_path / "out") == 0
    assert 'speed_fl = { column = "WHEEL_SPEED_FL", unit = "km/h" }' in (
        tmp_path / "out" / "channels.toml"
    ).read_text(encoding="utf-8")


def test_without_a_map_untold_units_are_asked_for_when_the_sheet_has_other_ratios(car, tmp_path, capsys):
    assert inspect(car, "signals_50hz.csv.gz", tmp_path / "out") == 3
    said = capsys.readouterr().err
    assert "must be 60 % sure" in said
    assert "Write channels.toml beside the log; correct this proposal" in said
