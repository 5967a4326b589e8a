"""A production car on a road: bumps, gear changes of an automatic, no wheelspin. No episode may be reported.

Source: datasets/formats/pedal.log.gz, from commaai/comma2k19 (MIT). The car sheet is made up: a front-driven
car of that kind, figures plausible, none of them looked up.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from gridfit.carsheet import CarSheet, read_carsheet
from gridfit.grids import CutGrid, GridPair, TargetGrid
from gridfit.signals import episodes
from gridfit.signals.channelmap import read_channel_map
from gridfit.signals.prepare import prepare
from gridfit.signals.readers import read_run
from gridfit.signals.run import Run
from pipelines.ingest import Source, ingest

FORMATS = Path(__file__).parents[2] / "datasets" / "formats"
CAR = """\
[car]
name = "grey wagon"
drive = "fwd"
mass_kg = 1720
wheelbase_m = 2.66
track_m = 1.57
front_weight_pct = 58
[engine]
rpm = [1000, 2000, 3000, 4000, 5000, 6000]
torque_nm = [150, 185, 205, 230, 220, 200]
cylinders = 4
idle_rpm = 700
limit_rpm = 6500
cut = "fuel"
[gearbox]
ratios = [3.30, 1.90, 1.42, 1.00, 0.71, 0.61]
final_drive = 4.07
[tyre]
size = "225/65R17"
compound = "street"
[sensors]
teeth_driven = 48
teeth_undriven = 48
log_hz = 83
[controller]
loop_hz = 100
min_speed_kmh = 8
throttle_gate_pct = 20
"""
MAP = """\
[channels]
time = { column = "time", unit = "s" }
speed_fl = { column = "WHEEL_SPEED_FL", unit = "km/h" }
speed_fr = { column = "WHEEL_SPEED_FR", unit = "km/h" }
speed_rl = { column = "WHEEL_SPEED_RL", unit = "km/h" }
speed_rr = { column = "WHEEL_SPEED_RR", unit = "km/h" }
throttle = { column = "PEDAL", unit = "%" }
rpm = { column = "RPM", unit = "rpm" }
lateral_acc = { column = "ACCEL_Y", unit = "m/s^2" }
longitudinal_acc = { column = "ACCEL_X", unit = "m/s^2" }
steering = { column = "STEER_ANGLE", unit = "deg" }
"""


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> CarSheet:
    path = tmp_path_factory.mktemp("car") / "car.toml"
    path.write_text(CAR)
    return read_carsheet(path)


@pytest.fixture(scope="module")
def run(sheet: CarSheet, tmp_path_factory: pytest.TempPathFactory) -> Run:
    path = tmp_path_factory.mktemp("map") / "channels.toml"
    path.write_text(MAP.replace("[channels]", f'[file]\ndbc = "{FORMATS / "suv.dbc"}"\n[channels]', 1))
    return read_run(FORMATS / "pedal.log.gz", read_channel_map(path), sheet)


def target(pct: float) -> GridPair:
    """A target of the same slip at every speed."""
    return GridPair(
        TargetGrid(np.array([20.0, 200.0]), np.array([pct, pct])),
        CutGrid(np.array([0.0, 10.0]), np.array([1.0, 2.0]), np.array([[0.0, 50.0], [0.0, 50.0]])),
    )


def test_the_minute_is_whole(run: Run):
    assert run.name == "pedal"
    assert len(run.table) == 4974
    assert run.rows_dropped == 0
    assert [path.name for path in run.beside] == ["suv.dbc"]
    assert 0.3 < run.table["throttle"].max() < 0.5


@pytest.mark.parametrize("pct", [None, 15.0, 10.0, 5.0, 3.0, 2.0, 1.0])
@pytest.mark.parametrize("throttle", [None, 0.6, 1.0])
def test_no_episode_is_reported(run: Run, sheet: CarSheet, pct: float | None, throttle: float | None):
    """Neither as driven, nor if the pedal had been down throughout, so that bumps do not hide behind the gate."""
    if throttle is not None:
        run = replace(run, table=run.table.assign(throttle=throttle))
    signals = prepare([run], sheet, {run.name: None if pct is None else target(pct)})
    found = episodes.find(signals, sheet)
    assert found.empty, found.to_string()


def test_the_message_table_is_among_the_inputs(tmp_path: Path):
    for name in ("pedal.log.gz", "suv.dbc"):
        (tmp_path / name).write_bytes((FORMATS / name).read_bytes())
    (tmp_path / "car.toml").write_text(CAR)
    (tmp_path / "channels.toml").write_text(MAP)
    ingested = ingest(Source(tmp_path / "car.toml", [tmp_path / "pedal.log.gz"]), lambda text, share: None)
    assert [(one.role, Path(one.path).name) for one in ingested.inputs][1:3] == [
        ("run", "pedal.log.gz"),
        ("message table", "suv.dbc"),
    ]
