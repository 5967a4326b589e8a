"""Lags put into logs of invented cars are taken out; logs without any are left as they are."""

from pathlib import Path

import numpy as np
import pytest

from gridfit.carsheet import CarSheet, read_carsheet
from gridfit.signals import alignment
from gridfit.signals.readers import read_run

DATASETS = Path(__file__).parents[3] / "datasets"
CARS = {
    "demo": ("demo/car.toml", "demo/hard/hard1.parquet"),
    "independent": ("independent/car.toml", "independent/run1.parquet"),
}


@pytest.fixture(scope="module", params=CARS)
def car(request: pytest.FixtureRequest) -> tuple[CarSheet, dict[str, np.ndarray]]:
    sheet, log = (DATASETS / one for one in CARS[request.param])
    read = read_carsheet(sheet)
    run = read_run(log, None, read)
    assert not run.lags
    return read, {name: run.table[name].to_numpy(dtype=np.float64) for name in run.table}


def late(columns: dict[str, np.ndarray], names: tuple[str, ...], lag_s: float) -> dict[str, np.ndarray]:
    time_s = columns["time_s"]
    return columns | {name: np.interp(time_s - lag_s, time_s, columns[name]) for name in names}


def test_a_log_of_one_source_is_left_as_it_is(car: tuple[CarSheet, dict[str, np.ndarray]]):
    sheet, columns = car
    made = alignment.align(columns, sheet)
    assert made.taken_out == {}
    assert all(made.columns[name] is columns[name] for name in columns)


def off(values: np.ndarray, truth: np.ndarray) -> float:
    """Mean difference of half a second's means: noise of single samples is not what a shift changes."""
    width = 50
    smooth = np.convolve(values - truth, np.full(width, 1.0 / width), mode="valid")
    return float(np.nanmean(np.abs(smooth)))


@pytest.mark.parametrize("lag_s", [0.05, 0.12, 0.3])
def test_a_late_engine_speed_is_moved_back(car: tuple[CarSheet, dict[str, np.ndarray]], lag_s: float):
    sheet, columns = car
    made = alignment.align(late(columns, ("rpm",), lag_s), sheet)
    # The drive shafts' own twist leaves a hundredth of a second.
    assert made.taken_out["rpm"].mean == pytest.approx(lag_s, abs=0.012)
    error = np.abs(made.columns["rpm"] - columns["rpm"])
    before = np.abs(late(columns, ("rpm",), lag_s)["rpm"] - columns["rpm"])
    assert np.nanmean(error) < 0.4 * np.nanmean(before)


@pytest.mark.parametrize("lag_s", [0.16, 0.3])
def test_a_late_undriven_axle_is_moved_back(car: tuple[CarSheet, dict[str, np.ndarray]], lag_s: float):
    sheet, columns = car
    names = ("speed_undriven_mps", "speed_fl_mps", "speed_fr_mps")
    made = alignment.align(late(columns, names, lag_s), sheet)
    # Engine and brakes make the driven axle lead by 0.01 to 0.06 s, which no log tells apart.
    assert made.taken_out["speed_undriven_mps"].mean == pytest.approx(lag_s, abs=0.03)
    for name in names:
        assert off(made.columns[name], columns[name]) < 0.3 * off(
            late(columns, names, lag_s)[name], columns[name]
        )


def test_pedal_and_cut_are_never_moved(car: tuple[CarSheet, dict[str, np.ndarray]]):
    sheet, columns = car
    moved = late(columns, ("throttle", "cut_pct"), 0.2)
    made = alignment.align(moved, sheet)
    assert made.columns["throttle"] is moved["throttle"]
    assert made.columns["cut_pct"] is moved["cut_pct"]


def test_what_a_shift_leaves_empty_is_not_filled():
    time_s = np.concatenate([np.arange(0.0, 5.0, 0.01), np.arange(7.0, 12.0, 0.01)])
    made = alignment.moved(time_s, time_s.copy(), 0.1)
    known = np.isfinite(made)
    np.testing.assert_allclose(made[known], time_s[known] + 0.1, atol=1e-9)
    # Ten samples before the end, and ten before the hole of the clock, give or take a rounding.
    assert not known[491:500].any()
    assert not known[991:].any()
    assert known[:489].all()
    assert known[500:989].all()


@pytest.mark.parametrize("rows", [10, 17, 51, 300])
def test_a_short_log_tells_no_lag(car: tuple[CarSheet, dict[str, np.ndarray]], rows: int):
    sheet, columns = car
    made = alignment.align({name: values[:rows] for name, values in columns.items()}, sheet)
    assert made.taken_out == {}
