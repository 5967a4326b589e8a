"""Whole runs left out: splits, errors beside noise, and what a run that is not like the others does."""

import dataclasses

import numpy as np
import pytest

from gridfit.errors import FitError
from gridfit.plant import crossvalidation
from gridfit.plant.crossvalidation import FOLDS, cross_validate, folds, taking_part


@pytest.mark.parametrize("runs", [2, 5, 17])
def test_no_run_is_on_both_sides_and_each_window_is_left_out_once(runs):
    group = np.random.default_rng(0).integers(0, runs, 300)
    left = []
    for train, out in folds(group):
        assert not set(group[train]) & set(group[out])
        left.append(out)
    assert len(left) == min(runs, FOLDS)
    np.testing.assert_array_equal(np.sort(np.concatenate(left)), np.arange(300))


@pytest.fixture(scope="module")
def held(small):
    sheet, _, _, found = small
    return cross_validate(sheet, found.result, {})


def test_a_plant_carries_over_to_a_run_it_has_not_seen(held):
    table = held.table().set_index("run")
    assert list(table.index) == ["run0", "run1", "run2", "all runs"]
    row = table.loc["all runs"]
    assert 0.75 * 3.6 * 0.05 < row["held_out_kmh"] < 1.2 * 3.6 * 0.05  # the noise that the windows were given
    assert row["better_than_car_sheet_pct"] > 10.0
    assert row["worse_than_in_sample_pct"] < 15.0
    assert held.lost == ()


def test_a_run_of_another_car_is_not_predicted(small, held):
    """Negative control: in one run the cut is another window's."""
    sheet, windows, _, found = small
    cut = windows.cut.copy().reshape(-1, 60)
    mine = np.flatnonzero(windows.run == 1)
    cut[mine] = 1.0 - cut[mine]
    odd = dataclasses.replace(found.result, windows=dataclasses.replace(windows, cut=cut.ravel()))
    table = cross_validate(sheet, odd, {}).table().set_index("run")
    usual = held.table().set_index("run")
    assert table.loc["run1", "held_out_kmh"] > 2.0 * usual.loc["run1", "held_out_kmh"]


def test_one_run_leaves_nothing_to_leave_out(small):
    sheet, windows, _, found = small
    alone = dataclasses.replace(windows, run=np.zeros_like(windows.run))
    assert cross_validate(sheet, dataclasses.replace(found.result, windows=alone), {}) is None


def test_a_fold_without_a_fit_is_named(small, monkeypatch):
    sheet, _, _, found = small
    real = crossvalidation.fit

    def sometimes(sheet, windows, fixed, law=0):
        if 0 not in windows.run:
            raise FitError("ran away")
        return real(sheet, windows, fixed)

    monkeypatch.setattr(crossvalidation, "fit", sometimes)
    got = cross_validate(sheet, found.result, {})
    assert got.lost == ("run0",)
    assert np.isnan(got.table().set_index("run").loc["run0", "held_out_kmh"])


def test_thinning_keeps_every_run_and_the_limits(small, monkeypatch):
    _, windows, _, _ = small
    monkeypatch.setattr(crossvalidation, "MOST_SLIPPING", 20)
    keep = taking_part(windows)
    assert keep.size == 20
    assert np.all(np.diff(keep) > 0)
    assert set(windows.run[keep]) == set(windows.run)
