"""Parameters and windows -> whitened prediction errors and their sensitivities, through the compiled plant.

Each window has nine nuisances: both speeds at its start, the relaxed slip's lead, its own grip and the change of it,
the shaft force and engine speed that the run-up left, lateral acceleration and resistance beyond what is known;
linearly, the scales of engine and driven axle and the once-per-turn ripple of both axles' sensors, whose frequency
lies where driveline twist would be looked for. They are profiled out by
their sensitivities, so that a window neither trusts one noisy sample as its start nor takes a damp patch for a
worse tyre.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.plant.directions import Directions, directions
from gridfit.plant.prior import prior_free
from gridfit.plant.windows import Windows
from gridfit.simulate.openloop import N_NUISANCE, predict
from gridfit.simulate.packing import gear_rows_of, pack
from gridfit.simulate.parameters import INDEX, MAX_GEARS, NAMES, Floats, from_free

CONSIDERED: tuple[str, ...] = (
    "mass_kg", "wheel_inertia_kgm2", "load_sensitivity", "relaxation_m",
    "cg_height_m", "load_lag_s", "cda_m2", "rolling", "rolling_radius_m", "driven_factor", "slip_per_mps",
    "mu_per_mps", "tyre_law", "throttle_early",
)  # fmt: skip
"""Parameters that speeds, throttle and cut alone cannot tell from faults of the model: left at their prior in the
fit, their spread carried through to the others (Schmidt's consider parameters)."""
COMPOUND_SD = 0.15
"""Prior sd of a compound's log grip and log slip at peak against the first one's."""
RUN_SD = 0.05
"""Prior sd of a run's log grip: day, temperature, wear."""
WINDOW_SD = 0.03
"""Prior sd of a window's own log grip on an even surface."""
ROLLING_SLIP, ROLLING_SD = 0.07, 0.3
"""Below this mean slip a window says nothing of peak friction: its log grip, there a stiffness, is left free [1]."""
PATCH_MEAN, PATCH_SD, PATCH_SHARE = -0.35, 0.2, 0.3
"""Log grip on patches and kerbs, its sd, and the prior share of windows there."""
START_NOISES = 15.0
"""Prior sd of both speeds at a window's start over their noise [1]: wide, since its centre comes from the same samples,
which would else count twice (inertia erred by a quarter of its standard deviation)."""
SLIP_LEAD_SD = 0.015
"""Prior sd of the relaxed slip's difference from the kinematic one at a window's start [1]."""
SHAFT_SD, SHAFT_OPEN_SD = 0.10, 1.0
"""Prior sd of the shaft force at a window's start over the static driven load: long after the clutch closed, and
what closing it adds [1]."""
ENGINE_SD, ENGINE_OPEN_SD = 0.10, 0.5
"""The same for the engine's speed over the wheels' [m/s]."""
JOINING_S = 0.12
"""Time over which the driveline forgets how the clutch closed [s]."""
RUNOUT_SD = 0.004
"""Prior sd of the once-per-turn ripple of a wheel speed over the speed itself: an eccentric tooth ring [1]."""
SCALE_SD = 0.003
"""Prior sd of the engine's speed at the rim over the wheels', from the rolling radius [1]."""
AXLE_SD, AXLE_CORNER_SD = 0.002, 0.008
"""Prior sd of the driven axle's speed scale over the undriven one's: what calibration leaves, and what unlike paths
of the axles add per g of lateral acceleration [1]."""
DRIFT_SD, DRIFT_PATCH_SD, ROLLING_DRIFT_SD = 0.03, 0.3, 0.02
"""Prior sd of the change of log grip over a window: on even ground, on patches, without slip."""
LATERAL_SD, LATERAL_SHARE = 0.005, 0.15
"""Prior sd of the lateral acceleration over g: fixed part, and share of itself."""
GRADE_SD, CORNERING_SD = 0.001, 0.03
"""Prior sd of a window's resistance beyond drag and rolling over the weight: grade of the road, and what tyres at a
slip angle add per g of lateral acceleration [1]."""
N_LINEAR = 6
"""Linear nuisances: sine and cosine for the driven and the undriven axle, engine scale, driven axle's scale."""
STEPS = np.array([0.05, 0.05, 0.004, 0.01, 0.01, 0.02, 0.02, 0.02, 0.01])
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
        self.free = np.flatnonzero(
            [i >= len(NAMES) or NAMES[i] not in CONSIDERED for i in range(self.layout.size)]
        )
        self._gear = gear_rows_of(windows.gear, len(sheet.gearbox.ratios))
        self._place()

    def _place(self) -> None:
        """Lay the windows' samples out in a padded array [W, L]."""
        w = self.windows
        length = w.bounds[:, 3] - w.bounds[:, 2]
        self._index = w.bounds[:, [2]] + np.arange(int(length.max()))
        self._mask = np.arange(self._index.shape[1]) < length[:, None]
        self._index = np.where(self._mask, self._index, w.bounds[:, [2]])
        wheels, engine = self._mask & w.used[self._index], self._mask & w.engine_used[self._index]
        self._measured = np.stack([s[self._index] for s in (w.driven, w.undriven, w.engine)], axis=1)
        self._weight = np.stack([wheels, wheels, engine], axis=1) / w.noise[:, :, None]
        slip = (self._measured[:, 0] / np.maximum(self._measured[:, 1], 1.0) - 1.0) * wheels
        self.rolling = slip.sum(axis=1) / np.maximum(wheels.sum(axis=1), 1) < ROLLING_SLIP
        self.counts = 2 * wheels.sum(axis=1) + engine.sum(axis=1)

    def linear(self) -> Floats:
        """Whitened ripple of each axle, and engine scale, for unit amplitude: float64[W, 3 L, N_LINEAR]."""
        w = self.windows
        shape = (len(w), 3, self._index.shape[1])
        radius = float(np.exp(self.centre[INDEX["rolling_radius_m"]]))
        time = w.time[self._index]
        columns = np.zeros((*shape, N_LINEAR))
        for axis in range(2):
            speed = self._measured[:, axis]
            travel = np.cumsum(np.diff(time, axis=1, prepend=time[:, :1]) * speed, axis=1)
            columns[:, axis, :, 2 * axis] = speed * np.sin(travel / radius)
            columns[:, axis, :, 2 * axis + 1] = speed * np.cos(travel / radius)
        columns[:, 2, :, 4] = self._measured[:, 2]
        columns[:, 0, :, 5] = self._measured[:, 0]
        result: Floats = (columns * self._weight[:, :, :, None]).reshape(len(w), -1, N_LINEAR)
        return result

    def linear_sd(self) -> Floats:
        """Prior sd of the linear nuisances: float64[W, N_LINEAR]."""
        sd = np.tile([RUNOUT_SD] * 4 + [SCALE_SD, AXLE_SD], (len(self.windows), 1))
        sd[:, 5] += AXLE_CORNER_SD * self.windows.lateral
        return sd

    def grip(self, x: Floats) -> Floats:
        """Log grip of each window's run and compound: x[B, X] -> float64[B, W]."""
        by_compound = self.layout.compound_values(x, self.layout.grip)
        result: Floats = by_compound[:, self.windows.compound] + x[:, self.layout.runs][:, self.windows.run]
        return result

    def predict(self, x: Floats, start: Floats) -> Floats:
        """Predicted speeds of the windows: x[B, X], start[B, W, 9] -> float64[B, W, 3, L] [m/s]."""
        w = self.windows
        slips = self.layout.compound_values(x, self.layout.slip)
        out = np.empty((x.shape[0], len(w), 3, self._index.shape[1]))
        grip = self.grip(x)
        for c in range(len(w.compounds)):
            mine = np.flatnonzero(w.compound == c)
            values = from_free(x[:, : self.layout.n_physical])
            values[:, INDEX["slip_peak"]] *= np.exp(slips[:, c])
            rows = pack(self.sheet, values)
            speeds = predict(
                w.bounds[mine], self._gear[mine], w.time, w.throttle, w.cut, w.engine, w.driven, w.late_s[mine],
                w.lateral[mine], np.ascontiguousarray(grip[:, mine]), np.ascontiguousarray(start[:, mine]), rows.car,
                rows.gears, rows.friction, rows.torque, rows.rpm_step, self.sheet.engine.idle_rpm, out.shape[3],
            )  # fmt: skip
            out[:, mine] = speeds
        return out

    def errors(self, x: Floats, start: Floats) -> Floats:
        """Whitened prediction errors: x[B, X], start[B, W, 9] -> float64[B, W, 3 L] [1]."""
        predicted = self.predict(x, start)
        whitened = (predicted - self._measured) * self._weight
        kept: Floats = np.clip(np.nan_to_num(whitened), -1e3, 1e3)
        return kept.reshape(x.shape[0], len(self.windows), -1)

    def first_start(self) -> Floats:
        """Nuisances to begin with, from a line through each window's first samples: float64[W, 9]."""
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

    def start_prior(self, on_patch: Floats) -> tuple[Floats, Floats]:
        """Prior mean and sd of the nuisances, given how likely each window lies on a patch: float64[W, 9] each."""
        w = self.windows
        mean, sd = np.zeros((len(w), N_NUISANCE)), np.ones((len(w), N_NUISANCE))
        mean[:, :2] = self._first[:, :2]
        sd[:, :2] = START_NOISES * w.noise[:, :2]
        fresh = np.exp(-(w.time[w.bounds[:, 2]] - w.time[w.bounds[:, 1]]) / JOINING_S)
        sd[:, 2] = SLIP_LEAD_SD
        sd[:, 4] = SHAFT_SD + SHAFT_OPEN_SD * fresh
        sd[:, 5] = ENGINE_SD + ENGINE_OPEN_SD * fresh
        sd[:, 6] = np.where(self.rolling, ROLLING_DRIFT_SD, DRIFT_SD + (DRIFT_PATCH_SD - DRIFT_SD) * on_patch)
        sd[:, 7] = LATERAL_SD + LATERAL_SHARE * w.lateral
        sd[:, 8] = GRADE_SD + CORNERING_SD * w.lateral
        even, patch = (1.0 - on_patch) / WINDOW_SD**2, on_patch / PATCH_SD**2
        mean[:, 3] = patch * PATCH_MEAN / (even + patch)
        sd[:, 3] = (even + patch) ** -0.5
        mean[self.rolling, 3], sd[self.rolling, 3] = 0.0, ROLLING_SD
        return mean, sd

    def begin(self) -> Floats:
        """Keep the first nuisances as the centre of their prior, and return them."""
        self._first = self.first_start()
        return self._first.copy()

    def start_sensitivity(self, x: Floats, start: Floats) -> tuple[Floats, Floats]:
        """Errors at x[X], start[W, 9], and their sensitivity to the nuisances: [W, 3 L], [W, 3 L, 9]."""
        starts = np.repeat(start[None], N_NUISANCE + 1, axis=0)
        for i in range(N_NUISANCE):
            starts[i + 1, :, i] += STEPS[i]
        errors = self.errors(np.repeat(x[None], N_NUISANCE + 1, axis=0), starts)
        return errors[0], np.moveaxis((errors[1:] - errors[0]) / STEPS[:, None, None], 0, -1)

    def directions(self, entries: NDArray[np.int64] | None = None) -> Directions:
        """Directions in which the vector is varied for some of its entries (all, unless told)."""
        w, layout = self.windows, self.layout
        wanted = np.arange(layout.size) if entries is None else entries
        return directions(
            wanted, [(INDEX["inertia_factor_1"], self._gear), (layout.grip.start, w.compound - 1),
                     (layout.slip.start, w.compound - 1), (layout.runs.start, w.run)],
            [MAX_GEARS, len(w.compounds) - 1, len(w.compounds) - 1, len(w.runs)], layout.size,
        )  # fmt: skip

    def sensitivity(self, x: Floats, start: Floats, ways: Directions) -> tuple[Floats, Floats]:
        """Errors at x[X], and their sensitivity along C directions: [W, 3 L], [W, 3 L, C].

        A window's sensitivity along a direction is that to the entry of the vector that the direction is to it.
        """
        step = 0.05 * self.width
        xs = np.concatenate([x[None], x + ways.moves * step])
        errors = self.errors(xs, np.repeat(start[None], xs.shape[0], axis=0))
        slope = np.moveaxis(errors[1:] - errors[0], 0, -1)
        slope *= (ways.known / step[ways.entry])[:, None, :]
        return errors[0], slope


def patch_probability(log_grip: Floats, sd: Floats) -> Floats:
    """Probability that a window lies on a patch, from its own log grip and the error of that: float64[W].

    A window whose grip cannot be read (no slip) keeps little of the prior share.
    """
    even_var, patch_var = WINDOW_SD**2 + sd**2, PATCH_SD**2 + sd**2
    even = (1.0 - PATCH_SHARE) * np.exp(-0.5 * log_grip**2 / even_var) / np.sqrt(even_var)
    patch = PATCH_SHARE * np.exp(-0.5 * (log_grip - PATCH_MEAN) ** 2 / patch_var) / np.sqrt(patch_var)
    result: Floats = patch / (even + patch + 1e-300)
    return result
