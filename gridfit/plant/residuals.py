"""Parameters and windows -> whitened prediction errors and their sensitivities, through the compiled plant.

Each window has four nuisances: both speeds at its start, the relaxed slip's lead, and its own grip. They are
profiled out by their linear sensitivities, so that a window neither trusts one noisy sample as its start nor
takes a damp patch for a worse tyre.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.plant.prior import prior_free
from gridfit.plant.windows import Windows
from gridfit.simulate.openloop import N_NUISANCE, predict
from gridfit.simulate.packing import gear_rows_of, pack
from gridfit.simulate.parameters import INDEX, NAMES, Floats, from_free

COMPOUND_SD = 0.15
"""Prior sd of a compound's log grip and log slip at peak against the first one's."""
RUN_SD = 0.03
"""Prior sd of a run's log grip: day, temperature, wear."""
WINDOW_SD = 0.03
"""Prior sd of a window's own log grip on an even surface."""
PATCH_MEAN, PATCH_SD, PATCH_SHARE = -0.35, 0.2, 0.3
"""Log grip on patches and kerbs, its sd, and the prior share of windows there."""
SLIP_LEAD_SD = 0.015
"""Prior sd of the relaxed slip's difference from the kinematic one at a window's start [1]."""
STEPS = np.array([0.05, 0.05, 0.004, 0.01])
"""Finite-difference steps of the nuisances."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Where each group of the fit's vector lies.

    Parameters
    ----------
    n_physical : int
        Plant parameters P, first in the vector.
    n_compounds, n_runs : int
        Compounds K and runs R.
    """

    n_physical: int
    n_compounds: int
    n_runs: int

    @property
    def size(self) -> int:
        """Length of the vector: P + 2 (K - 1) + R."""
        return self.n_physical + 2 * (self.n_compounds - 1) + self.n_runs

    @property
    def grip(self) -> slice:
        """Log grip of the compounds after the first."""
        return slice(self.n_physical, self.n_physical + self.n_compounds - 1)

    @property
    def slip(self) -> slice:
        """Log slip at peak of the compounds after the first."""
        return slice(self.grip.stop, self.grip.stop + self.n_compounds - 1)

    @property
    def runs(self) -> slice:
        """Log grip of the runs."""
        return slice(self.slip.stop, self.slip.stop + self.n_runs)

    def compound_values(self, x: Floats, part: slice) -> Floats:
        """Log values of all compounds, the first one's 0: x[B, X] -> float64[B, K]."""
        return np.concatenate([np.zeros((x.shape[0], 1)), x[:, part]], axis=1)


class Problem:
    """The fit of one car: its windows, its prior, and prediction errors at any parameters.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    windows : Windows
        Windows of all runs.
    fixed : dict of str to (float, float)
        Prior centre and sd (fit's scale) of parameters that were measured elsewhere, such as the speed factor.
    """

    def __init__(self, sheet: CarSheet, windows: Windows, fixed: dict[str, tuple[float, float]]) -> None:
        self.sheet, self.windows = sheet, windows
        self.layout = Layout(len(NAMES), len(windows.compounds), len(windows.runs))
        centre, width = prior_free(sheet)
        for name, (at, sd) in fixed.items():
            centre[INDEX[name]], width[INDEX[name]] = at, sd
        extra = self.layout.size - len(NAMES)
        self.centre = np.concatenate([centre, np.zeros(extra)])
        self.width = np.concatenate([width, np.full(extra, COMPOUND_SD)])
        self.width[self.layout.runs] = RUN_SD
        self._gear = gear_rows_of(windows.gear, len(sheet.gearbox.ratios))
        self._place()

    def _place(self) -> None:
        """Lay the windows' samples out in a padded array [W, L]."""
        w = self.windows
        length = w.bounds[:, 2] - w.bounds[:, 1]
        self._index = w.bounds[:, [1]] + np.arange(int(length.max()))
        self._mask = np.arange(self._index.shape[1]) < length[:, None]
        self._index = np.where(self._mask, self._index, w.bounds[:, [1]])
        self._mask &= w.used[self._index]
        measured = np.stack([w.driven[self._index], w.undriven[self._index]], axis=1)
        self._measured = measured
        self._weight = self._mask[:, None, :] / w.noise[:, :, None]
        self.counts = self._mask.sum(axis=1) * 2

    def grip(self, x: Floats) -> Floats:
        """Log grip of each window's run and compound: x[B, X] -> float64[B, W]."""
        by_compound = self.layout.compound_values(x, self.layout.grip)
        result: Floats = by_compound[:, self.windows.compound] + x[:, self.layout.runs][:, self.windows.run]
        return result

    def predict(self, x: Floats, start: Floats) -> Floats:
        """Predicted speeds of the windows: x[B, X], start[B, W, 4] -> float64[B, W, 2, L] [m/s]."""
        w = self.windows
        slips = self.layout.compound_values(x, self.layout.slip)
        out = np.empty((x.shape[0], len(w), 2, self._index.shape[1]))
        grip = self.grip(x)
        for c in range(len(w.compounds)):
            mine = np.flatnonzero(w.compound == c)
            values = from_free(x[:, : self.layout.n_physical])
            values[:, INDEX["slip_peak"]] *= np.exp(slips[:, c])
            rows = pack(self.sheet, values)
            speeds = predict(
                w.bounds[mine], self._gear[mine], w.time, w.throttle, w.cut, w.driven, w.lateral[mine],
                np.ascontiguousarray(grip[:, mine]), np.ascontiguousarray(start[:, mine]), rows.car, rows.gears,
                rows.friction, rows.torque, rows.rpm_step, self.sheet.engine.idle_rpm,
            )  # fmt: skip
            out[:, mine] = speeds[:, :, self._index[mine]].transpose(0, 2, 1, 3)
        return out

    def errors(self, x: Floats, start: Floats) -> Floats:
        """Whitened prediction errors: x[B, X], start[B, W, 4] -> float64[B, W, 2 L] [1]."""
        predicted = self.predict(x, start)
        whitened = (predicted - self._measured) * self._weight
        return np.clip(np.nan_to_num(whitened), -1e3, 1e3).reshape(x.shape[0], len(self.windows), -1)

    def first_start(self) -> Floats:
        """Nuisances to begin with, from a line through each window's first samples: float64[W, 4]."""
        w = self.windows
        n = min(6, self._index.shape[1])
        t = w.time[self._index[:, :n]] - w.time[self._index[:, :1]]
        start = np.zeros((len(w), N_NUISANCE))
        centred = t - t.mean(axis=1, keepdims=True)
        for axis in range(2):
            y = self._measured[:, axis, :n]
            slope = (centred * y).sum(axis=1) / (centred**2).sum(axis=1)
            start[:, axis] = np.maximum(y.mean(axis=1) - slope * t.mean(axis=1), 0.5)
        return start

    def start_errors(self, start: Floats, on_patch: Floats) -> Floats:
        """Whitened distance of the nuisances from their priors: float64[W, 4] [1]."""
        mean, sd = self.start_prior(on_patch)
        return (start - mean) / sd

    def start_prior(self, on_patch: Floats) -> tuple[Floats, Floats]:
        """Prior mean and sd of the nuisances, given how likely each window lies on a patch: float64[W, 4] each."""
        w = self.windows
        mean, sd = np.zeros((len(w), N_NUISANCE)), np.ones((len(w), N_NUISANCE))
        mean[:, :2] = self._first[:, :2]
        sd[:, :2] = 3.0 * w.noise
        sd[:, 2] = SLIP_LEAD_SD
        even, patch = (1.0 - on_patch) / WINDOW_SD**2, on_patch / PATCH_SD**2
        mean[:, 3] = patch * PATCH_MEAN / (even + patch)
        sd[:, 3] = (even + patch) ** -0.5
        return mean, sd

    def begin(self) -> Floats:
        """Keep the first nuisances as the centre of their prior, and return them."""
        self._first = self.first_start()
        return self._first.copy()

    def start_sensitivity(self, x: Floats, start: Floats) -> tuple[Floats, Floats]:
        """Errors at x[X], start[W, 4], and their sensitivity to the nuisances: [W, 2 L], [W, 2 L, 4]."""
        starts = np.repeat(start[None], N_NUISANCE + 1, axis=0)
        for i in range(N_NUISANCE):
            starts[i + 1, :, i] += STEPS[i]
        errors = self.errors(np.repeat(x[None], N_NUISANCE + 1, axis=0), starts)
        return errors[0], np.moveaxis((errors[1:] - errors[0]) / STEPS[:, None, None], 0, -1)

    def sensitivity(self, x: Floats, start: Floats) -> tuple[Floats, Floats]:
        """Errors at x[X], and their sensitivity to the vector: [W, 2 L], [W, 2 L, X]."""
        step = 0.05 * self.width
        xs = np.concatenate([x[None], x + np.diag(step)])
        errors = self.errors(xs, np.repeat(start[None], xs.shape[0], axis=0))
        return errors[0], np.moveaxis((errors[1:] - errors[0]) / step[:, None, None], 0, -1)


def patch_probability(log_grip: Floats, sd: Floats) -> Floats:
    """Probability that a window lies on a patch, from its own log grip and the error of that: float64[W].

    A window whose grip cannot be read (no slip) keeps little of the prior share.
    """
    even_var, patch_var = WINDOW_SD**2 + sd**2, PATCH_SD**2 + sd**2
    even = (1.0 - PATCH_SHARE) * np.exp(-0.5 * log_grip**2 / even_var) / np.sqrt(even_var)
    patch = PATCH_SHARE * np.exp(-0.5 * (log_grip - PATCH_MEAN) ** 2 / patch_var) / np.sqrt(patch_var)
    result: Floats = patch / (even + patch + 1e-300)
    return result
