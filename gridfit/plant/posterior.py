"""FitResult -> Plant: draws with clustered errors, the spread of what logs cannot tell, and the runs' grip.

Windows of one gear in one run err alike, so the curvature alone would be overconfident: the score of each gear of
a run is taken as one observation (a sandwich; episodes where there are few of these). What the fit left at its prior
(consider parameters) is drawn from the prior, and the fitted parameters move with it along the curvature, as Schmidt's
method has it.

Sources: White, Econometrica 50(1), 1982, 1-25 (sandwich); Schmidt, Adv. Control Systems 3, 1966, 293-340
(consider parameters); both from memory.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.estimate import Estimate
from gridfit.plant.fit import FitResult
from gridfit.plant.leastsquares import MISMATCH
from gridfit.plant.residuals import CONSIDERED, ROLLING_SLIP, WINDOW_SD
from gridfit.simulate.packing import car_rows
from gridfit.simulate.parameters import INDEX, NAMES, Floats, Plant, from_free
from gridfit.simulate.quantities import peak_as_run

POSTERIOR_DRAWS = 24
"""Draws of a fitted plant unless told otherwise."""
MOVED = 0.3
"""A parameter whose posterior sd is above one less this share of its prior's is called not moved by the data."""


@dataclass(frozen=True, slots=True)
class Moved:
    """What the logs said of one parameter.

    Parameters
    ----------
    name : str
        Parameter.
    prior, posterior : Estimate
        Before and after, in the parameter's unit.
    informed : bool
        Whether the logs narrowed it to speak of; if not, it rests on the car sheet and on what is usual.
    """

    name: str
    prior: Estimate
    posterior: Estimate
    informed: bool


def _split(result: FitResult) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Positions of the fitted and of the considered entries of the vector."""
    held = np.array([i < len(NAMES) and NAMES[i] in CONSIDERED for i in range(result.x.size)])
    return np.flatnonzero(~held), np.flatnonzero(held)


def _spread(result: FitResult, fitted: NDArray[np.int64]) -> Floats:
    """Covariance of the fitted entries with the considered ones known: float64[F, F]."""
    inverse = np.linalg.inv(result.hessian[np.ix_(fitted, fitted)])
    scores = result.scores[:, fitted]
    middle = scores.T @ scores + np.diag(result.width[fitted] ** -2)
    sandwich = inverse @ middle @ inverse
    # never tighter than the curvature says: few clusters make a sandwich too thin by chance
    scale = np.sqrt(np.maximum(1.0, np.diag(inverse) / np.diag(sandwich)))
    covariance: Floats = sandwich * np.outer(scale, scale)
    return covariance


def _along_stamps(result: FitResult, fitted: NDArray[np.int64]) -> Floats:
    """How the fitted entries move with the stamps of the cut, by one standard deviation of these: float64[F].

    Where rows tell the cut at moments of their own, the errors see how late they are as dead time, and the fit cannot
    tell one from the other.
    """
    sd_s = float(result.windows.stamp_sd_s.mean())
    dead = INDEX["dead_time_s"]
    seen = result.hessian[fitted, dead] - np.where(fitted == dead, result.width[dead] ** -2, 0.0)
    along: Floats = np.linalg.solve(result.hessian[np.ix_(fitted, fitted)], seen) * (
        sd_s / np.exp(result.x[dead])
    )
    return along


def _vectors(result: FitResult, rng: np.random.Generator, n_draws: int) -> Floats:
    """Draws of the whole vector on the fit's scale, in antithetic pairs: float64[D, X]."""
    fitted, held = _split(result)
    half = (n_draws + 1) // 2
    root = np.linalg.cholesky(_spread(result, fitted) + 1e-14 * np.eye(fitted.size))
    own = rng.standard_normal((half, fitted.size)) @ root.T
    outside = rng.standard_normal((half, held.size)) * result.width[held]
    outside[:, held == INDEX["tyre_law"]] = 0.0
    h = result.hessian
    along = -np.linalg.solve(h[np.ix_(fitted, fitted)], h[np.ix_(fitted, held)])
    step = np.zeros((half, result.x.size))
    step[:, held] = outside
    limit = result.width[fitted]
    stamps = rng.standard_normal((half, 1)) * _along_stamps(result, fitted)
    step[:, fitted] = own + np.clip(outside @ along.T, -limit, limit) + np.clip(stamps, -limit, limit)
    # no draw further from the fit than three prior widths
    step = np.clip(step, -3.0 * result.width, 3.0 * result.width)
    vectors: Floats = result.x + np.concatenate([step, -step])[:n_draws]
    return vectors


def _grip(result: FitResult, x: Floats) -> Floats:
    """Log grip of each compound, its runs' mean included: x[D, X] -> float64[D, K]."""
    layout, windows = result.layout, result.windows
    by_compound = layout.compound_values(x, layout.grip)
    runs = x[:, layout.runs]
    compound_of = run_compounds(result)
    own = np.stack([runs[:, compound_of == c].mean(axis=1) for c in range(len(windows.compounds))], axis=1)
    # what windows kept over their runs belongs to the runs
    left, _ = window_level(result)
    kept = np.array([np.nan_to_num(left[compound_of == c]).mean() for c in range(len(windows.compounds))])
    grip: Floats = by_compound + own + kept
    return grip


def window_level(result: FitResult) -> tuple[Floats, Floats]:
    """Mean log grip that the even sliding windows of each run keep over the run's own, and its standard error.

    The fit shares a run's grip between the run and its windows; what is left in the windows belongs to the run.
    Errors are by episode, whose windows are alike.

    Returns
    -------
    mean, error : float64[R]
        NaN where a run has no such window.
    """
    w = result.windows
    rolling = np.abs(result.start[:, 0] / np.maximum(result.start[:, 1], 1.0) - 1.0) < ROLLING_SLIP
    even = ~rolling & (result.on_patch < 0.5)
    mean, error = np.full(len(w.runs), np.nan), np.full(len(w.runs), np.nan)
    for r in range(len(w.runs)):
        mine = np.flatnonzero(even & (w.run == r))
        if mine.size == 0:
            continue
        values = result.start[mine, 3]
        groups = np.where(w.episode[mine] >= 0, w.episode[mine], -1 - mine // 4)
        clusters = max(1, np.unique(groups).size)
        mean[r] = float(np.median(values))
        error[r] = 1.25 * max(WINDOW_SD / 3.0, float(np.std(values))) / clusters**0.5
    return mean, error


def run_compounds(result: FitResult) -> NDArray[np.int64]:
    """Compound of each run: int64[R]."""
    windows = result.windows
    found = np.zeros(len(windows.runs), dtype=np.int64)
    found[windows.run] = windows.compound
    return found


def _episodes_by_gear(result: FitResult, n_gears: int) -> tuple[int, ...]:
    """Episodes that the fit used in each gear."""
    w = result.windows
    pairs = {(int(g), int(e)) for g, e in zip(w.gear, w.episode, strict=True) if e >= 0}
    return tuple(sum(1 for g, _ in pairs if g == gear) for gear in range(1, n_gears + 1))


def draw(
    sheet: CarSheet, result: FitResult, rng: np.random.Generator, *, n_draws: int = POSTERIOR_DRAWS
) -> Plant:
    """Draw plants from what the fit knows.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    result : FitResult
        The fit.
    rng : numpy.random.Generator
        Source of the draws.
    n_draws : int
        Number of draws D.

    Returns
    -------
    Plant
        Origin "fit"; the first compound is the first run's.
    """
    x = _vectors(result, rng, n_draws)
    draws = from_free(x[:, : len(NAMES)])
    grip = _grip(result, x)
    slip = result.layout.compound_values(x, result.layout.slip)
    draws[:, INDEX["mu_peak"]] *= np.exp(grip[:, 0])
    return Plant(
        draws, "fit", result.windows.compounds, np.exp(grip - grip[:, [0]]), np.exp(slip),
        _episodes_by_gear(result, len(sheet.gearbox.ratios)),
    )  # fmt: skip


def mixed(plants: Sequence[Plant]) -> Plant:
    """Join the draws of plants of one car, spread evenly so that the first few show all of them.

    Parameters
    ----------
    plants : sequence of Plant
        They share origin, compounds and episodes.

    Returns
    -------
    Plant
    """
    at = np.concatenate([(np.arange(len(p)) + 0.5) / len(p) for p in plants])
    order = np.argsort(at, kind="stable")
    draws, grip, slip = (
        np.concatenate([getattr(p, name) for p in plants])[order] for name in ("draws", "grip", "slip")
    )
    first = plants[0]
    return Plant(draws, first.origin, first.compounds, grip, slip, first.episodes)


def run_grip(sheet: CarSheet, result: FitResult) -> pd.DataFrame:
    """Peak friction of each run as it showed it, with the error that runs do not share.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    result : FitResult
        The fit.

    Returns
    -------
    DataFrame
        run, compound, log_mu (log peak friction as run), se (standard error of its log, apart from errors of the
        car that all runs share), sliding_windows (windows that say something of it).
    """
    layout, windows = result.layout, result.windows
    compound_of = run_compounds(result)
    base = from_free(result.x[None, : layout.n_physical])
    own = layout.compound_values(result.x[None], layout.grip)[0][compound_of] + result.x[layout.runs]
    draws = np.repeat(base, own.size, axis=0)
    draws[:, INDEX["mu_peak"]] *= np.exp(own)
    level = np.log(peak_as_run(car_rows(sheet, draws)))
    # without the runs' own prior, which pulls each towards the mean of all
    told = np.maximum(np.diag(result.hessian)[layout.runs] - result.width[layout.runs] ** -2, 1e-6)
    kept = np.clip(told / (told + result.width[layout.runs] ** -2), 0.2, 1.0)
    left, error = window_level(result)
    unpulled = level + (own - own.mean()) * (1.0 / kept - 1.0) + np.nan_to_num(left)
    se = np.where(np.isfinite(error), np.hypot(error, told**-0.5 / MISMATCH), told**-0.5)
    sliding = np.bincount(windows.run[windows.episode >= 0], minlength=len(windows.runs))
    return pd.DataFrame(
        {
            "run": windows.runs,
            "compound": [windows.compounds[c] for c in compound_of],
            "log_mu": unpulled,
            "se": se,
            "sliding_windows": sliding,
        }
    )


def what_moved(result: FitResult, plant: Plant) -> tuple[Moved, ...]:
    """Say of each parameter of the table what the logs made of it."""
    fitted, _ = _split(result)
    sd = result.width.copy()
    sd[fitted] = np.sqrt(np.diag(_spread(result, fitted)))
    rows = []
    for i, name in enumerate(NAMES):
        edges = np.repeat(result.centre[None, : len(NAMES)], 3, axis=0)
        edges[1:, i] += np.array([-1.645, 1.645]) * result.width[i]
        mean, low, high = from_free(edges)[:, i]
        informed = name not in CONSIDERED and sd[i] < (1.0 - MOVED) * result.width[i]
        rows.append(Moved(name, Estimate(mean, low, high), Estimate.from_draws(plant.column(name)), informed))
    return tuple(rows)
