"""What the plant predicts beside what was measured, with only the windows' own starts left free.

A plant is judged on windows of log that it may or may not have been fitted to: speeds at the window's start, its
patch of grip and the sensors' ripple are found for each window, the plant itself is held.
"""

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gridfit.plant.fit import SHRINK, FitResult
from gridfit.plant.projection import Projection
from gridfit.plant.residuals import Problem
from gridfit.plant.windows import Windows
from gridfit.simulate.parameters import Floats

ROUNDS = 8
"""Most linearisations of the windows' starts."""
SETTLED = 0.01
"""Starts have settled when no window's cost falls by more than this share in a round [1]."""
LARGEST_STEP_SD = 3.0
"""Largest step of a start in a round, in its prior's sd [1]."""
DRIVEN, UNDRIVEN, ENGINE = 0, 1, 2
"""Channels of the last axis but one."""


@dataclass(frozen=True, slots=True)
class Predictions:
    """Speeds of windows as measured and as predicted.

    Parameters
    ----------
    windows : Windows
        What was predicted.
    time : float64[W, L]
        Time of each sample in its run [s]; rows of short windows repeat their first sample.
    measured, predicted : float64[W, 3, L]
        Driven, undriven and engine speed at the wheels' rim [m/s]; the prediction holds the sensors' ripple.
    used : bool[W, 3, L]
        Samples that may be compared.
    cost : float64[W]
        Weighed squared errors of all channels and the pull on the window's starts, per sample [1].
    """

    windows: Windows
    time: Floats
    measured: Floats
    predicted: Floats
    used: NDArray[np.bool_]
    cost: Floats

    @property
    def error(self) -> Floats:
        """Predicted less measured: float64[W, 3, L] [m/s], NaN where a sample may not be compared."""
        result: Floats = np.where(self.used, self.predicted - self.measured, np.nan)
        return result

    def rms(self, channel: int = DRIVEN) -> Floats:
        """Root mean square error of each window: float64[W] [m/s], NaN where it has no sample."""
        count = self.used[:, channel].sum(axis=1)
        squares = np.nansum(self.error[:, channel] ** 2, axis=1)
        result: Floats = np.sqrt(np.where(count > 0, squares / np.maximum(count, 1), np.nan))
        return result

    def noise(self, channel: int = DRIVEN) -> Floats:
        """Noise of a channel in each window: float64[W] [m/s].

        From second differences of the errors by the median, which leave motion out, and at least what the fit took
        for the run: the noise of wheel speeds that are counted in teeth grows with speed.
        """
        error = self.error[:, channel]
        second = np.abs(error[:, 2:] - 2.0 * error[:, 1:-1] + error[:, :-2])
        known = np.isfinite(second).sum(axis=1) > 3
        spread = np.nanmedian(np.where(known[:, None], second, 0.0), axis=1) * 1.4826 / 6.0**0.5
        result: Floats = np.maximum(spread, self.windows.noise[:, channel])
        return result


def subset(windows: Windows, keep: NDArray[np.int64]) -> Windows:
    """Return some of the windows, runs and samples as they are.

    Parameters
    ----------
    windows : Windows
    keep : int64[V]
        Positions of the windows that stay.

    Returns
    -------
    Windows
    """
    count = len(windows)
    values = {item.name: getattr(windows, item.name) for item in fields(windows)}
    cut: dict[str, Any] = {
        name: value[keep]
        for name, value in values.items()
        if isinstance(value, np.ndarray) and value.shape[0] == count
    }
    return replace(windows, **cut)


def weights(problem: Problem, result: FitResult) -> Floats:
    """Weight of each window's squared errors, as the fit used it: float64[W] [1].

    Parameters
    ----------
    problem : Problem
        On the windows of the fit.
    result : FitResult
    """
    own = (problem.counts * result.misfit + SHRINK * result.scale) / (problem.counts + SHRINK)
    weight: Floats = 1.0 / (own * result.memory)
    return weight


class Starts:
    """Finds the starts of windows while the plant is held.

    Parameters
    ----------
    problem : Problem
        The windows; `begin` has been called.
    on_patch, weight : float64[W]
        How likely each window lies on a patch, and the weight of its squared errors [1].
    """

    def __init__(self, problem: Problem, on_patch: Floats, weight: Floats) -> None:
        self.problem, self.weight = problem, weight
        self.mean, self.sd = problem.start_prior(on_patch)
        self.linear = problem.linear()
        self.linear_sd = problem.linear_sd()
        rows = self.linear * np.sqrt(weight)[:, None, None]
        normal = rows.transpose(0, 2, 1) @ rows
        normal += self.linear_sd[:, :, None] ** -2 * np.eye(normal.shape[1])
        self._gain = np.linalg.solve(normal, (self.linear * weight[:, None, None]).transpose(0, 2, 1))

    def ripple(self, errors: Floats) -> Floats:
        """Amplitudes of the linear nuisances that best explain whitened errors[W, n]: float64[W, N_LINEAR]."""
        amplitude: Floats = -np.einsum("wkn,wn->wk", self._gain, errors)
        return amplitude

    def cost(self, errors: Floats, start: Floats) -> Floats:
        """Weighed squares of each window, ripple taken out, and of the priors' pull: float64[W] [1]."""
        amplitude = self.ripple(errors)
        left = errors + np.einsum("wnk,wk->wn", self.linear, amplitude)
        pull = ((start - self.mean) / self.sd) ** 2
        total: Floats = (
            self.weight * (left**2).sum(axis=1)
            + pull.sum(axis=1)
            + ((amplitude / self.linear_sd) ** 2).sum(axis=1)
        )
        return total

    def settle(self, x: Floats, start: Floats, rounds: int = ROUNDS) -> tuple[Floats, Floats]:
        """Find the starts for the plant x[X]; a window's step is taken only where it helps that window.

        Returns
        -------
        start : float64[W, N]
        errors : float64[W, n]
            Whitened, ripple not yet taken out.
        """
        n = start.shape[1]
        for _ in range(rounds):
            errors, slope = self.problem.start_sensitivity(x, start)
            projection = Projection(slope, self.sd, self.linear, self.linear_sd, self.weight)
            step = projection.shift(projection.stack(errors, (start - self.mean) / self.sd))[:, :n]
            limit = LARGEST_STEP_SD * self.sd
            start, gain = self._better(x, start, errors, np.clip(step, -limit, limit))
            if gain < SETTLED:
                break
        return start, self.problem.errors(x[None], start[None])[0]

    def _better(self, x: Floats, start: Floats, errors: Floats, step: Floats) -> tuple[Floats, float]:
        """Take a step in full, by a third or not at all, window by window; return also the largest gain [1]."""
        best, before = start.copy(), self.cost(errors, start)
        cost = before.copy()
        for share in (1.0 / 3.0, 1.0):
            tried = start + share * step
            tried[:, :2] = np.maximum(tried[:, :2], 0.5)
            new = self.cost(self.problem.errors(x[None], tried[None])[0], tried)
            helped = new < cost
            best[helped], cost[helped] = tried[helped], new[helped]
        return best, float(np.max(1.0 - cost / np.maximum(before, 1e-12), initial=0.0))


def _padded(windows: Windows) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Sample of each place in [W, L], and whether there is one; short windows repeat their first sample."""
    length = windows.bounds[:, 3] - windows.bounds[:, 2]
    place = np.arange(int(length.max()))
    inside = place < length[:, None]
    return np.where(inside, windows.bounds[:, [2]] + place, windows.bounds[:, [2]]), inside


def predictions(problem: Problem, x: Floats, on_patch: Floats, weight: Floats, start: Floats) -> Predictions:
    """Predict windows with the plant held and their starts free.

    Parameters
    ----------
    problem : Problem
        The windows; `begin` has been called.
    x : float64[X]
        The plant.
    on_patch, weight : float64[W]
        As in `Starts`.
    start : float64[W, N]
        Where the search for the starts begins.

    Returns
    -------
    Predictions
    """
    windows = problem.windows
    starts = Starts(problem, on_patch, weight)
    found, errors = starts.settle(x, start)
    index, inside = _padded(windows)
    measured = np.stack([s[index] for s in (windows.driven, windows.undriven, windows.engine)], axis=1)
    wheels, engine = inside & windows.used[index], inside & windows.engine_used[index]
    used = np.stack([wheels, wheels, engine], axis=1)
    ripple = np.einsum("wnk,wk->wn", starts.linear, starts.ripple(errors)).reshape(measured.shape)
    predicted = problem.predict(x[None], found[None])[0] + ripple * windows.noise[:, :, None]
    cost = starts.cost(errors, found) / np.maximum(problem.counts, 1)
    return Predictions(windows, windows.time[index], measured, predicted, used, cost)
