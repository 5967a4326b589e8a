"""An invented car, a short log of it, its note, channel map and grid pair: all good, each a text to break."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np

CAR = """\
[car]
name = "willow"
drive = "rwd"
mass_kg = 1230
wheelbase_m = 2.55
track_m = 1.52
front_weight_pct = 51.5
cg_height_m = 0.48
cda_m2 = 0.62

[engine]
rpm = [1000, 2000, 3000, 4000, 5000, 6000, 7000]
torque_nm = [180, 215, 240, 262, 258, 241, 210]
cylinders = 4
idle_rpm = 850
limit_rpm = 7200
inertia_kgm2 = 0.13
cut = "ignition"

[gearbox]
ratios = [3.63, 2.19, 1.54, 1.21, 1.0, 0.82]
final_drive = 3.9
efficiency = 0.93

[tyre]
size = "225/45R17"
compound = "hard"
mu = 1.1

[sensors]
teeth_driven = 48
teeth_undriven = 48
log_hz = 50

[controller]
loop_hz = 100
min_speed_kmh = 8
throttle_gate_pct = 20
driven_from = "mean"
undriven_from = "mean"
cut_step_pct = 1
cut_max_pct = 90
speed_breakpoints = [20, 40, 60, 80, 120, 180]
error_breakpoints = [0, 2, 5, 10, 20]
free_breakpoints = false
speed_columns = 8
error_columns = 6
speed_step = 5
error_step_pct = 0.5
units = "km/h"
"""

MAP = """\
[file]
delimiter = ","
units_row = false

[channels]
time = { column = "t", unit = "s" }
speed_fl = { column = "fl", unit = "km/h" }
speed_fr = { column = "fr", unit = "km/h" }
speed_rl = { column = "rl", unit = "km/h" }
speed_rr = { column = "rr", unit = "km/h" }
throttle = { column = "pedal", unit = "%" }
rpm = { column = "revs", unit = "rpm" }
gear = { column = "gear", unit = "-" }

[notes]
gear = "0 while shifting"
"""

NOTE = """\
compound = "hard"
date = 2026-03-14
track = "Larch Hill"
track_temp_c = 21.5
grids = "grids.json"
notes = "dry"
"""

GRIDS = {
    "format": "gridfit-grids/1",
    "target": {"speed_kmh": [20, 50, 100, 200], "slip_pct": [60, 30, 15, 8]},
    "cut": {
        "slip_error_pct": [0, 5, 10, 20],
        "gear": [1, 2, 3],
        "cut_pct": [[10, 25, 40, 60], [8, 20, 35, 55], [5, 15, 30, 50]],
    },
}

COLUMNS = ("t", "fl", "fr", "rl", "rr", "pedal", "revs", "gear")
ROWS = 600


def log_rows(rows: int = ROWS) -> np.ndarray:
    """Return a log of the car in its map's units: a run up through second gear, some slip at the rear."""
    time = np.round(3.0 + 0.02 * np.arange(rows), 3)
    speed = np.linspace(45.0, 95.0, rows)
    slip = 1.0 + 0.06 * np.maximum(0.0, np.sin(2.0 * np.pi * time / 4.0))
    pedal = np.round(50.0 + 50.0 * np.sin(2.0 * np.pi * time / 8.0), 1)
    revs = np.round(speed / 3.6 / 0.307 * 2.19 * 3.9 * 60.0 / (2.0 * np.pi))
    wheels = [speed, speed + 0.4, speed * slip, (speed + 0.4) * slip]
    return np.column_stack([time, *(np.round(wheel, 2) for wheel in wheels), pedal, revs, np.full(rows, 2.0)])


def log_text(rows: np.ndarray | None = None, delimiter: str = ",") -> str:
    """Return the log as CSV."""
    table = log_rows() if rows is None else rows
    lines = [delimiter.join(COLUMNS)]
    lines += [delimiter.join("" if np.isnan(cell) else f"{cell:.10g}" for cell in row) for row in table]
    return "\n".join(lines) + "\n"


def write_all(folder: Path) -> Path:
    """Write car.toml, grids.json, channels.toml, run1.csv and run1.toml, all good."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "car.toml").write_text(CAR, encoding="utf-8")
    (folder / "channels.toml").write_text(MAP, encoding="utf-8")
    (folder / "run1.toml").write_text(NOTE, encoding="utf-8")
    (folder / "run1.csv").write_text(log_text(), encoding="utf-8")
    (folder / "grids.json").write_text(json.dumps(GRIDS, indent=1), encoding="utf-8")
    return folder


def swap(path: Path, old: str, new: str) -> None:
    """Replace a text that must stand in the file exactly once."""
    text = path.read_text(encoding="utf-8")
    if text.count(old) != 1:
        raise ValueError(f"{path.name} holds {old!r} {text.count(old)} times, not once")
    path.write_text(text.replace(old, new), encoding="utf-8")


def change_rows(path: Path, change: Callable[[np.ndarray], np.ndarray]) -> None:
    """Write the good log anew with its numbers changed."""
    path.write_text(log_text(change(log_rows())), encoding="utf-8")


def change_line(path: Path, line: int, change: Callable[[str], str]) -> None:
    """Change one line of a file, counted from 1."""
    lines = path.read_text(encoding="utf-8").split("\n")
    lines[line - 1] = change(lines[line - 1])
    path.write_text("\n".join(lines), encoding="utf-8")


def change_grids(path: Path, change: Callable[[dict], object]) -> None:
    """Change the grid pair's JSON in place."""
    data = json.loads(path.read_text(encoding="utf-8"))
    change(data)
    path.write_text(json.dumps(data), encoding="utf-8")
