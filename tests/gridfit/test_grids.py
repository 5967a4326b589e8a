"""Grids are looked up as the controller does it, and survive their files."""

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest
from cases.goodcar import GRIDS, swap, write_all
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from gridfit import gridfiles
from gridfit.carsheet import read_carsheet
from gridfit.errors import InputError
from gridfit.grids import CutGrid, GridPair, TargetGrid, common_practice, read_grids, rounded

# The file's form as it is documented for people.
DOCUMENTED = """
{"format":"gridfit-grids/1",
 "target":{"speed_kmh":[20,60,120],"slip_pct":[60,25,12]},
 "cut":{"slip_error_pct":[0,5,20],"gear":[1,2],"cut_pct":[[10,30,60],[5,20,50]]}}
"""

tenths = st.integers(0, 1000).map(lambda value: value / 10.0)


@st.composite
def axes(draw, least: int, most: int, top: int) -> list[float]:
    chosen = draw(st.lists(st.integers(0, top), min_size=least, max_size=most, unique=True))
    return [float(one) for one in sorted(chosen)]


@st.composite
def pairs(draw) -> GridPair:
    speed = draw(axes(2, 12, 400))
    error = draw(axes(2, 9, 100))
    gear = [one + 1.0 for one in draw(axes(1, 7, 9))]
    slip = draw(st.lists(tenths, min_size=len(speed), max_size=len(speed)))
    row = st.lists(tenths, min_size=len(error), max_size=len(error))
    cut = draw(st.lists(row, min_size=len(gear), max_size=len(gear)))
    return GridPair(TargetGrid(speed, slip), CutGrid(error, gear, cut))


def test_the_documented_file_is_read(tmp_path: Path):
    path = tmp_path / "grids.json"
    path.write_text(DOCUMENTED)
    pair = read_grids(path)
    assert_array_equal(pair.target.speed_kmh, [20, 60, 120])
    assert_array_equal(pair.cut.cut_pct, [[10, 30, 60], [5, 20, 50]])
    assert set(pair.to_dict()) == set(json.loads(DOCUMENTED))


@given(pairs(), st.lists(st.floats(-50.0, 600.0), min_size=1, max_size=30))
def test_target_is_linear_inside_and_held_outside(pair: GridPair, speeds: list[float]):
    target = pair.target
    got = target.at(speeds)
    assert_array_equal(got, np.interp(speeds, target.speed_kmh, target.slip_pct))
    assert_array_equal(target.at([target.speed_kmh[0] - 1.0]), target.slip_pct[:1])
    assert_array_equal(target.at([target.speed_kmh[-1] + 1.0]), target.slip_pct[-1:])
    assert_array_equal(target.at(target.speed_kmh), target.slip_pct)


@given(pairs(), st.lists(st.floats(-50.0, 300.0), min_size=1, max_size=30), st.integers(0, 12))
def test_cut_is_linear_inside_zero_below_and_held_above(pair: GridPair, errors: list[float], gear: int):
    cut = pair.cut
    row = cut.row(gear)
    got = cut.at(errors, gear)
    inside = np.array(errors) >= cut.slip_error_pct[0]
    assert_array_equal(got[inside], np.interp(errors, cut.slip_error_pct, row)[inside])
    assert_array_equal(got[~inside], 0.0)
    assert_array_equal(cut.at([cut.slip_error_pct[-1] + 50.0], gear), row[-1:])
    assert_array_equal(cut.at(cut.slip_error_pct, gear), row)


def test_a_gear_without_row_takes_the_nearest():
    grid = CutGrid([0.0, 10.0], [2.0, 4.0], [[1.0, 2.0], [3.0, 4.0]])
    assert [grid.row(gear)[0] for gear in (1, 2, 3, 4, 6)] == [1.0, 1.0, 1.0, 3.0, 3.0]


def test_each_sample_is_looked_up_in_its_own_gear():
    grid = CutGrid([0.0, 10.0], [1.0, 2.0], [[0.0, 100.0], [0.0, 50.0]])
    assert_allclose(grid.at([5.0, 5.0, -0.1, 5.0], [1.0, 2.0, 1.0, np.nan]), [50.0, 25.0, 0.0, np.nan])


def test_no_number_stays_no_number():
    pair = GridPair.from_dict(GRIDS)
    assert np.isnan(pair.target.at([np.nan])).all()
    assert np.isnan(pair.cut.at([np.nan], 2)).all()


@given(pairs())
def test_json_round_trip(pair: GridPair):
    assert GridPair.from_dict(json.loads(json.dumps(pair.to_dict()))) == pair


@given(pairs())
def test_csv_round_trip(pair: GridPair):
    back = GridPair.from_dict(gridfiles.from_csv(*pair.to_csv()))
    assert back == pair
    mph = GridPair.from_dict(gridfiles.from_csv(*pair.to_csv("mph")))
    # Two decimals of a mile per hour: half of 0.01 x 1.609344 km/h.
    assert_allclose(mph.target.speed_kmh, pair.target.speed_kmh, atol=0.00805)
    assert_array_equal(mph.cut.cut_pct, pair.cut.cut_pct)


def test_csv_has_the_breakpoints_in_the_first_row_and_column():
    target, cut = (list(csv.reader(io.StringIO(text))) for text in GridPair.from_dict(GRIDS).to_csv("mph"))
    # 20, 50, 100 and 200 km/h over 1.609344 (NIST SP 811).
    assert target == [
        ["speed [mph]", "12.43", "31.07", "62.14", "124.27"],
        ["target slip [%]", "60", "30", "15", "8"],
    ]
    assert cut[0] == ["gear / slip error [%]", "0", "5", "10", "20"]
    assert [row[0] for row in cut[1:]] == ["1", "2", "3"]
    assert cut[2][1:] == ["8", "20", "35", "55"]


def test_an_unknown_unit_of_the_tables_is_refused():
    with pytest.raises(InputError, match="knots"):
        GridPair.from_dict(GRIDS).to_csv("knots")


def test_other_keys_are_kept(tmp_path: Path):
    path = write_all(tmp_path) / "grids.json"
    swap(path, '"format": "gridfit-grids/1",', '"format": "gridfit-grids/1", "author": {"name": "x"},')
    pair = read_grids(path)
    assert pair.extra == {"author": {"name": "x"}}
    assert pair.to_dict()["author"] == {"name": "x"}


def test_arrays_cannot_be_written_and_are_copies():
    cells = np.array([60.0, 30.0])
    grid = TargetGrid(np.array([20.0, 50.0]), cells)
    cells[0] = 1.0
    assert grid.slip_pct[0] == 60.0
    with pytest.raises(ValueError, match="read-only"):
        grid.slip_pct[0] = 1.0


def test_common_practice_is_15_kmh_and_25_per_cent(tmp_path: Path):
    sheet = read_carsheet(write_all(tmp_path) / "car.toml")
    pair = common_practice(sheet)
    # Common practice, no source: 15 km/h of slip at every speed, 25 % everywhere.
    assert_allclose(pair.target.slip_pct * pair.target.speed_kmh / 100.0, 15.0)
    assert_array_equal(pair.cut.cut_pct, np.full((6, 5), 25.0))
    assert_array_equal(pair.cut.gear, [1, 2, 3, 4, 5, 6])


def test_common_practice_below_the_minimum_speed_and_the_largest_cut(tmp_path: Path):
    path = write_all(tmp_path) / "car.toml"
    swap(path, "[20, 40, 60, 80, 120, 180]", "[0, 4, 8, 16]")
    swap(path, "cut_max_pct = 90", "cut_max_pct = 20")
    pair = common_practice(read_carsheet(path))
    # Slip is taken on at least the minimum speed, 8 km/h here: 15 / 8 = 187.5 %.
    assert_allclose(pair.target.slip_pct, [187.5, 187.5, 187.5, 93.75])
    assert pair.cut.cut_pct.max() == 20.0


@given(st.lists(st.floats(0.0, 100.0), min_size=5, max_size=5), st.sampled_from([0.1, 0.5, 1.0, 5.0, 7.0]))
def test_rounded_lies_on_the_controllers_steps(tmp_path_factory, cells: list[float], step: float):
    path = write_all(tmp_path_factory.mktemp("car")) / "car.toml"
    swap(path, "cut_step_pct = 1", f"cut_step_pct = {step}")
    sheet = read_carsheet(path)
    pair = GridPair(TargetGrid([20, 40], cells[:2]), CutGrid([0, 2, 5, 10, 20], [1], [cells]))
    held = rounded(pair, sheet)
    for values, size in ((held.cut.cut_pct, step), (held.target.slip_pct, 0.5)):
        assert_allclose(values / size, np.round(values / size), atol=1e-6)
    assert held.cut.cut_pct.max() <= 90.0
    below = pair.cut.cut_pct <= 90.0 - step
    assert np.all(np.abs(held.cut.cut_pct - pair.cut.cut_pct)[below] <= step / 2.0 + 1e-9)
    assert rounded(held, sheet) == held


@pytest.mark.parametrize(
    ("slip", "row", "monotone"),
    [([30, 20], [0, 5, 5], True), ([20, 30], [0, 5, 5], False), ([30, 20], [0, 5, 4], False)],
)
def test_is_monotone(slip: list[float], row: list[float], monotone: bool):
    assert GridPair(TargetGrid([20, 40], slip), CutGrid([0, 2, 5], [1], [row])).is_monotone is monotone


def test_equal_pairs_have_equal_hashes():
    one, two = GridPair.from_dict(GRIDS), GridPair.from_dict(GRIDS)
    assert one == two
    assert hash(one) == hash(two)
    assert one != "grids"
