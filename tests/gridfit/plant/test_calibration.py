"""Simulation-based calibration of the fit, on cars drawn from the prior whose logs the plant itself made.

If intervals are right, the rank of a true value among the draws is uniform (Talts, Betancourt, Simpson, Vehtari and
Gelman, arXiv 1804.06788, 2018; from memory): a chi-square test of its histogram, at 1 % shared among the quantities.
The fit means to be on the wide side where data are many: it gives them less weight than their noise asks for, since
a real car is not the model, and these cars are the model. With a few windows each, as here, that hardly shows.
`bench_fit.py --calibration` prints the histograms.
"""

import numpy as np
import pytest
from scipy.stats import norm

from gridfit.carsheet import read_carsheet
from tests.gridfit.plant.calibrationcars import histogram, narrow_p, ranks, uniform_p

CARS, WINDOWS, DRAWS, LEVEL = 100, 12, 99, 0.01


@pytest.fixture(scope="module")
def found(demo):
    return ranks(read_carsheet(demo / "car.toml"), 77, CARS, count=WINDOWS, n_draws=DRAWS)


def told(found, p_value):
    """Histograms of the quantities whose p-value is below the level."""
    return {name: histogram(r).tolist() for name, r in found.items() if p_value(r) < LEVEL / len(found)}


@pytest.mark.timeout(600)
def test_ranks_are_uniform(found):
    assert not told(found, uniform_p)


def test_intervals_are_not_too_narrow(found):
    assert not told(found, narrow_p)


def test_intervals_of_half_the_width_would_be_told(found):
    """Negative control: a rank that far from the middle among draws spread half as wide, were they normal."""
    narrow = {}
    for name, ranked in found.items():
        deviate = norm.ppf((ranked + 0.5) / (DRAWS + 1))
        narrow[name] = np.floor(norm.cdf(2.0 * deviate) * (DRAWS + 1)).astype(int)
    assert set(told(narrow, uniform_p)) == set(found)
    assert set(told(narrow, narrow_p)) == set(found)


def test_a_bias_of_one_standard_deviation_would_be_told(found):
    """Negative control."""
    moved = {}
    for name, ranked in found.items():
        deviate = norm.ppf((ranked + 0.5) / (DRAWS + 1))
        moved[name] = np.floor(norm.cdf(deviate + 1.0) * (DRAWS + 1)).astype(int)
    assert set(told(moved, uniform_p)) == set(found)
