"""Effective number of episodes, and the one table of parameters."""

import dataclasses

import numpy as np
import pytest

from gridfit.plant.evidence import CALIBRATED, Information, clusters_of, information, parameter_table
from gridfit.plant.residuals import Problem
from gridfit.simulate.parameters import NAMES


def told_by(*clusters):
    values = np.array(clusters, dtype=float)[:, None]
    return Information(np.array([0]), values, np.array([1.0]), np.ones(len(values), dtype=bool))


def test_equal_episodes_count_in_full_and_a_lone_voice_as_one():
    """Kish (Survey Sampling, 1965): n_eff = (sum w)^2 / sum w^2; from memory."""
    assert told_by(2, 2, 2, 2).effective[0] == pytest.approx(4.0)
    assert told_by(3, 1).effective[0] == pytest.approx(16.0 / 10.0)
    assert told_by(1e9, 1, 1).effective[0] == pytest.approx(1.0, abs=1e-6)
    assert told_by(0, 0).effective[0] == 0.0
    assert told_by(2, 1).from_logs[0] == pytest.approx(0.75)


def informed(small):
    sheet, windows, _, found = small
    problem = Problem(sheet, windows, {})
    problem.begin()
    return problem, information(problem, found.result)


def test_parts_add_up_to_the_fit_s_own_precision(small):
    """Sum over episodes and prior is 1 / (H^-1)_ii of the fit's curvature (inverse of a partitioned matrix)."""
    problem, told = informed(small)
    hessian = small[3].result.hessian[np.ix_(problem.free, problem.free)]
    whole = 1.0 / np.diag(np.linalg.inv(hessian))
    np.testing.assert_allclose(told.clusters.sum(axis=0) + told.prior, whole, rtol=0.02)


def test_windows_of_fewer_episodes_count_for_less(small):
    sheet, windows, _, found = small
    _, told = informed(small)
    merged = dataclasses.replace(windows, episode=windows.episode // 6)
    problem = Problem(sheet, merged, {})
    problem.begin()
    fewer = information(problem, dataclasses.replace(found.result, windows=merged))
    assert clusters_of(merged)[1].sum() < clusters_of(windows)[1].sum() / 4
    slip = list(told.fitted).index(NAMES.index("slip_peak"))
    assert fewer.effective[slip] < 0.5 * told.effective[slip]
    assert fewer.effective[slip] <= clusters_of(merged)[1].size


def test_the_table_says_what_moved_and_why(small):
    sheet, _, _, found = small
    _, told = informed(small)
    fixed = {"rolling_radius_m": (np.log(0.31), 0.001)}
    table = parameter_table(sheet, found, fixed, told).set_index("parameter")
    assert table.loc["slip_peak", "moved"] == "yes"
    assert table.loc["slip_peak", "effective_episodes"] > 5
    assert table.loc["cg_height_m", "moved"] == "held"
    assert np.isnan(table.loc["cg_height_m", "effective_episodes"])
    assert table.loc["inertia_factor_3", "moved"] == "no"  # no window was driven in gear 3
    assert table.loc["inertia_factor_3", "from_logs_pct"] < 0.01
    assert table.loc["rolling_radius_m", "source"] == CALIBRATED
    assert (table["source"].str.len() > 5).all()
    assert (table["unit"].str.len() > 0).all()
    assert f"inertia_factor_{len(sheet.gearbox.ratios) + 1}" not in table.index
    assert ((table["lo"] <= table["posterior"]) & (table["posterior"] <= table["hi"])).all()
