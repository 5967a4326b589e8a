"""What each run says of the tyre: peak friction, slip at the peak, fall-off past it, and drift within the run.

The car is held at its fit, which all runs share; each run then has four figures of its own. Slip at the peak and the
curve's shape lean on what all runs share (a prior), so that a run that tells little of them does not spoil its own
peak friction; what is reported of them is what the run alone said. Errors are by episode, whose windows are alike.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.plant.fit import MISMATCH, SHRINK, FitResult
from gridfit.plant.posterior import run_compounds
from gridfit.plant.projection import Projection
from gridfit.plant.residuals import ROLLING_SLIP, Problem
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
ROUNDS = 3
"""Linearisations; the fit of all runs is close already."""
REACH = np.array([0.15, 0.3, 0.25, 0.15])
"""Largest change of each figure in one of them."""
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
    """One run's part of the fit.

    Parameters
    ----------
    problem : Problem
        Of its windows alone.
    x : float64[X]
        Fit of all runs, the compound's slip moved into the car's.
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


def _alone(windows: Windows, run: int) -> tuple[Windows, NDArray[np.bool_]]:
    """Windows of one run, and which they are."""
    mine = windows.run == run
    kept = {name: getattr(windows, name)[mine] for name in _PER_WINDOW}
    return replace(windows, **kept), mine


_PER_WINDOW = ("bounds", "gear", "run", "compound", "episode", "lateral", "noise")


def _set_up(sheet: CarSheet, result: FitResult, run: int) -> _Run | None:
    """Cut one run out of the fit; None when it has no window."""
    windows, mine = _alone(result.windows, run)
    if not mine.any():
        return None
    problem = Problem(sheet, windows, {})
    problem.centre, problem.width = result.centre, result.width
    problem.begin()
    samples = problem.counts
    noise = (samples * result.misfit[mine] + SHRINK * result.scale) / (samples + SHRINK)
    middle = result.windows.time[windows.bounds[:, 2]] / 60.0
    told = windows.episode >= 0
    layout = result.layout
    places = (layout.runs.start + run, INDEX["slip_peak"], INDEX[SHAPES[result.law]])
    return _Run(
        problem, result.x.copy(), result.start[mine].copy(), result.on_patch[mine],
        1.0 / (noise * result.memory), middle - float(np.mean(middle[told] if told.any() else middle)), places,
    )  # fmt: skip


def _projected(run: _Run, own: Floats) -> tuple[Floats, Floats]:
    """Errors and sensitivities to the four figures without what the nuisances explain: [W, n], [W, n, 4].

    The nuisances are moved to where they follow best.
    """
    problem = run.problem
    linear, linear_sd = problem.linear(), problem.linear_sd()
    mean, sd = problem.start_prior(run.on_patch)
    x, start = run.moved(own)
    errors, slope = problem.start_sensitivity(x, start)
    projection = Projection(slope, sd, linear, linear_sd, run.weight)
    step = projection.shift(projection.stack(errors, (run.start - mean) / sd))[:, :N_NUISANCE]
    limit = np.array([1.5, 1.0, 0.05, 0.25, 0.6, 0.8, 0.3, 0.1, 0.05])
    run.start = run.start + np.clip(step, -limit, limit)
    run.start[:, :2] = np.maximum(run.start[:, :2], 0.5)
    xs, starts = zip(run.moved(own), *(run.moved(own + row) for row in np.diag(STEPS)), strict=True)
    all_errors = problem.errors(np.array(xs), np.array(starts))
    slopes = np.moveaxis((all_errors[1:] - all_errors[0]) / STEPS[:, None, None], 0, -1)
    left = projection.apply(projection.stack(all_errors[0], (run.start - mean) / sd)) / MISMATCH
    return left, projection.apply(projection.stack_slope(slopes)) / MISMATCH


def _estimate(run: _Run) -> tuple[Floats, Floats]:
    """The run's four figures about the shared fit, and their covariance, prior included: float64[4], float64[4, 4]."""
    own = np.zeros(N_OWN)
    prior = np.diag(OWN_SD**-2)
    for _ in range(ROUNDS):
        left, slope = _projected(run, own)
        flat = slope.reshape(-1, N_OWN)
        curvature = flat.T @ flat + prior
        step = -np.linalg.solve(curvature, flat.T @ left.ravel() + prior @ own)
        own = own + np.clip(step, -REACH, REACH)
    left, slope = _projected(run, own)
    flat = slope.reshape(-1, N_OWN)
    inverse = np.linalg.inv(flat.T @ flat + prior)
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


def _fall_off(shape: float, other: float, law: int) -> float:
    """Share of the peak's friction that is lost at `FAR` times its slip [%]."""
    far = np.array([FAR])
    kept = LAWS[law].friction(far, shape, other) if law == 0 else LAWS[law].friction(far, shape)
    return 100.0 * (1.0 - float(kept[0]))


def run_tyres(sheet: CarSheet, result: FitResult) -> pd.DataFrame:
    """Peak friction, slip at peak, fall-off and drift of each run, each with its error.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    result : FitResult
        Fit of all its runs.

    Returns
    -------
    DataFrame
        ``run``, ``compound``; ``log_mu``, ``se`` log peak friction as run [1]; ``peak_slip_pct`` slip at the peak at
        15 m/s [%], ``log_slip`` and ``log_slip_se`` its logarithm [1]; ``fall_off_pct``, ``fall_off_se`` friction
        lost at twice that slip over the peak's [%]; ``drift_pct_per_min``, ``drift_se`` change of grip within the run
        [%/min]; ``sliding_windows``. Standard errors leave out what all runs share. NaN where a run says nothing.
    """
    compounds = run_compounds(result)
    rows = [_row(sheet, result, number, int(compounds[number])) for number in range(len(result.windows.runs))]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _row(sheet: CarSheet, result: FitResult, number: int, compound: int) -> dict[str, object]:
    windows, layout = result.windows, result.layout
    run = _set_up(sheet, result, number)
    sliding = int(((windows.run == number) & (windows.episode >= 0)).sum())
    row: dict[str, object] = dict.fromkeys(COLUMNS, float("nan"))
    row |= {"run": windows.runs[number], "compound": windows.compounds[compound], "sliding_windows": sliding}
    if run is None or not _slides(run):
        return row
    own, covariance = _estimate(run)
    sd = np.sqrt(np.diag(covariance))
    free = result.x[: layout.n_physical].copy()
    shared_slip = free[INDEX["slip_peak"]] + layout.compound_values(result.x[None], layout.slip)[0, compound]
    grip, grip_se = _told(float(own[GRIP]), float(sd[GRIP] ** 2), float(OWN_SD[GRIP]))
    slip, slip_se = _told(float(own[SLIP]), float(sd[SLIP] ** 2), float(OWN_SD[SLIP]))
    shape, shape_se = _told(float(own[SHAPE]), float(sd[SHAPE] ** 2), float(OWN_SD[SHAPE]))
    drift, drift_se = _told(float(own[DRIFT]), float(sd[DRIFT] ** 2), float(OWN_SD[DRIFT]))
    shift = layout.compound_values(result.x[None], layout.grip)[0, compound] + result.x[layout.runs][number]
    draws = from_free(free[None])
    draws[:, INDEX["mu_peak"]] *= np.exp(shift + grip)
    at = INDEX[SHAPES[result.law]]
    ends = [_fall_off(float(np.exp(free[at] + shape + k * shape_se)), float(free[INDEX["tyre_e"]]), result.law)
            for k in (-0.5, 0.0, 0.5)]  # fmt: skip
    return row | {
        "log_mu": float(np.log(peak_as_run(car_rows(sheet, draws))[0])), "se": grip_se,
        "peak_slip_pct": 100.0 * float(np.exp(shared_slip + slip)), "log_slip": shared_slip + slip,
        "log_slip_se": slip_se, "fall_off_pct": ends[1], "fall_off_se": abs(ends[2] - ends[0]),
        "drift_pct_per_min": 100.0 * drift, "drift_se": 100.0 * drift_se,
    }  # fmt: skip


def _slides(run: _Run) -> bool:
    """Whether any window of a run slides on even ground."""
    rolling = np.abs(run.start[:, 0] / np.maximum(run.start[:, 1], 1.0) - 1.0) < ROLLING_SLIP
    return bool((~rolling & (run.on_patch < 0.5)).any())
