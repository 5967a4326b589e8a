"""Simulation-based calibration of the fit, on cars drawn from the prior whose logs the plant itself made.

If intervals are right, the rank of a true value among the draws is uniform (Talts, Betancourt, Simpson, Vehtari and
Gelman, arXiv 1804.06788, 2018; from memory). The fit means to be on the wide side here: it gives data less weight
than their noise asks for, since a real car is not the model, and these cars are the model. So what is asked at the
1 % level, shared among the quantities, is that intervals are not too narrow: no more true values beyond the
central 90 % than chance allows. `bench_fit.py --calibration` prints the whole histograms.
"""

import numpy as np
import pytest

from gridfit.carsheet import read_carsheet
from tests.gridfit.plant.calibrationcars import histogram, narrow_p, ranks

CARS, WINDOWS, DRAWS, LEVEL = 100, 12, 99, 0.01


@pytest.fixture(scope="module")
def found(demo):
    return ranks(read_carsheet(demo / "car.toml"), 77, CARS, count=WINDOWS, n_draws=DRAWS)


@pytest.mark.timeout(600)
def test_intervals_are_not_too_narrow(found):
    short = {name: histogram(r).tolist() for name, r in found.items() if narrow_p(r) < LEVEL / len(found)}
    assert not short, short


def test_intervals_of_half_the_width_would_be_told(found):
    """Negative control: a rank that far from the middle among draws spread half as wide, were they normal."""
    from scipy.stats import norm

    told = []
    for ranked in found.values():
        deviate = norm.ppf((ranked + 0.5) / (DRAWS + 1))
        narrow = np.floor(norm.cdf(2.0 * deviate) * (DRAWS + 1)).astype(int)
        told.append(narrow_p(narrow) < LEVEL / len(found))
    assert all(told)
