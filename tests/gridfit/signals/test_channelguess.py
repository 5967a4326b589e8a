"""Without a map the roles and units come from names, units and what the numbers can be."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from cases.goodcar import COLUMNS, log_rows, write_all

from gridfit.carsheet import CarSheet, read_carsheet
from gridfit.errors import InputError
from gridfit.signals import channelphysics
from gridfit.signals.readers import read_run

CORNERS = ("fl", "fr", "rl", "rr")
# Kilometres per hour in one of each (NIST SP 811).
SPEEDS = {"km/h": 1.0, "m/s": 3.6, "mph": 1.609344}


@pytest.fixture
def sheet(tmp_path: Path) -> CarSheet:
    return read_carsheet(write_all(tmp_path) / "car.toml")


def log(folder: Path, names: list[str], rows: np.ndarray | None = None, kind: str = "csv") -> Path:
    """Write the good log under other names, without a map."""
    (folder / "channels.toml").unlink(missing_ok=True)
    table = pd.DataFrame(log_rows() if rows is None else rows, columns=names)
    path = folder / f"run1.{kind}"
    if kind == "csv":
        table.to_csv(path, index=False)
    else:
        table.to_parquet(path)
    return path


STYLES = {
    "bracket": [
        "Time [s]",
        *(f"Wheel Speed {one.upper()} [km/h]" for one in CORNERS),
        "Throttle Pos [%]",
        "RPM",
        "Gear",
    ],
    "suffix": ["time_s", *(f"ws_{one}_kmh" for one in CORNERS), "tps_pct", "engine_rpm", "gear"],
    "camel": [
        "Elapsed",
        *(f"WheelSpeed{one.upper()}" for one in CORNERS),
        "ThrottlePos",
        "EngineSpeed",
        "Gear",
    ],
    "words": ["Time", "Front left", "Front right", "Rear left", "Rear right", "Pedal", "Revs", "Gear"],
}


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_usual_names_give_the_run_that_the_map_gives(tmp_path: Path, sheet: CarSheet, style: str, kind: str):
    plain = read_run(tmp_path / "run1.csv", None, sheet)
    run = read_run(log(tmp_path, STYLES[style], kind=kind), None, sheet)
    pd.testing.assert_frame_equal(run.table, plain.table)
    assert all(0.6 <= channel.sure < 1.0 for channel in run.channels.values())
    assert all(channel.sure == 1.0 for channel in plain.channels.values())


@pytest.mark.parametrize("unit", SPEEDS)
def test_the_gearbox_tells_the_unit_of_the_speeds(tmp_path: Path, sheet: CarSheet, unit: str):
    plain = read_run(tmp_path / "run1.csv", None, sheet)
    rows = log_rows()
    # The second half in fourth gear: in one gear alone, 2.19 in mph looks like 3.63 in km/h.
    rows[300:, 6] *= 1.21 / 2.19
    rows[300:, 7] = 4
    rows[:, 1:5] /= SPEEDS[unit]
    run = read_run(log(tmp_path, STYLES["words"], rows), None, sheet)
    assert run.channels["speed_rl"].unit == unit
    np.testing.assert_allclose(run.table["speed_driven_mps"], plain.table["speed_driven_mps"])


@pytest.mark.parametrize("unit", SPEEDS)
@pytest.mark.parametrize("seed", range(5))
def test_all_gears_and_some_slip_still_tell_it(sheet: CarSheet, unit: str, seed: int):
    rng = np.random.default_rng(seed)
    gears = rng.choice(np.array(sheet.gearbox.ratios), 2000)
    rpm = rng.uniform(2500.0, 7000.0, 2000)
    # 225/45R17: 0.97 of half of 17 x 25.4 + 2 x 0.45 x 225 mm (designation as in ISO 4000-1, from memory).
    radius_m = 0.97 * (17 * 25.4 + 2 * 0.45 * 225) / 2000.0
    speed_mps = rpm * 2.0 * np.pi / 60.0 * radius_m / (gears * sheet.gearbox.final_drive)
    noisy = speed_mps * rng.normal(1.0, 0.01, 2000) * 3.6 / SPEEDS[unit]
    found, sure = channelphysics.speed_unit(noisy, rpm, sheet)
    assert found == unit
    assert sure > 0.95


def test_one_gear_alone_may_fit_two_units_and_is_not_guessed(tmp_path: Path, sheet: CarSheet):
    rows = log_rows()
    rows[:, 1:5] /= SPEEDS["mph"]
    with pytest.raises(InputError, match="41 % sure"):
        read_run(log(tmp_path, STYLES["words"], rows), None, sheet)


def test_speeds_that_fit_no_gear_tell_nothing(sheet: CarSheet):
    rng = np.random.default_rng(3)
    speed, rpm = np.exp(rng.uniform(1.0, 5.5, 2000)), np.exp(rng.uniform(7.5, 8.8, 2000))
    assert channelphysics.speed_unit(speed, rpm, sheet) == ("", 0.0)


def test_too_few_samples_tell_nothing(sheet: CarSheet):
    assert channelphysics.speed_unit(np.full(9, 50.0), np.full(9, 3000.0), sheet) == ("", 0.0)


def test_a_guess_that_is_not_sure_comes_back_as_a_proposal(tmp_path: Path, sheet: CarSheet):
    names = ["Time", "Front left", "Front right", "Rear left", "Rear right", "Pedal", "x9", "Gear"]
    with pytest.raises(InputError) as caught:
        read_run(log(tmp_path, names), None, sheet)
    text = str(caught.value)
    assert "Rear right: 41 % sure" in text
    assert 'throttle = { column = "Pedal", unit = "%" }  # 80 % sure: named \'pedal\'' in text
    proposal = text.split("proposal:\n")[1]
    (tmp_path / "channels.toml").write_text(proposal)
    assert read_run(tmp_path / "run1.csv", None, sheet).has("speed_rr")


def test_names_that_nothing_is_like_are_all_missing(tmp_path: Path, sheet: CarSheet):
    with pytest.raises(InputError, match=r"time \(no column\), speed_driven \(no column\)"):
        read_run(log(tmp_path, [f"x{at}" for at in range(len(COLUMNS))]), None, sheet)


@pytest.mark.parametrize(
    ("role", "values", "unit"),
    [
        ("throttle", np.linspace(0.0, 1.0, 99), "0..1"),
        ("throttle", np.linspace(0.0, 100.0, 99), "%"),
        ("throttle", np.linspace(0.0, 5.0, 99), ""),
        ("brake", np.array([0.0, 1.0, 1.0]), "on/off"),
        # 80 bar, 80 % or 80 psi.
        ("brake", np.linspace(0.0, 80.0, 99), ""),
        ("brake", np.linspace(0.0, 8000.0, 99), "kPa"),
        ("time", 0.01 * np.arange(99), "s"),
        ("time", 20.0 * np.arange(99), "ms"),
        # 1.4 g of a circuit, or 1.4 m/s2 of a road.
        ("lateral_acc", np.linspace(-1.4, 1.4, 99), ""),
        ("lateral_acc", np.linspace(-13.0, 13.0, 99), "m/s2"),
        ("steering", np.linspace(-180.0, 180.0, 99), "deg"),
        ("steering", np.linspace(-3.0, 3.0, 99), ""),
        ("speed_fl", np.linspace(0.0, 60.0, 99), ""),
    ],
)
def test_numbers_tell_units_only_where_they_can(role: str, values: np.ndarray, unit: str):
    assert channelphysics.unit_by_numbers(role, values) == unit
