"""What each run says of the tyre: peak friction, slip at the peak, fall-off past it, and drift within the run.

The car is held at its fit, which all runs share; each run then has four figures of its own. Slip at the peak and the
curve's shape lean on what all runs share (a prior), so that a run that tells little of them does not spoil its own
peak friction; what is reported of them is what the run alone said. Errors are by episode, whose windows are alike.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import stats

from gridfit.carsheet import CarSheet
from gridfit.plant.fit import SHRINK, FitResult, Progress, silent
from gridfit.plant.leastsquares import MISMATCH
from gridfit.plant.predictions import subset
from gridfit.plant.projection import LIMIT, TAIL, Projection, unpulled
from gridfit.plant.residuals import Problem, patch_probability
from gridfit.plant.thinning import compact
from gridfit.plant.windows import Windows
from gridfit.simulate.openloop import N_NUISANCE
from gridfit.simulate.packing import car_rows
from gridfit.simulate.parameters import INDEX, Floats, from_free
from gridfit.simulate.quantities import peak_as_run
from gridfit.tyrelaws import LAWS

GRIP, SLIP, SHAPE, DRIFT, N_OWN = range(5)
OWN_SD = np.array([0.15, 0.15, 0.12, 0.08])
"""Prior sd of a run's log grip, log slip at peak and log shape about what all runs share, and of its drift [1/min]."""
STEPS = np.array([0.01, 0.02, 0.01, 0.01])
"""Finite-difference steps of the same."""
SETTLING, ROUNDS = 2, 2
"""Moves of the nuisances before a run's own figures are looked for, and linearisations of these."""
REACH = np.array([0.15, 0.3, 0.25, 0.15])
"""Largest change of each figure in one of them."""
SURELY_PATCH, FEWEST_ON_LINE = 0.98, 8
"""The first line through a run's windows leaves out those that are patches beyond doubt, and needs so many [1]."""
FAR = 2.0
"""Fall-off is read at so many times the slip at the peak [1]."""
SHAPES = ("tyre_c", "tyre_rate")
"""Parameter that carries the fall-off, by tyre law."""
LEAST_TOLD = 0.1
"""Of slip and fall-off nothing is reported where a run's own precision is less than this share of the prior's [1]."""
COLUMNS: tuple[str, ...] = (
    "run", "compound", "log_mu", "se", "peak_slip_pct", "log_slip", "log_slip_se", "fall_off_pct", "fall_off_se",
    "drift_pct_per_min", "drift_se", "sliding_windows",
)  # fmt: skip
"""Columns of `run_tyres`."""


@dataclass(slots=True)
class _Run:
    """One run, the car held at its fit.

    Parameters
    ----------
    problem : Problem
        Of its windows alone.
    x : float64[P + 1]
        The car, and the run's grip.
    start, on_patch, weight
        Nuisances, patch probabilities and weights of its windows.
    minutes : float64[W]
        Time of each window from the middle of the sliding ones [min].
    places : tuple of int
        Where grip, slip and shape stand in the vector.
    """

    problem: Problem
    x: Floats
    start: Floats
    on_patch: Floats
    weight: Floats
    minutes: Floats
    places: tuple[int, int, int]

    def moved(self, own: Floats) -> tuple[Floats, Floats]:
        """Vector and nuisances with the run's own figures put in: float64[X], float64[W, 9]."""
        x, start = self.x.copy(), self.start.copy()
        x[list(self.places)] += own[:DRIFT]
        start[:, 3] += own[DRIFT] * self.minutes
        return x, start


def _set_up(sheet: CarSheet, result: FitResult, windows: Windows, run: int, size: float) -> _Run | None:
    """Cut one run out of all windows and let its nuisances settle; None when it has none that slides.

    `size` is the rolling radius of the run's tyres over that of the fit [1]: the same torque is another force at it.
    """
    mine = compact(subset(windows, np.flatnonzero(windows.run == run)))
    told = mine.episode >= 0
    if not told.any():
        return None
    count = len(mine)
    minutes = mine.time[mine.bounds[:, 2]] / 60.0
    # a problem of one compound and one run: the vector is the car's, and the run's grip
    zeros, compound = np.zeros(count, dtype=np.int64), int(mine.compound[0])
    alone = replace(
        mine, run=zeros, runs=(windows.runs[run],), compound=zeros, compounds=(windows.compounds[compound],)
    )
    problem = Problem(sheet, alone, {})
    physical = result.layout.n_physical
    problem.centre[:physical] = result.centre[:physical]
    grip, slip = _shared(result, windows, run, compound)
    x = np.append(result.x[:physical], grip)
    x[INDEX["slip_peak"]] += slip
    x[INDEX["rolling_radius_m"]] += np.log(size)
    one = _Run(
        problem, x, problem.begin(), np.full(count, 0.1), np.ones(count), minutes - float(minutes[told].mean()),
        (physical, INDEX["slip_peak"], INDEX[SHAPES[result.law]]),
    )  # fmt: skip
    for _ in range(SETTLING):
        _settle(one, np.zeros(N_OWN), result)
    return one


def _shared(result: FitResult, windows: Windows, run: int, compound: int) -> tuple[float, float]:
    """Log grip and log slip at the peak of a run in the fit, over the car's."""
    layout = result.layout
    grip, slip = (
        float(layout.compound_values(result.x[None], part)[0, compound])
        for part in (layout.grip, layout.slip)
    )
    # the fit may have taken the runs of a compound for one
    place = run if result.windows.runs == windows.runs else compound
    return grip + float(result.x[layout.runs][place]), slip


def _settle(run: _Run, own: Floats, result: FitResult) -> Floats:
    """Move the nuisances to where they follow best; tell patches from even ground and weigh the windows anew.

    Returns the errors' sensitivity to the nuisances, [W, n, 9].
    """
    problem = run.problem
    mean, sd = problem.start_prior(run.on_patch)
    errors, slope = problem.start_sensitivity(*run.moved(own))
    projection = Projection(slope, sd, problem.linear(), problem.linear_sd(), run.weight)
    stacked = projection.stack(errors, (run.start - mean) / sd)
    step = projection.shift(stacked)[:, :N_NUISANCE]
    run.start = run.start + np.clip(step, -LIMIT, LIMIT)
    run.start[:, :2] = np.maximum(run.start[:, :2], 0.5)
    run.start[:, 3] = np.clip(run.start[:, 3], -1.2, 0.4)
    data = np.maximum(1.0 / projection.covariance[:, 3, 3] - 1.0 / sd[:, 3] ** 2, 1e-6)
    run.on_patch = patch_probability(unpulled(run.start[:, 3], mean[:, 3], sd[:, 3], data), data**-0.5)
    run.on_patch[problem.rolling] = 0.0
    left = projection.apply(stacked)[:, :-TAIL] / projection.root
    misfit = (left**2).sum(axis=1) / np.maximum(problem.counts - TAIL, 1)
    noise = (problem.counts * misfit + SHRINK * result.scale) / (problem.counts + SHRINK)
    run.weight = 1.0 / (noise * result.memory)
    return slope


def _projected(run: _Run, own: Floats, slope: Floats) -> tuple[Floats, Floats]:
    """Errors and sensitivities to the four figures without what the nuisances explain: [W, n], [W, n, 4].

    `slope` is the errors' sensitivity to the nuisances.
    """
    problem = run.problem
    mean, sd = problem.start_prior(run.on_patch)
    projection = Projection(slope, sd, problem.linear(), problem.linear_sd(), run.weight)
    xs, starts = zip(run.moved(own), *(run.moved(own + row) for row in np.diag(STEPS)), strict=True)
    errors = problem.errors(np.array(xs), np.array(starts))
    slopes = np.moveaxis((errors[1:] - errors[0]) / STEPS[:, None, None], 0, -1)
    left = projection.apply(projection.stack(errors[0], (run.start - mean) / sd)) / MISMATCH
    return left, projection.apply(projection.stack_slope(slopes)) / MISMATCH


def _first_line(run: _Run) -> Floats:
    """Grip and drift to begin with: a robust line through the windows' own grip, which is taken out of them.

    Without it the dull end of a run that drifts much would pass for patches.
    """
    own = np.zeros(N_OWN)
    even = ~run.problem.rolling & (run.on_patch < SURELY_PATCH)
    if even.sum() < FEWEST_ON_LINE or np.ptp(run.minutes[even]) <= 0.0:
        return own
    slope, at_middle, *_ = stats.theilslopes(run.start[even, 3], run.minutes[even])
    own[DRIFT] = float(np.clip(slope, -REACH[DRIFT], REACH[DRIFT]))
    own[GRIP] = float(np.clip(at_middle, -REACH[GRIP], REACH[GRIP]))
    run.start[:, 3] -= own[GRIP] + own[DRIFT] * run.minutes
    return own


def _estimate(run: _Run, result: FitResult) -> tuple[Floats, Floats]:
    """The run's four figures about the shared fit, and their covariance, prior included: float64[4], float64[4, 4]."""
    own = _first_line(run)
    prior = np.diag(OWN_SD**-2)
    for turn in range(ROUNDS + 1):
        left, slope = _projected(run, own, _settle(run, own, result))
        flat = slope.reshape(-1, N_OWN)
        curvature = flat.T @ flat + prior
        step = -np.linalg.solve(curvature, flat.T @ left.ravel() + prior @ own)
        own = own + np.clip(step, -REACH, REACH) * (turn < ROUNDS)
    inverse = np.linalg.inv(curvature)
    # as in the fit of all runs: clusters tell how far episodes differ, and never less than the curvature
    windows = run.problem.windows
    alone = windows.episode.max() + 1 + np.arange(len(windows))
    _, cluster = np.unique(np.where(windows.episode >= 0, windows.episode, alone), return_inverse=True)
    scores = np.zeros((int(cluster.max()) + 1, N_OWN))
    np.add.at(scores, cluster, MISMATCH * np.einsum("wnx,wn->wx", slope, left))
    sandwich = inverse @ (scores.T @ scores + prior) @ inverse
    scale = np.sqrt(np.maximum(1.0, np.diag(inverse) / np.diag(sandwich)))
    covariance: Floats = sandwich * np.outer(scale, scale)
    return own, covariance


def _told(mean: float, variance: float, prior_sd: float) -> tuple[float, float]:
    """What the data alone said of a figure, and its standard error; NaN where that is next to nothing."""
    precision = 1.0 / variance - prior_sd**-2
    if precision < LEAST_TOLD * prior_sd**-2:
        return float("nan"), float("nan")
    return mean / variance / precision, precision**-0.5


def _fall_off(values: Floats, name: str, change: float, law: int) -> float:
    """Share of the peak's friction that is lost at `FAR` times its slip, the shape's logarithm changed [%]."""
    if not np.isfinite(change):
        return float("nan")
    changed = values.copy()
    changed[INDEX[name]] *= np.exp(change)
    shape = [float(changed[INDEX[one]]) for one in LAWS[law].shape_names]
    return 100.0 * (1.0 - float(LAWS[law].friction(np.array([FAR]), *shape)[0]))


def run_tyres(
    sheet: CarSheet,
    result: FitResult,
    windows: Windows | None = None,
    *,
    sizes: Sequence[float] | None = None,
    progress: Progress = silent,
) -> pd.DataFrame:
    """Peak friction, slip at peak, fall-off and drift of each run, each with its error.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    result : FitResult
        Fit of what its runs share.
    windows : Windows, optional
        All windows of the runs, where the fit took fewer; those of the fit if left out.
    sizes : sequence of float, optional
        Rolling radius of each run's driven tyres over that of the fit [1]; 1 if left out.
    progress : callable
        Told the stage and the share done.

    Returns
    -------
    DataFrame
        ``run``, ``compound``; ``log_mu``, ``se`` log peak friction as run [1]; ``peak_slip_pct`` slip at the peak at
        15 m/s [%], ``log_slip`` and ``log_slip_se`` its logarithm as a ratio [1]; ``fall_off_pct``, ``fall_off_se``
        friction lost at twice that slip over the peak's [%]; ``drift_pct_per_min``, ``drift_se`` change of grip
        within the run [%/min]; ``sliding_windows``. Errors leave out what all runs share. NaN where a run says
        nothing.
    """
    whole = result.windows if windows is None else windows
    rows = []
    for number in range(len(whole.runs)):
        rows.append(_row(sheet, result, whole, number, 1.0 if sizes is None else sizes[number]))
        progress("reading each run's tyre", (number + 1) / len(whole.runs))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _row(sheet: CarSheet, result: FitResult, windows: Windows, number: int, size: float) -> dict[str, object]:
    mine = windows.run == number
    row: dict[str, object] = dict.fromkeys(COLUMNS, float("nan"))
    row["run"], row["sliding_windows"] = windows.runs[number], int((mine & (windows.episode >= 0)).sum())
    compound = int(windows.compound[mine][0]) if mine.any() else 0
    row["compound"] = windows.compounds[compound]
    run = _set_up(sheet, result, windows, number, size)
    if run is None:
        return row
    own, covariance = _estimate(run, result)
    told = [
        _told(float(own[k]), float(covariance[k, k]), float(OWN_SD[k])) for k in (GRIP, SLIP, SHAPE, DRIFT)
    ]
    return row | _figures(sheet, result, _shared(result, windows, number, compound), told)


def _figures(
    sheet: CarSheet, result: FitResult, shared: tuple[float, float], told: list[tuple[float, float]]
) -> dict[str, object]:
    """What a run's own changes of the shared fit mean."""
    (grip, grip_se), (slip, slip_se), (shape, shape_se), (drift, drift_se) = told
    free = result.x[None, : result.layout.n_physical]
    draws = from_free(free)
    draws[:, INDEX["mu_peak"]] *= np.exp(shared[0] + grip)
    log_slip = float(np.log(draws[0, INDEX["slip_peak"]])) + shared[1] + slip
    name = SHAPES[result.law]
    fall = [_fall_off(from_free(free)[0], name, shape + k * shape_se, result.law) for k in (-0.5, 0.0, 0.5)]
    return {
        "log_mu": float(np.log(peak_as_run(car_rows(sheet, draws))[0])), "se": grip_se,
        "peak_slip_pct": 100.0 * float(np.exp(log_slip)), "log_slip": log_slip, "log_slip_se": slip_se,
        "fall_off_pct": fall[1], "fall_off_se": abs(fall[2] - fall[0]),
        "drift_pct_per_min": 100.0 * drift, "drift_se": 100.0 * drift_se,
    }  # fmt: skip
