"""Each run's own tyre on windows that the plant itself made: grip, slip at the peak, drift, and what is not told."""

import dataclasses

import numpy as np
import pytest

from gridfit.plant.fit import fit
from gridfit.plant.residuals import Problem
from gridfit.plant.runtyre import COLUMNS, run_tyres
from gridfit.plant.thinning import compact, pooled, thin
from gridfit.simulate.packing import car_rows
from gridfit.simulate.parameters import INDEX, from_free
from gridfit.simulate.quantities import peak_as_run
from tests.gridfit.plant.madewindows import NOISE_MPS, inputs

GRIP = np.array([0.04, -0.03, 0.0, -0.01])
"""Log grip of each run."""
SLIP = np.array([0.0, 0.0, 0.15, -0.15])
"""Log slip at the peak of each run, over the car's."""
DRIFT_PER_MIN = np.array([0.0, 0.05, 0.0, -0.05])
"""Change of log grip within each run."""


def _made(sheet, rng, count=96):
    """Windows of four runs, each on a tyre of its own, and the vector of the car."""
    windows = inputs(sheet, rng, count, GRIP.size)
    # a run lasts two minutes: its windows are spread over it
    spread = windows.time + np.repeat(np.arange(count) // GRIP.size, 60) * (
        120.0 / (count // GRIP.size) - 0.6
    )
    windows = dataclasses.replace(windows, time=spread)
    problem = Problem(sheet, windows, {})
    start = problem.begin()
    start[:, 5] = 0.0
    minutes = windows.time[windows.bounds[:, 2]] / 60.0
    middle = np.array([minutes[windows.run == r].mean() for r in range(GRIP.size)])
    start[:, 3] = DRIFT_PER_MIN[windows.run] * (minutes - middle[windows.run])
    channels = [windows.driven.copy(), windows.undriven.copy(), windows.engine.copy()]
    for run in range(GRIP.size):
        true = problem.centre.copy()
        true[INDEX["slip_peak"]] += SLIP[run]
        true[problem.layout.runs] = GRIP
        speeds = problem.predict(true[None], start[None])[0]
        for i in np.flatnonzero(windows.run == run):
            _, _, a, b = windows.bounds[i]
            for channel, sd, row in zip(channels, NOISE_MPS, speeds[i], strict=True):
                channel[a:b] = row[: b - a] + sd * rng.standard_normal(b - a)
    made = dataclasses.replace(windows, driven=channels[0], undriven=channels[1], engine=channels[2])
    return made, problem.centre


@pytest.fixture(scope="module")
def four(small):
    """Sheet, windows and the fit of four runs, each on a tyre of its own."""
    sheet = small[0]
    windows, true = _made(sheet, np.random.default_rng(5))
    return sheet, windows, true, fit(sheet, windows, {})


@pytest.fixture(scope="module")
def table(four):
    sheet, _, _, result = four
    return run_tyres(sheet, result)


def test_a_row_per_run_with_every_figure_and_its_error(table):
    assert tuple(table.columns) == COLUMNS
    assert list(table["run"]) == ["run0", "run1", "run2", "run3"]
    assert (table["sliding_windows"] == 24).all()
    assert np.isfinite(table[["log_mu", "log_slip", "fall_off_pct", "drift_pct_per_min"]].to_numpy()).all()
    assert (table[["se", "log_slip_se", "fall_off_se", "drift_se"]].to_numpy() > 0.0).all()


def test_peak_friction_of_each_run(four, table):
    """Against the plant that made the windows; errors of the level are the car's, which all runs share."""
    sheet, _, true, _ = four
    draws = np.repeat(from_free(true[None, : len(INDEX)]), 4, axis=0)
    draws[:, INDEX["mu_peak"]] *= np.exp(GRIP)
    error = table["log_mu"] - np.log(peak_as_run(car_rows(sheet, draws)))
    assert np.abs(error).max() < 0.03
    assert np.abs(error - error.mean()).max() < 0.012
    assert np.all(np.abs(error - error.mean()) < 3.0 * table["se"])


def test_slip_at_the_peak_of_each_run(four, table):
    _, _, true, _ = four
    error = table["log_slip"] - (true[INDEX["slip_peak"]] + SLIP)
    assert np.abs(error - error.mean()).max() < 0.06
    assert np.all(np.abs(error - error.mean()) < 3.0 * table["log_slip_se"])
    assert table["peak_slip_pct"].to_numpy() == pytest.approx(100.0 * np.exp(table["log_slip"].to_numpy()))


def test_drift_within_each_run(table):
    error = table["drift_pct_per_min"] - 100.0 * DRIFT_PER_MIN
    assert np.abs(error).max() < 2.5
    assert np.all(np.abs(error) < 3.0 * table["drift_se"])


def test_a_run_without_slip_says_nothing(four):
    sheet, windows, _, result = four
    quiet = dataclasses.replace(windows, episode=np.where(windows.run == 2, -1, windows.episode))
    row = run_tyres(sheet, result, quiet).iloc[2]
    assert row["sliding_windows"] == 0
    assert np.isnan([row["log_mu"], row["se"], row["log_slip"], row["drift_pct_per_min"]]).all()


def test_a_fit_of_fewer_windows_without_runs_serves_as_well(four, table):
    """What a season does: the car from a third of the windows, each run's tyre from all of its own."""
    sheet, windows, _, _ = four
    fewer = pooled(thin(windows, 32))
    assert len(fewer) <= 40
    assert fewer.runs == windows.compounds
    again = run_tyres(sheet, fit(sheet, fewer, {}), windows)
    for column, limit in (("log_mu", 0.015), ("log_slip", 0.06), ("drift_pct_per_min", 1.5)):
        apart = again[column] - table[column]
        assert np.abs(apart - apart.mean()).max() < limit, column


def test_thinning_is_even_and_leaves_small_sets_alone(small):
    _, windows, _, _ = small
    assert thin(windows, len(windows)) is windows
    fewer = thin(windows, 24)
    assert len(fewer) == 24
    for run in range(3):
        for gear in (1, 2):
            assert ((fewer.run == run) & (fewer.gear == gear)).sum() == 4
    assert fewer.time is windows.time


def test_leaving_out_samples_between_windows_changes_no_prediction(small):
    sheet, windows, true, _ = small
    fewer = compact(windows)
    assert fewer.time.size == 58 * len(windows)
    whole, less = Problem(sheet, windows, {}), Problem(sheet, fewer, {})
    assert np.array_equal(
        whole.errors(true[None], whole.begin()[None]), less.errors(true[None], less.begin()[None])
    )
    assert np.array_equal(whole.linear(), less.linear())
