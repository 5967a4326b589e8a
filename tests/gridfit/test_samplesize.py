"""Power and sample size: order, limits, and that the two undo each other."""

import math

import pytest

from gridfit import samplesize


def test_power_of_no_difference_is_the_level():
    for df in (1, 2, 5, 50):
        assert samplesize.power(0.0, df) == pytest.approx(samplesize.LEVEL, abs=1e-6)


@pytest.mark.parametrize("df", [1, 2, 4, 20])
def test_the_detectable_difference_has_the_power_asked(df):
    least = samplesize.minimum_detectable(0.02, df)
    assert samplesize.power(least / 0.02, df) == pytest.approx(samplesize.POWER, abs=1e-8)


def test_runs_needed_is_the_first_count_with_enough_power():
    for size in (0.5, 1.0, 2.0, 4.0):
        n = samplesize.runs_needed(size, 1.0)
        assert samplesize.power(size * math.sqrt(n / 2), 2 * (n - 1)) >= samplesize.POWER
        if n > 2:
            assert samplesize.power(size * math.sqrt((n - 1) / 2), 2 * (n - 2)) < samplesize.POWER


def test_limits():
    assert samplesize.runs_needed(0.0, 1.0) == samplesize.MOST_RUNS
    assert samplesize.runs_needed(-1.0, 1.0) == samplesize.runs_needed(1.0, 1.0)
    assert samplesize.runs_needed(1.0, 0.0) == 2
    assert samplesize.runs_needed(1.0, 1.0, level=0.01) > samplesize.runs_needed(1.0, 1.0)
