"""Predictions with only the windows' starts free, on windows that the plant itself made."""

import dataclasses

import numpy as np
import pytest

from gridfit.plant.predictions import ENGINE, Starts, predictions, subset
from gridfit.plant.residuals import Problem
from tests.gridfit.plant.madewindows import NOISE_MPS


def evenly(problem):
    """No patches, all windows weighed alike."""
    n = len(problem.windows)
    return np.full(n, 0.05), np.ones(n)


def test_at_the_truth_what_is_left_is_the_noise(small):
    sheet, windows, true, _ = small
    problem = Problem(sheet, windows, {})
    found = predictions(problem, true, *evenly(problem), problem.begin())
    for channel, sd in enumerate(NOISE_MPS):
        # starts take some of the freedom of 28 samples: the error is a little below the noise, never above
        assert 0.75 * sd < np.sqrt(np.mean(found.rms(channel) ** 2)) < 1.02 * sd


def test_starts_never_make_a_window_worse(small):
    sheet, windows, _, _ = small
    problem = Problem(sheet, windows, {})
    first = problem.begin()
    starts = Starts(problem, *evenly(problem))
    before = starts.cost(problem.errors(problem.centre[None], first[None])[0], first)
    found, errors = starts.settle(problem.centre, first)
    assert np.all(starts.cost(errors, found) <= before + 1e-9)
    assert np.median(starts.cost(errors, found)) < 0.5 * np.median(before)


def test_ripple_of_the_sensors_is_no_error_of_the_plant(small):
    """A tooth ring 0.4 % out of centre adds that share of the speed once per turn (geometry)."""
    sheet, windows, true, _ = small
    driven = windows.driven.copy()
    for _, _, a, b in windows.bounds:
        travel = np.cumsum(driven[a:b] * 0.01)
        driven[a:b] *= 1.0 + 0.004 * np.sin(travel / 0.31)
    rippled = Problem(sheet, dataclasses.replace(windows, driven=driven), {})
    left = predictions(rippled, true, *evenly(rippled), rippled.begin()).rms()
    assert np.sqrt(np.mean(left**2)) < 1.15 * NOISE_MPS[0]


def test_samples_that_may_not_be_compared_are_left_out(small):
    sheet, windows, true, _ = small
    known = windows.engine_used.copy()
    a, b = windows.bounds[0, 2:]
    known[a:b] = False
    problem = Problem(sheet, dataclasses.replace(windows, engine_used=known), {})
    found = predictions(problem, true, *evenly(problem), problem.begin())
    assert np.isnan(found.error[0, ENGINE]).all()
    assert np.isnan(found.rms(ENGINE)[0])
    assert np.isfinite(found.rms(ENGINE)[1:]).all()


def test_a_subset_keeps_samples_and_order(small):
    _, windows, _, _ = small
    keep = np.array([5, 2, 40])
    part = subset(windows, keep)
    assert len(part) == 3
    assert part.runs == windows.runs
    np.testing.assert_array_equal(part.bounds, windows.bounds[keep])
    np.testing.assert_array_equal(part.episode, windows.episode[keep])
    assert part.driven is windows.driven


@pytest.mark.parametrize("rounds", [1, 4])
def test_more_rounds_only_help(small, rounds):
    sheet, windows, true, _ = small
    problem = Problem(sheet, windows, {})
    first = problem.begin()
    starts = Starts(problem, *evenly(problem))
    found, errors = starts.settle(true, first, rounds)
    more, better = starts.settle(true, found, 1)
    assert np.all(starts.cost(better, more) <= starts.cost(errors, found) + 1e-9)
