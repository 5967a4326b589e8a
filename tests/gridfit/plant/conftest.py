"""One small fit that several tests of its checks share."""

import numpy as np
import pandas as pd
import pytest

from gridfit.carsheet import read_carsheet
from gridfit.plant.fit import fit
from gridfit.plant.identification import Identification
from gridfit.plant.posterior import draw, what_moved
from tests.gridfit.plant.madewindows import made


def identified(sheet, windows):
    """Fit, and what follows from it, as identification gives it."""
    result = fit(sheet, windows, {})
    plant = draw(sheet, result, np.random.default_rng(0), n_draws=24)
    return Identification(plant, result, pd.DataFrame(), what_moved(result, plant))


@pytest.fixture(scope="session")
def small(demo):
    """Sheet, windows of three runs, true vector, and the identification from them."""
    sheet = read_carsheet(demo / "car.toml")
    windows, true = made(sheet, np.random.default_rng(11))
    return sheet, windows, true, identified(sheet, windows)
