"""A log gives the same run in whatever dialect or format it is written; a logger's faults are repaired."""

import hashlib
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from cases.goodcar import CAR, COLUMNS, MAP, change_line, log_rows, log_text, swap, write_all
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from gridfit.carsheet import CarSheet, read_carsheet
from gridfit.errors import InputError
from gridfit.signals.readers import expand, read_run
from gridfit.signals.run import ROLE_OF, Run

UNITS = ("s", "km/h", "km/h", "km/h", "km/h", "%", "rpm", "-")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_all(tmp_path / "day1")


@pytest.fixture
def sheet(folder: Path) -> CarSheet:
    return read_carsheet(folder / "car.toml")


def read(folder: Path, sheet: CarSheet, name: str = "run1.csv") -> Run:
    return read_run(folder / name, None, sheet)


def test_columns_are_in_si_and_the_clock_is_the_logs_own(folder: Path, sheet: CarSheet):
    run, rows = read(folder, sheet), log_rows()
    assert_array_equal(run.table["time_s"], rows[:, 0])
    assert_allclose(run.table["speed_fl_mps"] * 3.6, rows[:, 1])
    assert_allclose(run.table["throttle"] * 100.0, rows[:, 5])
    assert_array_equal(run.table["rpm"], rows[:, 6])
    assert_array_equal(run.table["gear"], rows[:, 7])
    assert (run.table.dtypes == np.float64).all()
    assert (run.rows_dropped, run.repairs) == (0, ())
    assert run.period_s == pytest.approx(0.02)
    assert run.duration_s == pytest.approx(0.02 * 599)


def test_what_is_known_of_the_run(folder: Path, sheet: CarSheet):
    run = read(folder, sheet)
    assert run.name == "run1"
    assert run.note.compound == "hard"
    assert run.roles == ("time", "speed_fl", "speed_fr", "speed_rl", "speed_rr", "throttle", "rpm", "gear")
    assert run.has("rpm")
    assert not run.has("speed_driven")
    assert run.sha256 == hashlib.sha256((folder / "run1.csv").read_bytes()).hexdigest()
    assert set(run.table) - {ROLE_OF[role].column for role in run.roles} == {
        "speed_driven_mps",
        "speed_undriven_mps",
    }


@pytest.mark.parametrize(("drive", "driven"), [("rwd", (3, 4)), ("fwd", (1, 2))])
@pytest.mark.parametrize("how", ["mean", "faster"])
def test_axles_are_made_from_their_wheels(folder: Path, drive: str, driven: tuple[int, int], how: str):
    swap(folder / "car.toml", '"rwd"', f'"{drive}"')
    swap(folder / "car.toml", 'driven_from = "mean"\nundriven_from = "mean"', f'driven_from = "{how}"')
    run = read(folder, read_carsheet(folder / "car.toml"))
    wheels = log_rows()[:, driven]
    expected = wheels.mean(axis=1) if how == "mean" else wheels.max(axis=1)
    assert_allclose(run.table["speed_driven_mps"] * 3.6, expected)
    other = [column for column in (1, 2, 3, 4) if column not in driven]
    assert_allclose(run.table["speed_undriven_mps"] * 3.6, log_rows()[:, other].mean(axis=1))


def test_where_one_wheel_is_missing_the_other_makes_the_axle(folder: Path, sheet: CarSheet):
    rows = log_rows()
    rows[100:200, 3] = np.nan
    (folder / "run1.csv").write_text(log_text(rows))
    table = read(folder, sheet).table
    assert_allclose(table["speed_driven_mps"][100:200], table["speed_rr_mps"][100:200])
    assert table["speed_rl_mps"].isna().sum() == 100


def test_a_logged_axle_goes_before_its_wheels(folder: Path, sheet: CarSheet):
    swap(folder / "channels.toml", "speed_rr = ", "speed_driven = ")
    assert_allclose(read(folder, sheet).table["speed_driven_mps"] * 3.6, log_rows()[:, 4])


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    comma=st.booleans(),
    units_row=st.booleans(),
    told=st.booleans(),
    ending=st.sampled_from(["\n", "\r\n"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "latin-1"]),
    preamble=st.integers(0, 3),
    blank_lines=st.booleans(),
    padded=st.booleans(),
    trailing=st.booleans(),
)
def test_any_dialect_gives_the_same_run(
    tmp_path_factory,
    delimiter: str,
    comma: bool,
    units_row: bool,
    told: bool,
    ending: str,
    encoding: str,
    preamble: int,
    blank_lines: bool,
    padded: bool,
    trailing: bool,
):
    folder = write_all(tmp_path_factory.mktemp("dialect"))
    sheet = read_carsheet(folder / "car.toml")
    plain = read(folder, sheet)
    header = [*COLUMNS, "öl"]
    data = [[*(f"{cell:.10g}" for cell in row), "x"] for row in log_rows()]
    if comma and delimiter != ",":
        data = [[cell.replace(".", ",") for cell in row] for row in data]
    lines = [header, *([[*UNITS, "°C"]] if units_row else []), *data]
    pad, end = " " * padded, delimiter * trailing
    text = [(delimiter + pad).join(line) + end for line in lines]
    if blank_lines:
        text[300:300] = ["", ""]
    text = ["logged with care"] * preamble + text
    (folder / "run1.csv").write_bytes((ending.join(text) + ending).encode(encoding))
    said = f'delimiter = "{delimiter}"\nunits_row = {str(units_row).lower()}' if told else ""
    swap(folder / "channels.toml", 'delimiter = ","\nunits_row = false', said.replace("\t", "\\t"))
    run = read(folder, sheet)
    pd.testing.assert_frame_equal(run.table, plain.table)
    assert (run.rows_dropped, run.roles) == (0, plain.roles)


SPEEDS = {"km/h": 1.0, "m/s": 1.0 / 3.6, "mph": 1.0 / 1.609344}
TIMES = {"s": 1.0, "ms": 1000.0}


@pytest.mark.parametrize("speed", SPEEDS)
@pytest.mark.parametrize("time", TIMES)
@pytest.mark.parametrize("throttle", ["%", "0..1"])
@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_any_unit_in_any_format_gives_the_same_run(folder, sheet, speed, time, throttle, kind):
    plain = read(folder, sheet)
    rows = log_rows()
    rows[:, 0] *= TIMES[time]
    rows[:, 1:5] *= SPEEDS[speed]
    rows[:, 5] *= 0.01 if throttle == "0..1" else 1.0
    text = MAP.replace('"km/h"', f'"{speed}"').replace('"t", unit = "s"', f'"t", unit = "{time}"')
    (folder / "channels.toml").write_text(text.replace('unit = "%"', f'unit = "{throttle}"'))
    (folder / "run1.csv").unlink()
    table = pd.DataFrame(rows, columns=COLUMNS)
    if kind == "csv":
        table.to_csv(folder / "run1.csv", index=False)
    else:
        table.to_parquet(folder / "run1.parquet")
    run = read(folder, sheet, f"run1.{kind}")
    pd.testing.assert_frame_equal(run.table, plain.table, rtol=1e-12)
    assert (run.name, run.note) == (plain.name, plain.note)


@pytest.mark.parametrize("stamp", ["timestamp[us]", "duration[ms]"])
def test_parquet_stamps_become_seconds(folder: Path, sheet: CarSheet, stamp: str):
    table = pd.DataFrame(log_rows(), columns=COLUMNS)
    ticks = np.round(table.pop("t") * 1000.0).astype(np.int64)
    kind = pa.timestamp("us") if stamp.startswith("time") else pa.duration("ms")
    column = pa.array(ticks * (1000 if stamp.startswith("time") else 1)).cast(kind)
    whole = pa.Table.from_pandas(table, preserve_index=False).append_column("t", column)
    pq.write_table(whole, folder / "run2.parquet")
    time = read(folder, sheet, "run2.parquet").table["time_s"]
    # A time of day counts from its first stamp, a duration from its own zero.
    start = 3.0 if stamp.startswith("duration") else 0.0
    assert_allclose(time, start + 0.02 * np.arange(600), atol=1e-9)


def test_a_text_column_of_parquet_is_refused(folder: Path, sheet: CarSheet):
    table = pd.DataFrame(log_rows(), columns=COLUMNS).astype({"revs": str})
    table.to_parquet(folder / "run2.parquet")
    with pytest.raises(InputError, match=r"run2.parquet row 1 column 'revs' = '3321.0'"):
        read(folder, sheet, "run2.parquet")


def test_a_truncated_last_line_is_left_out_and_counted(folder: Path, sheet: CarSheet):
    path = folder / "run1.csv"
    path.write_bytes(path.read_bytes()[:-9])
    run = read(folder, sheet)
    assert (len(run.table), run.rows_dropped, run.repairs) == (599, 1, (("truncated last line", 1),))
    assert_array_equal(run.table["rpm"], log_rows()[:599, 6])


@pytest.mark.parametrize("cut", range(2, 48))
def test_a_last_line_may_end_anywhere(folder: Path, sheet: CarSheet, cut: int):
    path = folder / "run1.csv"
    path.write_bytes(path.read_bytes()[:-cut])
    run = read(folder, sheet)
    whole = log_rows()[: len(run.table)]
    assert len(run.table) >= 598
    assert_array_equal(run.table["rpm"], whole[:, 6])
    assert_array_equal(run.table["gear"], whole[:, 7])


def test_an_incomplete_line_is_left_out_and_later_lines_keep_their_numbers(folder: Path, sheet: CarSheet):
    path = folder / "run1.csv"
    change_line(path, 100, lambda line: line[:20])
    run = read(folder, sheet)
    assert run.repairs == (("incomplete line", 1),)
    assert_array_equal(run.table["rpm"], np.delete(log_rows(), 98, axis=0)[:, 6])
    change_line(path, 400, lambda line: line.rpartition(",")[0] + ",second")
    with pytest.raises(InputError, match=r"run1.csv:400 column 'gear' = \"second\""):
        read(folder, sheet)


def test_duplicated_rows_are_left_out_and_counted(folder: Path, sheet: CarSheet):
    rows = np.repeat(log_rows(), np.where(np.arange(600) % 100 == 7, 2, 1), axis=0)
    (folder / "run1.csv").write_text(log_text(rows))
    run = read(folder, sheet)
    assert (run.rows_dropped, run.repairs) == (6, (("duplicated row", 6),))
    assert_array_equal(run.table["rpm"], log_rows()[:, 6])


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sets(st.integers(1, 598), max_size=8), st.integers(0, 2**32 - 1))
@example({1}, 1)
@example({1}, 2)
@example({1}, 3)
@example({1}, 4)
def test_wild_stamps_cost_only_their_own_rows(tmp_path_factory, wild: set[int], seed: int):
    wild = {row for row in wild if row + 1 not in wild and row - 1 not in wild}
    folder = write_all(tmp_path_factory.mktemp("clock"))
    sheet = read_carsheet(folder / "car.toml")
    rows = log_rows()
    rng = np.random.default_rng(seed)
    for row in wild:
        rows[row, 0] = round(rows[row, 0] + rng.choice([-1.0, 1.0]) * rng.uniform(0.05, 1e6), 3)
    (folder / "run1.csv").write_text(log_text(rows))
    run = read(folder, sheet)
    kept = np.delete(log_rows(), sorted(wild), axis=0)
    assert (run.table["time_s"].diff().iloc[1:] > 0).all()
    assert run.rows_dropped == len(wild)
    assert_array_equal(run.table["time_s"], kept[:, 0])


def test_a_hole_in_the_clock_is_left_for_the_quality_checks(folder: Path, sheet: CarSheet):
    (folder / "run1.csv").write_text(log_text(np.delete(log_rows(), slice(200, 300), axis=0)))
    run = read(folder, sheet)
    assert (len(run.table), run.rows_dropped) == (500, 0)


def test_empty_cells_and_their_usual_names_are_no_numbers(folder: Path, sheet: CarSheet):
    words = ["", "NaN", "nan", "NULL", "n/a", "-", "---"]
    for line, word in enumerate(words, start=20):
        change_line(folder / "run1.csv", line, lambda text, word=word: text.rpartition(",")[0] + f",{word}")
    run = read(folder, sheet)
    assert list(np.flatnonzero(run.table["gear"].isna())) == list(range(18, 18 + len(words)))


def test_gear_codes_that_are_no_forward_gear_become_unknown(folder: Path, sheet: CarSheet):
    rows = log_rows()
    rows[:4, 7] = [-1, 7, 15, 2.5]
    (folder / "run1.csv").write_text(log_text(rows))
    run = read(folder, sheet)
    assert list(run.table["gear"][:5]) == [0, 0, 0, 0, 2]
    assert run.repairs == (("gear code that is no forward gear", 4),)


def test_an_empty_optional_column_is_left_out_and_told(folder: Path, sheet: CarSheet):
    rows = log_rows()
    rows[:, 7] = np.nan
    (folder / "run1.csv").write_text(log_text(rows))
    run = read(folder, sheet)
    assert "gear" not in run.table
    assert not run.has("gear")
    assert run.repairs == (("empty column of gear", 600),)


@pytest.mark.parametrize(("on", "off"), [("1", "0"), ("on", "off"), ("TRUE", "FALSE"), ("Yes", "No")])
def test_a_brake_switch_in_words(folder: Path, sheet: CarSheet, on: str, off: str):
    lines = log_text().rstrip("\n").split("\n")
    lines = [
        lines[0] + ",brake",
        *(f"{line},{on if at % 3 == 0 else off}" for at, line in enumerate(lines[1:])),
    ]
    (folder / "run1.csv").write_text("\n".join(lines) + "\n")
    swap(folder / "channels.toml", "[notes]", 'brake = { column = "brake", unit = "on/off" }\n[notes]')
    assert_array_equal(read(folder, sheet).table["brake"], np.arange(600) % 3 == 0)


@pytest.mark.parametrize(("unit", "factor"), [("bar", 1e5), ("kPa", 1e3), ("psi", 6894.757)])
def test_a_brake_pressure_is_kept_in_pascal(folder: Path, sheet: CarSheet, unit: str, factor: float):
    swap(folder / "channels.toml", 'gear = { column = "gear", unit = "-" }', "")
    swap(folder / "channels.toml", "[notes]", f'brake = {{ column = "gear", unit = "{unit}" }}\n[notes]')
    assert_allclose(read(folder, sheet).table["brake"], 2.0 * factor)


def test_units_that_contradict_the_logs_own_are_refused(folder: Path, sheet: CarSheet):
    text = log_text().split("\n")
    text[1:1] = [",".join(UNITS).replace("km/h", "mph", 1)]
    (folder / "run1.csv").write_text("\n".join(text))
    swap(folder / "channels.toml", "units_row = false", "units_row = true")
    with pytest.raises(InputError, match=r"channels.toml:7 .*speed_fl unit = \"km/h\": run1.csv says mph"):
        read(folder, sheet)


def test_only_the_columns_in_the_map_are_looked_at(folder: Path, sheet: CarSheet):
    plain = read(folder, sheet)
    lines = log_text().rstrip("\n").split("\n")
    lines = [lines[0] + ",comment", *(line + ",a text" for line in lines[1:])]
    (folder / "run1.csv").write_text("\n".join(lines) + "\n")
    pd.testing.assert_frame_equal(read(folder, sheet).table, plain.table)


def test_a_folder_stands_for_its_logs_in_natural_order(folder: Path):
    for name in ("run10.csv", "run2.csv", "Run3.CSV", "run4.parquet"):
        (folder / name).write_bytes(b"x")
    found = [path.name for path in expand([folder])]
    assert found == ["Run3.CSV", "run1.csv", "run2.csv", "run4.parquet", "run10.csv"]


def test_logs_and_folders_mix_in_the_order_given(folder: Path, tmp_path: Path):
    other = write_all(tmp_path / "day2")
    assert expand([other / "run1.csv", folder]) == [other / "run1.csv", folder / "run1.csv"]


def test_an_axle_that_this_car_drives_must_have_a_speed(folder: Path, sheet: CarSheet):
    # Axle speeds of the front pair and "undriven" say the same thing twice on a rear-driven car.
    text = MAP.replace("speed_rl", "speed_undriven").replace(
        'speed_rr = { column = "rr", unit = "km/h" }\n', ""
    )
    (folder / "channels.toml").write_text(text)
    with pytest.raises(
        InputError, match=r"speed_driven: is missing; the rear axle needs .* drive in car.toml"
    ):
        read(folder, sheet)


def test_the_rate_of_the_log_must_be_near_the_sheets(folder: Path):
    (folder / "car.toml").write_text(CAR.replace("log_hz = 50", "log_hz = 5000"))
    with pytest.raises(InputError, match=r"50 samples per second: car.toml says log_hz = 5000"):
        read(folder, read_carsheet(folder / "car.toml"))
