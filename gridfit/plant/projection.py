"""Windows' nuisances taken out of their errors by linear projection, and the robust statistics beside it."""

import numpy as np

from gridfit.plant.residuals import N_LINEAR
from gridfit.simulate.openloop import N_NUISANCE
from gridfit.simulate.parameters import Floats

LIMIT = np.array([1.5, 1.0, 0.05, 0.25, 0.6, 0.8, 0.3, 0.1, 0.05])
"""Largest change of each nuisance from one linearisation to the next, in its unit."""
TAIL = N_NUISANCE + N_LINEAR
"""Rows that the nuisances' priors add to each window's errors."""


class Projection:
    """Removes from each window's errors what its nuisances explain."""

    def __init__(
        self, sensitivity: Floats, prior_sd: Floats, linear: Floats, linear_sd: Floats, weight: Floats
    ) -> None:
        w, n, _ = sensitivity.shape
        self.root = np.sqrt(weight)[:, None]
        sd = np.concatenate([prior_sd, linear_sd], axis=1)
        stacked = np.zeros((w, n + TAIL, TAIL))
        stacked[:, :n] = np.concatenate([sensitivity, linear], axis=2) * self.root[:, :, None]
        stacked[:, n:] = np.eye(TAIL) / sd[:, None, :]
        self.stacked = stacked
        self.covariance = np.linalg.inv(stacked.transpose(0, 2, 1) @ stacked)

    def shift(self, errors: Floats) -> Floats:
        """Best change of the nuisances for errors[W, n + 15]: float64[W, 15]."""
        slope = np.einsum("wnk,wn->wk", self.stacked, errors)
        change: Floats = -np.einsum("wkl,wl->wk", self.covariance, slope)
        return change

    def stack(self, errors: Floats, start: Floats) -> Floats:
        """Weigh errors[W, n] and append the nuisances' distance from their priors: float64[W, n + 15].

        Only the data are weighed: a window that the model cannot follow must not free its nuisances as well.
        """
        linear = np.zeros((errors.shape[0], N_LINEAR))
        return np.concatenate([errors * self.root, start, linear], axis=1)

    def stack_slope(self, slope: Floats) -> Floats:
        """Weigh sensitivities[W, n, X], to which the priors' rows add nothing: float64[W, n + 15, X]."""
        return np.concatenate(
            [slope * self.root[:, :, None], np.zeros((slope.shape[0], TAIL, slope.shape[2]))], axis=1
        )

    def apply(self, errors: Floats) -> Floats:
        """Errors [W, n + 15] or sensitivities [W, n + 15, X] without what the nuisances explain."""
        flat = errors if errors.ndim == 3 else errors[:, :, None]
        inner = self.covariance @ (self.stacked.transpose(0, 2, 1) @ flat)
        left: Floats = flat - self.stacked @ inner
        return left if errors.ndim == 3 else left[:, :, 0]


def densest(values: Floats) -> float:
    """Half-sample mode: middle of the densest half, of that its densest half, and so on.

    Source: Robertson and Cryer, J. Amer. Statist. Assoc. 69, 1974, 1012-1016 (from memory).
    """
    x = np.sort(values)
    while x.size > 2:
        half = -(-x.size // 2)
        first = int(np.argmin(x[half - 1 :] - x[: x.size - half + 1]))
        x = x[first : first + half]
    return float(x.mean())


def memory_of(left: Floats) -> float:
    """Samples that count as one, from the errors' correlation with the next sample [1].

    Prediction errors of a model that is not the car are alike from sample to sample (driveline twist, say):
    counted as independent they would overrule the car sheet with false certainty.
    """
    third = left.shape[1] // 3
    pairs = [(left[:, a : a + third - 1], left[:, a + 1 : a + third]) for a in (0, third, 2 * third)]
    both = np.array(
        [((x * y).sum(axis=1), np.sqrt((x**2).sum(axis=1) * (y**2).sum(axis=1))) for x, y in pairs]
    )
    rho = float(np.clip(np.median((both[:, 0] / np.maximum(both[:, 1], 1e-12))[both[:, 1] > 0.0]), 0.0, 0.97))
    return (1.0 + rho) / (1.0 - rho)


def unpulled(value: Floats, prior_mean: Floats, prior_sd: Floats, data_precision: Floats) -> Floats:
    """What the data alone said of a nuisance whose posterior value was pulled towards its prior."""
    prior_precision = prior_sd**-2
    alone = (value * (data_precision + prior_precision) - prior_mean * prior_precision) / data_precision
    result: Floats = np.clip(alone, -1.5, 1.0)
    return result
