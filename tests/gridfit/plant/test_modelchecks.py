"""Checks of the fit itself: quiet on a car of its own kind, loud on one that breaks it."""

import dataclasses

import numpy as np
import pytest
from statsmodels.tsa.stattools import acf

from gridfit.plant.modelchecks import alike, check_model, examples, residual_table


@pytest.fixture(scope="module")
def checked(small):
    sheet, _, _, found = small
    return check_model(sheet, found, {})


def test_tables_cover_gears_and_speeds(checked):
    assert set(checked.by_gear["group"]) == {1, 2}
    assert checked.by_gear["windows"].sum() == checked.by_speed["windows"].sum() == 72
    # 0.05 m/s of noise is 0.18 km/h
    np.testing.assert_allclose(checked.by_gear["rms_kmh"], 0.18, rtol=0.2)
    assert np.all(np.abs(checked.by_gear["end_bias_kmh"]) < 0.05)


def test_a_drift_shows_as_bias_at_the_window_s_end(checked):
    found = checked.predictions
    pushed = found.predicted.copy()
    pushed[:, 0] += np.linspace(0.0, 1.0, pushed.shape[2])
    moved = dataclasses.replace(found, predicted=pushed)
    table = residual_table(moved, found.windows.gear, checked.predictions.rms())
    # the last third of a ramp from 0 to 1 m/s over 28 samples averages 0.85 m/s: 3.07 km/h
    np.testing.assert_allclose(table["end_bias_kmh"], 3.07, atol=0.1)


def test_likeness_of_neighbours_is_their_autocorrelation():
    rng = np.random.default_rng(3)
    error = np.zeros((1, 5000))
    for t in range(1, 5000):
        error[0, t] = 0.8 * error[0, t - 1] + rng.standard_normal()
    assert alike(error)[0] == pytest.approx(acf(error[0], nlags=1)[1], abs=0.01)
    assert np.isnan(alike(np.full((1, 9), np.nan))[0])


def test_noise_leaves_motion_out(checked):
    found = checked.predictions
    rng = np.random.default_rng(4)
    ramp = np.linspace(20.0, 23.0, found.measured.shape[2]) + np.zeros(found.measured.shape)
    noisy = dataclasses.replace(
        found, measured=ramp + 0.2 * rng.standard_normal(ramp.shape), predicted=0.0 * ramp
    )
    assert np.mean(noisy.noise()) == pytest.approx(0.2, rel=0.1)
    still = dataclasses.replace(noisy, measured=ramp)
    np.testing.assert_array_equal(still.noise(), found.windows.noise[:, 0])


def test_best_and_worst_episodes_are_those_by_misfit(small):
    result = small[3].result
    chosen = dict(examples(result))
    mean = {e: result.misfit[result.windows.episode == e].mean() for e in set(result.windows.episode)}
    assert chosen["best"] == min(mean, key=mean.get)
    assert chosen["worst"] == max(mean, key=mean.get)
    assert len(set(chosen.values())) == 3
    none = dataclasses.replace(result.windows, episode=np.full(len(result.windows), -1))
    assert examples(dataclasses.replace(result, windows=none)) == ()
