"""Broken inputs, each one small step from good ones: for the library's tests and for the command line's.

A case writes a folder and gives the arguments after ``gridfit``, the exit code, and words that the message
must hold: the file, the place, the value where there is one, and what is allowed.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from cases import bad_logs
from cases.goodcar import GRIDS, NOTE, change_grids, change_line, change_rows, log_text, swap, write_all

INSPECT, SCORE, REFINE, PROPOSE = "inspect", "score", "refine", "propose"


@dataclass(frozen=True, slots=True)
class Case:
    """A broken input.

    Parameters
    ----------
    name : str
    command : str
        Job that reads the broken file.
    damage : callable
        Breaks the good folder; may return other arguments for the command.
    exit_code : int
    words : tuple of str
        What the message must hold.
    """

    name: str
    command: str
    damage: Callable[[Path], list[str] | None]
    exit_code: int
    words: tuple[str, ...]

    def write(self, folder: Path) -> list[str]:
        """Write the broken folder and return the arguments after ``gridfit``."""
        write_all(folder)
        paths = self.damage(folder) or _arguments(self.command, folder)
        return [self.command, *paths, "--out", str(folder / "out")]


def _arguments(command: str, folder: Path) -> list[str]:
    car, run, grids = (str(folder / name) for name in ("car.toml", "run1.csv", "grids.json"))
    return {
        INSPECT: [car, run],
        SCORE: [car, grids],
        REFINE: [car, run, "--grids", grids],
        PROPOSE: [car],
    }[command]


def _swap(name: str, old: str, new: str) -> Callable[[Path], None]:
    return lambda folder: swap(folder / name, old, new)


def _car(name: str, old: str, new: str, *words: str) -> Case:
    return Case(f"car-{name}", PROPOSE, _swap("car.toml", old, new), 3, ("car.toml", *words))


def _map(name: str, old: str, new: str, *words: str) -> Case:
    return Case(f"map-{name}", INSPECT, _swap("channels.toml", old, new), 3, ("channels.toml", *words))


def _note(name: str, old: str, new: str, *words: str) -> Case:
    return Case(f"note-{name}", INSPECT, _swap("run1.toml", old, new), 3, ("run1.toml", *words))


def _log(name: str, damage: Callable[[Path], object], *words: str) -> Case:
    def broken(folder: Path) -> None:
        damage(folder / "run1.csv")

    return Case(f"log-{name}", INSPECT, broken, 3, ("run1.csv", *words))


def _other_format(name: str, log: str, damage: Callable[[Path], object], words: tuple[str, ...]) -> Case:
    def broken(folder: Path) -> list[str]:
        plain = bad_logs.write_log(folder, log.removesuffix(".gz"))
        path = plain.rename(folder / log)
        damage(path)
        return [str(folder / "car.toml"), str(path)]

    return Case(f"log-{name}", INSPECT, broken, 3, words)


def _rows(name: str, change: Callable[[np.ndarray], np.ndarray], *words: str) -> Case:
    return _log(name, lambda path: change_rows(path, change), *words)


def _grids(name: str, change: Callable[[dict], object], *words: str) -> Case:
    def broken(folder: Path) -> None:
        change_grids(folder / "grids.json", change)

    return Case(f"grids-{name}", SCORE, broken, 3, ("grids.json", *words))


def _set(column: int, rows: slice, value: float) -> Callable[[np.ndarray], np.ndarray]:
    def change(table: np.ndarray) -> np.ndarray:
        table[rows, column] = value
        return table

    return change


def _times(column: int, factor: float) -> Callable[[np.ndarray], np.ndarray]:
    def change(table: np.ndarray) -> np.ndarray:
        table[:, column] *= factor
        return table

    return change


def _put(grid: str, key: str, value: object) -> Callable[[dict], None]:
    return lambda data: data[grid].__setitem__(key, value)


def _restart(table: np.ndarray) -> np.ndarray:
    table[300:, 0] -= table[300, 0] - 1.0
    return table


def _two_on_one_name(folder: Path) -> list[str]:
    (folder / "run1.parquet").write_bytes(b"PAR1")
    return [str(folder / "car.toml"), str(folder)]


def _binary(path: Path) -> None:
    path.write_bytes(path.read_bytes().replace(b",", b"\0", 40))


def _no_map(folder: Path) -> None:
    (folder / "channels.toml").unlink()
    change_line(folder / "run1.csv", 1, lambda line: line.replace("revs", "x9"))


def _not_parquet(folder: Path) -> list[str]:
    log = folder / "day2.parquet"
    log.write_bytes(b"t,fl,fr\n1,2,3\n")
    return [str(folder / "car.toml"), str(log)]


CAR_CASES = (
    _car(
        "mass-decimal",
        "mass_kg = 1230",
        "mass_kg = 12300",
        ":4 [car] mass_kg",
        "12300",
        "300 to 4000",
        "1230",
    ),
    _car("mass-text", "mass_kg = 1230", 'mass_kg = "1230"', ":4 [car] mass_kg", '"1230"', "without quotes"),
    _car("mass-comma", "mass_kg = 1230", "mass_kg = 1230,5", ":4", "1230,5", "TOML", "decimal point"),
    _car("mass-missing", "mass_kg = 1230\n", "", "[car] mass_kg", "is missing", "kg", "Add a line"),
    _car("mass-nan", "mass_kg = 1230", "mass_kg = nan", ":4 [car] mass_kg", "nan", "300 to 4000"),
    _car(
        "mass-huge",
        "mass_kg = 1230",
        "mass_kg = 1" + "0" * 400,
        ":4 [car] mass_kg",
        "(401 char",
        "300 to 4000",
    ),
    _car("drive", '"rwd"', '"rear"', ":3 [car] drive", '"rear"', '"rwd" or "fwd"'),
    _car("wheelbase-mm", "wheelbase_m = 2.55", "wheelbase_m = 2550", ":5 [car] wheelbase_m", "2550", "2.55"),
    _car("front-weight", "front_weight_pct = 51.5", "front_weight_pct = 0.515", ":7", "0.515", "25 to 75"),
    _car("unknown-key", "cda_m2 = 0.62", "cda_m = 0.62", ":9 [car] cda_m", "unknown key", "cda_m2"),
    _car("unknown-table", "[sensors]", "[sensor]", "[sensor]", "unknown table", "sensors"),
    _car("name-twice", 'name = "willow"', 'name = "willow"\nname = "elm"', ":3", "TOML"),
    _car(
        "torque-length",
        ", 241, 210]",
        ", 241]",
        "[engine] torque_nm",
        "6 values",
        "as many values as rpm (7)",
    ),
    _car("rpm-order", "4000, 5000, 6000", "4000, 6000, 5000", "[engine] rpm[6]", "5000", "larger", "6000"),
    _car("torque-negative", "[180, 215", "[180, -215", "[engine] torque_nm[2]", "-215", "1 to 3000"),
    _car("torque-word", "[180, 215", '[180, "lots"', "[engine] torque_nm[2]", '"lots"', "number"),
    _car("cylinders", "cylinders = 4", "cylinders = 4.5", "[engine] cylinders", "4.5", "1 to 16"),
    _car("limit-far", "limit_rpm = 7200", "limit_rpm = 9900", "[engine] limit_rpm", "9900", "7000", "15 %"),
    _car("idle-decimal", "idle_rpm = 850", "idle_rpm = 85", "[engine] idle_rpm", "85", "300 to 4000", "850"),
    _car(
        "idle-over-limit",
        "idle_rpm = 850\nlimit_rpm = 7200",
        "idle_rpm = 3500\nlimit_rpm = 3000",
        "[engine] idle_rpm",
        "3500",
        "limit_rpm (3000)",
    ),
    _car(
        "step-over-max",
        "cut_step_pct = 1\ncut_max_pct = 90",
        "cut_step_pct = 40\ncut_max_pct = 30",
        "[controller] cut_step_pct",
        "40",
        "cut_max_pct (30)",
    ),
    _car("cut-kind", 'cut = "ignition"', 'cut = "spark"', "[engine] cut", '"spark"', '"ignition" or "fuel"'),
    _car("ratio-decimal", "1.21, 1.0", "12.1, 1.0", "[gearbox] ratios[4]", "12.1", "0.3 to 6", "1.21"),
    _car("ratio-order", "2.19, 1.54", "1.54, 2.19", "[gearbox] ratios[3]", "2.19", "smaller", "1.54"),
    _car(
        "ratios-empty",
        "[3.63, 2.19, 1.54, 1.21, 1.0, 0.82]",
        "[]",
        "[gearbox] ratios",
        "[]",
        "1 to 10 values",
    ),
    _car(
        "final-drive",
        "final_drive = 3.9",
        "final_drive = 39",
        "[gearbox] final_drive",
        "39",
        "0.8 to 12",
        "3.9",
    ),
    _car(
        "efficiency-pct",
        "efficiency = 0.93",
        "efficiency = 93",
        "[gearbox] efficiency",
        "93",
        "0.6 to 1",
        "0.93",
    ),
    _car("tyre-size", '"225/45R17"', '"225-45-17"', "[tyre] size", "225-45-17", "245/40R18"),
    _car("teeth-zero", "teeth_driven = 48", "teeth_driven = 0", "[sensors] teeth_driven", "0", "1 to 500"),
    _car(
        "gate",
        "throttle_gate_pct = 20",
        "throttle_gate_pct = 200",
        "throttle_gate_pct",
        "200",
        "0 to 95",
        "20",
    ),
    _car("units", 'units = "km/h"', 'units = "kmh"', "[controller] units", '"kmh"', '"km/h" or "mph"'),
    _car("speeds-order", "60, 80, 120", "60, 60, 120", "speed_breakpoints[4]", "60", "larger"),
    _car(
        "error-negative", "[0, 2, 5, 10, 20]", "[-2, 0, 5, 10, 20]", "error_breakpoints[1]", "-2", "0 to 200"
    ),
    _car("flag-quoted", "= false", '= "false"', "[controller] free_breakpoints", '"false"', "true or false"),
    _car("columns-half", "speed_columns = 8", "speed_columns = 8.5", "speed_columns", "8.5", "2 to 64"),
    _car("columns-one", "error_columns = 6", "error_columns = 1", "error_columns", "1", "2 to 64"),
    _car("no-room", "speed_columns = 8", "speed_columns = 4", "speed_breakpoints", "6 values", "at most 4"),
    _car("speed-step", "speed_step = 5", "speed_step = 0", "[controller] speed_step", "0", "0.1 to 20"),
    _car("error-step", "error_step_pct = 0.5", "error_step_pct = 50", "error_step_pct", "50", "0.05 to 10"),
    _car("step-zero", "cut_step_pct = 1", "cut_step_pct = 0", "[controller] cut_step_pct", "0", "0.01 to 50"),
)

MAP_CASES = (
    _map("unknown-role", "throttle = {", "throtle = {", ":11 [channels] throtle", "unknown role", "throttle"),
    _map(
        "no-time", 'time = { column = "t", unit = "s" }\n', "", "[channels] time", "is missing", "Add a line"
    ),
    _map("no-corner", 'speed_rr = { column = "rr", unit = "km/h" }\n', "", "speed_driven", "speed_rr"),
    _map(
        "unit-typo", '"rl", unit = "km/h"', '"rl", unit = "kmm/h"', ":9", "speed_rl.unit", '"kmm/h"', "km/h"
    ),
    _map(
        "unit-other",
        'unit = "rpm"',
        'unit = "bar"',
        ":12 [channels] rpm.unit",
        '"bar"',
        "rotation",
        "pressure",
    ),
    _map("unit-ambiguous", 'unit = "s"', 'unit = "m"', ":6 [channels] time.unit", '"m"', "may mean"),
    _map("unit-contradicts", '"pedal", unit = "%"', '"pedal", unit = "-"', "throttle.unit", '"-"', "0..1"),
    _map("no-unit", '"pedal", unit = "%"', '"pedal"', ":11 [channels] throttle.unit", "is missing"),
    _map(
        "not-a-table",
        'gear = { column = "gear", unit = "-" }',
        'gear = "gear"',
        ":13",
        "gear",
        "column and unit",
    ),
    _map(
        "same-column", 'column = "fr"', 'column = "fl"', ":8 [channels] speed_fr.column", '"fl"', "speed_fl"
    ),
    _map(
        "no-such-column",
        'column = "revs"',
        'column = "rev"',
        ":12 [channels] rpm",
        '"rev"',
        "run1.csv",
        "revs",
    ),
    _map(
        "delimiter-long",
        'delimiter = ","',
        'delimiter = "comma"',
        ":2 [file] delimiter",
        '"comma"',
        "one char",
    ),
    _map("units-row-text", "units_row = false", 'units_row = "no"', ":3 [file] units_row", '"no"', "true"),
    _map("file-key", "units_row = false", "decimals = 2", ":3 [file] decimals", "unknown key", "units_row"),
    _map("syntax", '"t", unit', '"t" unit', ":6", "TOML"),
)

NOTE_CASES = (
    _note("no-compound", 'compound = "hard"\n', "", "compound", "is missing", "Add a line"),
    _note("temperature", "= 21.5", "= 215", ":4 track_temp_c", "215", "-30 to 90", "21.5"),
    _note("date", "2026-03-14", '"last week"', ":2 date", '"last week"', "2025-05-26"),
    _note("no-such-date", "2026-03-14", "2026-02-31", ":2", "2026-02-31", "TOML"),
    _note("key", "track_temp_c", "track_temp", ":4 track_temp", "unknown key", "track_temp_c"),
    _note("grids-absent", '"grids.json"', '"grid.json"', ":5 grids", '"grid.json"', "run's folder"),
)

LOG_CASES = (
    _log("empty", lambda path: path.write_text(""), "an empty file", "header"),
    _log(
        "header-only",
        lambda path: path.write_text(log_text().split("\n")[0] + "\n"),
        ":2",
        "rows",
        "at least one",
    ),
    _log("no-header", lambda path: path.write_text("\n".join(log_text().split("\n")[1:])), ":1", "header"),
    _log("binary", _binary, ":1 encoding", "binary data", "UTF-8"),
    _log("semicolons", lambda path: path.write_text(log_text(delimiter=";")), ":1", "','", "delimiter"),
    _log("word", lambda path: change_line(path, 77, lambda line: line.replace(",2", ",two", 1)), ":77"),
    _log(
        "units-line",
        lambda path: change_line(path, 1, lambda line: f"{line}\ns,kmh,kmh,kmh,kmh,%,rpm,-"),
        ":2",
    ),
    _log(
        "columns-short", lambda path: path.write_text(_short_lines(log_text())), ":12", "7", "columns", "(8)"
    ),
    Case(
        "log-same-name",
        INSPECT,
        lambda folder: change_line(folder / "run1.csv", 1, lambda line: line.replace("rr", "rl")),
        3,
        ("channels.toml:9 [channels] speed_rl", "run1.csv has 2 of this name", "channels.toml:10"),
    ),
    _rows("few-rows", lambda table: table[:6], "column 't'", "6 rows", "at least 10"),
    _rows("clock-stands", _set(0, slice(50, None), 4.0), "column 't'", "4 s again", "move"),
    _rows("clock-coarse", lambda table: _floor_time(table), "column 't'", "again", "finer"),
    _rows("clock-restarts", _restart, ":302 column 't'", "1 s after", "split the log"),
    _rows("clock-ms", _times(0, 1000.0), "column 't'", "20 s", '"ms"'),
    _rows("throttle-empty", _set(5, slice(None), np.nan), "column 'pedal'", "no number"),
    _rows("throttle-fraction", _times(5, 0.01), "column 'pedal'", "never above 1 %", '"0..1"'),
    _rows("throttle-raw", _times(5, 10.0), "column 'pedal'", "10", "0 to 1.2"),
    _rows("speed-unit", _times(3, 10.0), "column 'rl'", "km/h", "468"),
    _rows("speed-negative", _times(1, -1.0), "column 'fl'", "must be positive"),
    _rows("rpm-unit", _times(6, 9.549), "column 'revs'", "rpm", "25000"),
)


FORMAT_CASES = tuple(_other_format(*one) for one in bad_logs.LOGS)


def _short_lines(text: str) -> str:
    """Cut the last cell off every line from the twelfth on."""
    lines = text.rstrip("\n").split("\n")
    return "\n".join(lines[:11] + [line.rsplit(",", 1)[0] for line in lines[11:]]) + "\n"


def _floor_time(table: np.ndarray) -> np.ndarray:
    table[:, 0] = np.floor(table[:, 0])
    return table


GRID_CASES = (
    _grids("format", lambda data: data.update(format="grids/1"), "format", '"grids/1"', "gridfit-grids/1"),
    _grids("no-cut", lambda data: data.pop("cut"), "cut.slip_error_pct", "is missing"),
    _grids(
        "key",
        lambda data: data["target"].update(slip=data["target"].pop("slip_pct")),
        "target.slip_pct",
        "missing",
    ),
    _grids("word", _put("target", "slip_pct", [60, "30", 15, 8]), "target.slip_pct[2]", '"30"', "number"),
    _grids("null", _put("cut", "gear", [1, None, 3]), "cut.gear[2]", "null", "number"),
    _grids("not-a-list", _put("target", "speed_kmh", 20), "target.speed_kmh", "20", "list"),
    _grids("speed-order", _put("target", "speed_kmh", [20, 100, 50, 200]), "speed_kmh[3]", "50", "larger"),
    _grids("length", _put("target", "slip_pct", [60, 30, 15]), "target.slip_pct", "3 values", "4"),
    _grids("slip-negative", _put("target", "slip_pct", [60, 30, -15, 8]), "slip_pct[3]", "-15", "0 to 2000"),
    _grids("one-point", _put("target", "speed_kmh", [20]), "target.speed_kmh", "1 values", "at least 2"),
    _grids("cut-over", _put("cut", "cut_pct", [[10, 25, 40, 160]] * 3), "cut_pct[1][4]", "160", "0 to 100"),
    _grids("rows", _put("cut", "cut_pct", [[10, 25, 40, 60]] * 2), "cut.cut_pct", "2 x 4", "3 x 4"),
    _grids("ragged", _put("cut", "cut_pct", [[1, 2, 3, 4], [1, 2], [1, 2, 3, 4]]), "cut.cut_pct", "4, 2, 4"),
    _grids("gear-order", _put("cut", "gear", [1, 3, 2]), "cut.gear[3]", "2", "larger"),
    _grids("gear-half", _put("cut", "gear", [1, 2.5, 3]), "cut.gear[2]", "2.5", "whole"),
    _grids(
        "cut-at-negative", _put("cut", "slip_error_pct", [-5, 5, 10, 20]), "cut_pct[1][1]", "10", "must be 0"
    ),
    Case(
        "grids-syntax",
        SCORE,
        lambda folder: (folder / "grids.json").write_text(json.dumps(GRIDS)[:-2]) and None,
        3,
        ("grids.json:1", "JSON"),
    ),
    Case(
        "grids-list", SCORE, lambda folder: (folder / "grids.json").write_text("[1]") and None, 3, ("object",)
    ),
)

CALL_CASES = (
    Case(
        "call-no-car", PROPOSE, lambda folder: [str(folder / "cart.toml")], 2, ("cart.toml", "Check the path")
    ),
    Case("call-car-folder", PROPOSE, lambda folder: [str(folder)], 2, ("a folder", "must be a file")),
    Case(
        "call-no-run",
        INSPECT,
        lambda folder: [str(folder / "car.toml"), str(folder / "run9.csv")],
        2,
        ("run9.csv", "no such file"),
    ),
    Case(
        "call-run-ending",
        INSPECT,
        lambda folder: [str(folder / "car.toml"), str(folder / "run1.toml")],
        2,
        ("run1.toml", '".toml"', ".csv, .parquet"),
    ),
    Case(
        "call-run-twice",
        INSPECT,
        lambda folder: [str(folder / "car.toml"), str(folder / "run1.csv"), str(folder)],
        2,
        ("run1.csv", "already given"),
    ),
    Case("call-run-two-formats", INSPECT, _two_on_one_name, 2, ("run1.parquet", "run1.csv")),
    Case(
        "call-empty-folder",
        INSPECT,
        lambda folder: [str(folder / "car.toml"), _empty_folder(folder)],
        2,
        ("a folder without logs",),
    ),
    Case(
        "call-no-grids",
        SCORE,
        lambda folder: [str(folder / "car.toml"), str(folder / "old.json")],
        2,
        ("old.json", "grid pair"),
    ),
    Case("guess-unsure", INSPECT, _no_map, 3, ("run1.csv", "channels.toml", "speed_fl", "km/h")),
    Case("parquet-broken", INSPECT, _not_parquet, 3, ("day2.parquet", "Parquet", "b't,fl'")),
    Case(
        "note-latin",
        INSPECT,
        lambda folder: (
            (folder / "run1.toml").write_bytes(NOTE.replace("dry", "naß").encode("latin-1")) and None
        ),
        3,
        ("run1.toml:6", "0xdf", "UTF-8"),
    ),
)


def _empty_folder(folder: Path) -> str:
    (folder / "day2").mkdir()
    return str(folder / "day2")


CASES = (*CAR_CASES, *MAP_CASES, *NOTE_CASES, *LOG_CASES, *FORMAT_CASES, *GRID_CASES, *CALL_CASES)
"""Every broken input."""
