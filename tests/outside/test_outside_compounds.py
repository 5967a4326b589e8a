"""Compounds of different size on a car that gridfit did not write, against what is true of each run.

The second compound has 6 % less grip, and its driven tyres are 3 % larger, which the controller does not know.
"""

import numpy as np
import pytest
from outside.season import Compound, make_season

from gridfit import compounds
from gridfit.plant.comparefit import identify_runs
from pipelines.ingest import Source, ingest
from pipelines.progress import silent
from pipelines.runtable import run_table

SEASON = (Compound("small"), Compound("tall", grip=0.94, radius=1.03))


@pytest.fixture(scope="module")
def compared(tmp_path_factory):
    """True figures of each run, the run table beside them, and the comparison."""
    folder = tmp_path_factory.mktemp("season") / "runs"
    truth = {
        one["run"]: one for one in make_season(folder, SEASON, runs=3, seconds=120.0, run_sd=0.01, seed=7)
    }
    logs = ingest(Source(folder / "sheet.toml", (folder,)), silent)
    found = identify_runs(
        logs.sheet, logs.signals, logs.episodes, np.random.default_rng(0), n_draws=8, most=120
    )
    table = run_table(logs, found.runs)
    return truth, table, compounds.compare(table, np.random.default_rng(0))


def test_peak_friction_run_by_run(compared):
    truth, table, _ = compared
    error = table["log_mu"] - np.log([truth[run]["mu_peak"] for run in table["run"]])
    assert np.abs(error).max() < 0.04
    assert (error - error.mean()).std() < 0.015


def test_slip_at_the_peak_run_by_run(compared):
    truth, table, _ = compared
    error = table["peak_slip_pct"] - [truth[run]["slip_peak_pct"] for run in table["run"]]
    told = table["peak_slip_pct"] * table["log_slip_se"]
    assert (np.abs(error - error.mean()) < 3.0 * told).all()
    assert error.groupby(table["compound"]).mean().abs().max() < 2.0


def test_the_difference_of_the_compounds(compared):
    """Against the mean true friction of the runs that were driven, so that run-to-run grip is no excuse."""
    truth, _, comparison = compared
    level = {
        name: np.mean([np.log(one["mu_peak"]) for one in truth.values() if one["compound"] == name])
        for name in ("small", "tall")
    }
    pair = comparison.pairs[0]
    sign = 1.0 if (pair.a, pair.b) == ("small", "tall") else -1.0
    assert sign * pair.difference.estimate == pytest.approx(level["tall"] - level["small"], abs=0.015)
    assert pair.peak_mu_diff_pct.covers(100.0 * np.expm1(sign * (level["tall"] - level["small"])))


def test_the_size_is_measured_and_said(compared):
    _, table, comparison = compared
    radius = table.groupby("compound")["radius_m"].mean()
    assert radius["tall"] / radius["small"] == pytest.approx(1.03, abs=0.003)
    said = next(one for one in comparison.pairs[0].findings if one.check == "size alike")
    assert not said.passed
    assert "differ in size" in said.meaning


def test_drivers_days_and_grids_are_read_and_in_balance(compared):
    _, table, comparison = compared
    assert set(table["driver"]) == {"A", "B"}
    assert set(table["grids"]) == {"grids_b.json", "grids_c.json"}
    passed = {one.check: one.passed for one in comparison.pairs[0].findings}
    assert passed["driver alike"]
    assert passed["grids alike"]
    assert passed["day shared"]
