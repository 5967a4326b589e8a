"""With fewer episodes intervals widen towards the prior's, and still hold the truth."""

import dataclasses

import numpy as np
import pytest

from gridfit.carsheet import read_carsheet
from gridfit.estimate import Estimate
from gridfit.plant.fit import fit
from gridfit.plant.posterior import draw
from gridfit.plant.prior import from_carsheet
from tests.gridfit.plant.calibrationcars import plant_of, reported
from tests.gridfit.plant.madewindows import made

SHARES = (1.0, 0.3, 0.1, 0.0)
"""Shares of the episodes kept; with none, the prior answers."""
QUANTITIES = (
    "peak friction",
    "slip at peak",
    "dead time",
    "cut gain 1",
    "cut gain 2",
    "inertia 1",
    "inertia 2",
)
CARS, DRAWS = 3, 200


def _kept(windows, share, rng):
    """Windows of a share of the episodes, drawn at random."""
    episodes = np.unique(windows.episode)
    chosen = rng.permutation(episodes)[: max(1, round(share * episodes.size))]
    mine = np.isin(windows.episode, chosen)
    names = ("bounds", "gear", "run", "compound", "episode", "lateral", "noise")
    return dataclasses.replace(windows, **{name: getattr(windows, name)[mine] for name in names})


@pytest.fixture(scope="module")
def told(demo):
    """Intervals and truth of each quantity: dict share -> list over cars of dict name -> (Estimate, true)."""
    sheet = read_carsheet(demo / "car.toml")
    table = {share: [] for share in SHARES}
    for number in range(CARS):
        rng = np.random.default_rng([41, number])
        windows, true = made(sheet, rng, count=60)
        truth = reported(sheet, plant_of(sheet, windows, true))
        for share in SHARES:
            if share:
                plant = draw(sheet, fit(sheet, _kept(windows, share, rng), {}), rng, n_draws=DRAWS)
            else:
                plant = from_carsheet(sheet, rng, n_draws=DRAWS)
            got = reported(sheet, plant)
            table[share].append({n: (Estimate.from_draws(got[n]), float(truth[n][0])) for n in QUANTITIES})
    return table


@pytest.mark.parametrize("share", SHARES)
def test_intervals_hold_the_truth(told, share):
    """Nine in ten are meant to; quantities of one car go together, so four in five are asked of 21."""
    inside = [estimate.covers(true) for car in told[share] for estimate, true in car.values()]
    assert np.mean(inside) >= 0.8


def _widths(told, name):
    """Mean width over the cars by share: few episodes differ in what they show."""
    return [np.mean([car[name][0].hi - car[name][0].lo for car in told[share]]) for share in SHARES]


@pytest.mark.parametrize("name", ["peak friction", "slip at peak", "dead time"])
def test_intervals_widen_as_episodes_get_fewer(told, name):
    """From 30 % downward; above, peak friction is at its floor, which height and load sensitivity set."""
    widths = _widths(told, name)
    assert np.all(np.diff(widths[1:]) > 0.0), widths
    assert widths[0] < 1.1 * widths[1], widths


@pytest.mark.parametrize("name", QUANTITIES)
def test_any_episodes_are_better_than_none(told, name):
    """Gains and inertias need not widen in between: what the fit holds at its prior (damping of the half shafts, for
    one) adds a spread to them that does not fall with more data."""
    *fitted, prior = _widths(told, name)
    assert max(fitted) < 0.8 * prior
