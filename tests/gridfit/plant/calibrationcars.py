"""Small cars drawn from the prior of one car sheet, with logs that the plant itself made: truth and data agree.

Everything that the fit has a prior for is drawn from that prior: the plant's parameters, also those that the fit
holds, the tyre law, each run's grip, each window's nuisances, and the sensors' noise.
"""

import dataclasses

import numpy as np
from scipy.stats import binom, chisquare

from gridfit.plant.fit import fit
from gridfit.plant.posterior import draw
from gridfit.plant.prior import prior_free
from gridfit.plant.residuals import PATCH_SHARE, Problem
from gridfit.plant.windows import Windows
from gridfit.simulate.packing import car_rows, pack
from gridfit.simulate.parameters import INDEX, NAMES, Plant, from_free
from gridfit.simulate.quantities import cut_gain_kmhps_per_pct, dead_time_s, inertia_kg, peak_as_run
from tests.gridfit.plant.madewindows import NOISE_MPS, TICKS_S, gain_mps2

SLOT, FIRST, LENGTH = 70, 40, 28
"""Samples from window to window, of run-up, and of a window."""
GEARS = (1, 2, 3)
"""Gears driven; in the last the tyres roll at part throttle."""
ROLLING_THROTTLE = 0.35
KNOWN = 0.5
"""Share of the prior's width over which cars are drawn, and which the fit is told."""
FIXED_SD = {"driven_factor": 0.002, "rolling_radius_m": 0.003}
"""What calibration ahead of the fit leaves of these, as sd on the fit's scale."""


def inputs(sheet, rng, count, runs, noisier=1.0):
    """Throttle, cut, and where the windows lie; speeds of the run-up are those of the prior's centre."""
    n = SLOT * count
    throttle, cut, driven, undriven = np.ones(n), np.zeros(n), np.zeros(n), np.zeros(n)
    rows = pack(sheet, from_free(prior_free(sheet)[0][None]))
    ratios = np.array(sheet.gearbox.ratios) * sheet.gearbox.final_drive
    number = np.arange(count)
    gear = np.array(GEARS)[number % len(GEARS)]
    for i, g in enumerate(gear):
        slot, first = slice(SLOT * i, SLOT * (i + 1)), SLOT * i + FIRST
        top = sheet.engine.limit_rpm / ratios[g - 1] * 2.0 * np.pi / 60.0 * 0.31
        v = rng.uniform(0.45, 0.75) * top
        undriven[slot] = v
        if g == GEARS[-1]:
            driven[slot], throttle[slot] = v * (1.0 + rng.uniform(0.015, 0.03)), ROLLING_THROTTLE
        else:
            driven[slot] = v * (1.0 + rng.uniform(0.2, 0.4))
            driven[slot.start : first] -= gain_mps2(rows, g, v) * TICKS_S * np.arange(FIRST, 0, -1)
        cut[first + int(rng.integers(2, 12)) : slot.stop] = rng.uniform(0.1, 0.35) / g
    begin = SLOT * number
    used = np.ones(n, dtype=bool)
    used[begin + FIRST] = False
    bounds = np.stack([begin, begin, begin + FIRST, begin + FIRST + LENGTH], axis=1)
    run = number * runs // count
    noise = noisier * np.tile(NOISE_MPS, (count, 1))
    return Windows(
        np.arange(n) * TICKS_S, throttle, cut, driven, undriven, driven.copy(), used, used, bounds, gear, run,
        np.zeros(count, dtype=np.int64), number // len(GEARS), np.zeros(count), noise,
        np.zeros(count), np.zeros(count), tuple(f"run{r}" for r in range(runs)), (sheet.tyre.compound,),
    )  # fmt: skip


def fixed_of(sheet):
    """What is said to be known ahead of the fit: centre and sd on the fit's scale.

    Calibration has measured some; of all others somebody knows `KNOWN` of the usual width, so that few cars are so
    odd that their wheels jump.
    """
    centre, width = prior_free(sheet)
    known = {name: (float(centre[i]), KNOWN * float(width[i])) for name, i in INDEX.items()}
    known["tyre_law"] = (float(centre[INDEX["tyre_law"]]), float(width[INDEX["tyre_law"]]))
    return known | {name: (float(centre[INDEX[name]]), sd) for name, sd in FIXED_SD.items()}


def _speeds(problem, rng, true):
    """Speeds of the windows at a true vector, nuisances and noise drawn: float64[W, 3, L] [m/s]."""
    windows = problem.windows
    begin = problem.begin()
    patch = rng.random(len(windows)) < PATCH_SHARE
    mean, sd = problem.start_prior(patch.astype(float))
    start = mean + sd * rng.standard_normal(mean.shape)
    start[:, :2] = begin[:, :2]
    clean = problem.predict(true[None], start[None])[0]
    # ripple has the wheels' own travel for its phase
    turning = Problem(problem.sheet, _logged(windows, clean), {})
    ripple, sds = turning.linear(), turning.linear_sd()
    added = np.einsum("wnk,wk->wn", ripple, sds * rng.standard_normal(sds.shape)).reshape(clean.shape)
    return clean + (added + rng.standard_normal(clean.shape)) * windows.noise[:, :, None]


def _logged(windows, speeds):
    """Return the windows with these speeds in them, but for the first sample, which the run-up uses."""
    channels = [windows.driven.copy(), windows.undriven.copy(), windows.engine.copy()]
    for i, (_, _, a, b) in enumerate(windows.bounds):
        for channel, row in zip(channels, speeds[i], strict=True):
            channel[a + 1 : b] = row[1 : b - a]
    return dataclasses.replace(windows, driven=channels[0], undriven=channels[1], engine=channels[2])


def drawn(sheet, rng, *, count, runs=2, held=1.0, noisier=1.0):
    """A car from the prior: its windows and its true vector.

    The speeds of a real log decide which windows count as sliding; cars whose speeds would change that against what
    their nuisances were drawn for are drawn anew as a whole, which no fit can tell, since it sees the speeds.
    `held` is the share of the prior's width over which the parameters that the fit holds are drawn, `noisier` the
    sensors' noise over the usual.
    """
    while True:
        windows = inputs(sheet, rng, count, runs, noisier)
        problem = Problem(sheet, windows, fixed_of(sheet))
        wide = problem.width.copy()
        wide[np.setdiff1d(np.arange(wide.size), problem.free)] *= held
        true = problem.centre + wide * rng.standard_normal(wide.size)
        true[INDEX["tyre_law"]] = rng.integers(2)
        made = _logged(windows, _speeds(problem, rng, true))
        if np.array_equal(Problem(sheet, made, {}).rolling, problem.rolling):
            return made, true


def plant_of(sheet, windows, true):
    """The true vector as a plant of one draw, the runs' mean grip in its peak friction as in a fitted one."""
    values = from_free(true[None, : len(NAMES)])
    runs = Problem(sheet, windows, {}).layout.runs
    values[:, INDEX["mu_peak"]] *= np.exp(true[runs].mean())
    one = np.ones((1, 1))
    return Plant(values, "prior", windows.compounds, one, one, ())


def reported(sheet, plant):
    """Return what is told of a plant, by name: float64[D] each."""
    gain, inertia = cut_gain_kmhps_per_pct(sheet, plant.draws), inertia_kg(sheet, plant.draws)
    table = {
        "peak friction": peak_as_run(car_rows(sheet, plant.draws)),
        "slip at peak": plant.column("slip_peak"),
        "dead time": dead_time_s(sheet, plant.draws),
        "lag": plant.column("cut_lag_s"),
        "torque scale": plant.column("torque_scale"),
    }
    for gear in GEARS:
        table[f"cut gain {gear}"] = gain[:, gear - 1]
        table[f"inertia {gear}"] = inertia[:, gear - 1]
    return table


def rank_of(draws, true, rng):
    """Place of a true value among draws, 0 to their number; among equal ones (at a bound) by lot."""
    return int((draws < true).sum() + rng.integers((draws == true).sum() + 1))


def ranks(sheet, seed, cars, *, count, n_draws=99, held=1.0, noisier=1.0):
    """Ranks of the true values among the draws of a fit: dict of int64[cars], each 0 to n_draws.

    Each car is fitted under the tyre law that it was drawn with. The first half of the draws is used, since draws
    come in antithetic pairs, and pairs are no independent sample.
    """
    told = {}
    for number in range(cars):
        rng = np.random.default_rng([seed, number])
        windows, true = drawn(sheet, rng, count=count, held=held, noisier=noisier)
        result = fit(sheet, windows, fixed_of(sheet), law=int(true[INDEX["tyre_law"]]))
        plant = draw(sheet, result, rng, n_draws=2 * n_draws).take(n_draws)
        truth = reported(sheet, plant_of(sheet, windows, true))
        for name, draws in reported(sheet, plant).items():
            told.setdefault(name, []).append(rank_of(draws, truth[name][0], rng))
    return {name: np.array(values) for name, values in told.items()}


def histogram(found, n_draws=99, bins=10):
    """Count of ranks in equal bins; n_draws + 1 is a multiple of their number."""
    return np.bincount(found * bins // (n_draws + 1), minlength=bins)


def uniform_p(found, n_draws=99, bins=10):
    """Chi-square p-value of uniform ranks [1]."""
    return float(chisquare(histogram(found, n_draws, bins)).pvalue)


def narrow_p(found, n_draws=99, tail=0.05):
    """P-value of so many true values beyond the central 90 %, or more, if intervals were right [1]: binomial."""
    low = round(tail * (n_draws + 1))
    beyond = int(((found < low) | (found > n_draws - low)).sum())
    return float(binom.sf(beyond - 1, found.size, 2.0 * low / (n_draws + 1)))
