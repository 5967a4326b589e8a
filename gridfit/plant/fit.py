"""Maximum a posteriori fit of the plant to windows of log: multiple shooting with profiled nuisances.

Outer loop: linearise the nuisances (window starts and grip), weigh windows by how well the model can follow them
at all, and tell patches from even ground. Inner loop: scipy's least_squares on the projected errors and the prior.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.errors import FitError
from gridfit.plant.leastsquares import MISMATCH, improve
from gridfit.plant.projection import LIMIT, TAIL, Projection, densest, memory_of, unpulled
from gridfit.plant.residuals import Layout, Problem, patch_probability
from gridfit.plant.windows import Windows
from gridfit.simulate.openloop import N_NUISANCE as N_START
from gridfit.simulate.parameters import INDEX, Floats

OUTER = 10
"""Most linearisations of the nuisances."""
MOST_PATCHES = 0.55
"""Share of sliding windows on patches above which the grip of even ground is found anew [1]."""
SHRINK = 20.0
"""Samples' worth of the median variance in each window's own [1]."""
FEW_CLUSTERS = 8
"""Gears of runs below which episodes are the clusters."""
SETTLED = 0.03
"""The fit has settled when no parameter moves by more than this share of its prior sd [1]."""

Progress = Callable[[str, float], None]


def silent(stage: str, share: float) -> None:
    """Take no notice of progress."""


@dataclass(frozen=True, slots=True)
class FitResult:
    """Where the fit ended, and the curvature there.

    Parameters
    ----------
    x : float64[X]
        Vector on the fit's scale, laid out as `layout` says.
    centre, width : float64[X]
        Its prior.
    hessian : float64[X, X]
        Curvature of the objective, prior included; the data's part over `MISMATCH` squared.
    scores : float64[Q, X]
        Gradient of each cluster of windows (a gear of a run), over `MISMATCH`.
    layout : Layout
        Meaning of the vector.
    windows : Windows
        What was fitted.
    start : float64[W, 9]
        Nuisances of each window.
    on_patch : float64[W]
        Probability that a window lies on a patch [1].
    misfit : float64[W]
        Mean squared whitened error of each window after the fit [1].
    scale : float
        Median of these: how far prediction errors exceed the sensors' noise [1].
    memory : float
        Samples that count as one, since neighbouring errors are alike [1].
    rounds : int
        Outer rounds used.
    settled : bool
        Whether the last round moved nothing to speak of.
    law : int
        Tyre law that was fitted, counted as in `gridfit.tyrelaws.LAWS`.
    log_likelihood : float
        Of data and priors at the fit, up to a constant that all laws share.
    """

    x: Floats
    centre: Floats
    width: Floats
    hessian: Floats
    scores: Floats
    layout: Layout
    windows: Windows
    start: Floats
    on_patch: Floats
    misfit: Floats
    scale: float
    memory: float
    rounds: int
    settled: bool
    law: int
    log_likelihood: float


@dataclass(slots=True)
class _State:
    """What the outer loop carries from round to round."""

    x: Floats
    start: Floats
    on_patch: Floats
    weight: Floats
    misfit: Floats
    scale: float
    memory: float = 1.0


def _linearise(problem: Problem, state: _State) -> Projection:
    """Linearise the nuisances at the state; update them, the patch probabilities and the weights."""
    linear, linear_sd = problem.linear(), problem.linear_sd()
    for _ in range(2):
        errors, slope = problem.start_sensitivity(state.x, state.start)
        mean, sd = problem.start_prior(state.on_patch)
        projection = Projection(slope, sd, linear, linear_sd, state.weight)
        step = projection.shift(projection.stack(errors, (state.start - mean) / sd))[:, :N_START]
        state.start = state.start + np.clip(step, -LIMIT, LIMIT)
        state.start[:, :2] = np.maximum(state.start[:, :2], 0.5)
        state.start[:, 3] = np.clip(state.start[:, 3], -1.2, 0.4)
        data_only = np.maximum(1.0 / projection.covariance[:, 3, 3] - 1.0 / sd[:, 3] ** 2, 1e-6)
        state.on_patch = patch_probability(
            unpulled(state.start[:, 3], mean[:, 3], sd[:, 3], data_only), data_only**-0.5
        )
        state.on_patch[problem.rolling] = 0.0
        _recentre(problem, state)
    errors, slope = problem.start_sensitivity(state.x, state.start)
    mean, sd = problem.start_prior(state.on_patch)
    projection = Projection(slope, sd, linear, linear_sd, state.weight)
    left = projection.apply(projection.stack(errors, (state.start - mean) / sd))[:, :-TAIL] / projection.root
    state.misfit = (left**2).sum(axis=1) / np.maximum(problem.counts - TAIL, 1)
    state.scale = max(float(np.median(state.misfit)), 0.3)
    state.memory = memory_of(left)
    # each window's own variance, shrunk a little towards the median of all: noise grows with speed, and
    # a window that the model cannot follow says little
    samples = problem.counts
    own = (samples * state.misfit + SHRINK * state.scale) / (samples + SHRINK)
    state.weight = 1.0 / (own * state.memory)
    return Projection(slope, sd, linear, linear_sd, state.weight)


def _recentre(problem: Problem, state: _State) -> None:
    """Give even ground its name back where most sliding windows came to be taken for patches.

    Either reading fits: a grippy tyre on patches, or a duller tyre on even ground. A car slides on even ground
    more often than not, so the second is taken.
    """
    sliding = ~problem.rolling
    if sliding.sum() < 5 or state.on_patch[sliding].mean() < MOST_PATCHES:
        return
    shift = densest(state.start[sliding, 3])
    state.x[INDEX["mu_peak"]] += shift
    state.start[sliding, 3] -= shift
    state.on_patch[sliding] = 0.1


def _first_state(problem: Problem, begin: FitResult | None) -> _State:
    """Where the outer loop begins: the prior's centre, or another law's fit."""
    n = len(problem.windows)
    state = _State(problem.centre.copy(), problem.begin(), np.full(n, 0.1), np.ones(n), np.ones(n), 1.0)
    if begin is not None:
        law = state.x[INDEX["tyre_law"]]
        state.x, state.start, state.on_patch = begin.x.copy(), begin.start.copy(), begin.on_patch.copy()
        state.x[INDEX["tyre_law"]] = law
    return state


def _log_likelihood(problem: Problem, state: _State) -> float:
    """Log likelihood of data and priors, each window's own noise taken at its best."""
    mean, sd = problem.start_prior(state.on_patch)
    data = problem.counts / state.memory * np.log(np.maximum(state.misfit, 1e-6))
    prior = ((state.x - problem.centre) / problem.width)[problem.free]
    return float(-0.5 * (data.sum() + (((state.start - mean) / sd) ** 2).sum() + (prior**2).sum()))


def _curvature(problem: Problem, state: _State) -> tuple[Floats, Floats]:
    """Curvature [X, X] and clusters' gradients [Q, X] at the state, the data weighed against the prior.

    The gradients are over `MISMATCH` once, not twice: they tell how far clusters differ, and faults of the model
    widen that.
    """
    projection = _linearise(problem, state)
    mean, sd = problem.start_prior(state.on_patch)
    ways = problem.directions()
    errors, slope = problem.sensitivity(state.x, state.start, ways)
    left = projection.apply(projection.stack(errors, (state.start - mean) / sd))
    slope = projection.apply(projection.stack_slope(slope))
    per_window = np.einsum("wnc,wn->wc", slope, left) / MISMATCH
    clusters = _clusters(problem.windows)
    scores = ways.spread(per_window, clusters, int(clusters.max()) + 1)
    return ways.gather(slope) / MISMATCH**2 + np.diag(problem.width**-2), scores


def _clusters(windows: Windows) -> NDArray[np.int64]:
    """Cluster of each window, its run and gear: int64[W], counted from 0.

    What a model gets wrong (a bend of the torque curve, part throttle, a lag) it gets wrong alike in a gear of a
    run, over all of its episodes. Where there are few of these, each episode, or window without one, is a cluster.
    """
    both = np.stack([windows.run, windows.gear], axis=1)
    unique, numbers = np.unique(both, axis=0, return_inverse=True)
    if len(unique) < FEW_CLUSTERS:
        alone = windows.episode.max() + 1 + np.arange(len(windows))
        _, numbers = np.unique(np.where(windows.episode >= 0, windows.episode, alone), return_inverse=True)
    return numbers.ravel().astype(np.int64)


def fit(
    sheet: CarSheet,
    windows: Windows,
    fixed: dict[str, tuple[float, float]],
    *,
    law: int = 0,
    begin: FitResult | None = None,
    progress: Progress = silent,
) -> FitResult:
    """Fit a car's plant to its windows.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    windows : Windows
        From `gridfit.plant.windows.build`.
    fixed : dict of str to (float, float)
        Parameters measured elsewhere: centre and sd on the fit's scale.
    law : int
        Tyre law, counted as in `gridfit.tyrelaws.LAWS`.
    begin : FitResult, optional
        Fit of the same windows under another law, to begin from.
    progress : callable
        Told the stage and the share done.

    Returns
    -------
    FitResult

    Raises
    ------
    FitError
        If the fit runs away to values that are not numbers.
    """
    problem = Problem(sheet, windows, fixed)
    problem.centre[INDEX["tyre_law"]] = law
    state = _first_state(problem, begin)
    settled, used = False, 0
    for used in range(1, OUTER + 1):
        projection = _linearise(problem, state)
        x = improve(problem, state.x, state.start, state.on_patch, projection)
        moved = float(np.max(np.abs(x - state.x) / problem.width))
        state.x = x
        progress("fitting the plant", used / OUTER)
        if not np.all(np.isfinite(x)):
            raise FitError.of(
                where=", ".join(windows.runs),
                what="the fit ran away",
                value=f"{int((~np.isfinite(x)).sum())} parameters that are not numbers in round {used}",
                allowed="finite parameters",
                remedy="Run `gridfit inspect` on these logs: a wrong unit or a mis-scaled channel is the usual cause.",
            )
        if used > 3 and moved < SETTLED:
            settled = True
            break
    hessian, scores = _curvature(problem, state)
    return FitResult(
        state.x, problem.centre, problem.width, hessian, scores, problem.layout, windows, state.start,
        state.on_patch, state.misfit, state.scale, state.memory, used, settled, law, _log_likelihood(problem, state),
    )  # fmt: skip
