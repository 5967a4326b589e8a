"""Wheel-speed factor: driven over undriven speed when rolling free, and the rolling radius it goes with.

Stretches of steady driving without brake give one point each: ratio of the speeds against the force that the
driven wheels carry, over mass. A robust line through them meets zero force at the factor.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from sklearn.linear_model import HuberRegressor

from gridfit.carsheet import CarSheet
from gridfit.driveline import ROLLING_RESISTANCE, drag_force_n
from gridfit.estimate import Estimate
from gridfit.signals import filters
from gridfit.signals.filters import Bools, Floats, Ints
from gridfit.units import GRAVITY_MPS2

BLOCK_S = 0.6
"""Length of a point [s]."""

SLOWEST_MPS = 8.0
"""Slower points are left out [m/s]."""

STEADY_THROTTLE = 0.03
"""Largest standard deviation of the throttle within a point [1]."""

GENTLE_MPS2 = (1.0, 2.0, 3.5)
"""Limits of force over mass, tried in turn until there are enough points [m/s2]."""

LIGHT_THROTTLE = 0.3
"""Largest mean throttle of a point [1]."""

ENOUGH_POINTS = 25
"""Points that make a fit worth trusting [1]."""

FEWEST_POINTS = 6
"""Below this the factor is taken as 1 [1]."""

SLIP_PER_MPS2 = 0.01
"""Slip per force over mass of a car with one driven axle [s2/m]: 1/(share 0.5 x stiffness 20 x g).

Common practice, no source; the fit moves it."""

SLOPE_RIDGE = 0.5
"""Weight of that slope in the fit, in points [1]."""

UNKNOWN_SD = 0.012
"""Standard deviation of the factor when nothing is known: tyre sizes and wear [1]."""

SYSTEMATIC_SD = 0.0012
"""What no number of points removes: unequal tyre growth, tread and slip at rest [1]. Judgement."""

CLUSTER_S = 20.0
"""Points within this time share their errors [s]."""

HUBER_EPSILON = 1.35
"""Where the loss turns linear, in standard deviations; 95 % efficient (Huber, Robust Statistics, 1981)."""


@dataclass(frozen=True, slots=True)
class Points:
    """Steady stretches of a run.

    Parameters
    ----------
    ratio_log : float64[B]
        Logarithm of driven over undriven speed [1].
    force_mps2 : float64[B]
        Force of the driven axle over mass [m/s2].
    force_sd_mps2 : float64[B]
        Its error from speed noise [m/s2].
    bend : float64[B]
        Squared path curvature [1/m2], or squared steering angle [rad2] where only that is known; else 0.
    curved : bool
        Whether `bend` is a curvature.
    throttle : float64[B]
        Mean [1].
    cluster : int64[B]
        Which points share errors.
    """

    ratio_log: Floats
    force_mps2: Floats
    force_sd_mps2: Floats
    bend: Floats
    curved: bool
    throttle: Floats
    cluster: Ints


@dataclass(frozen=True, slots=True)
class Calibration:
    """Factor of a car, run by run.

    Parameters
    ----------
    factors : tuple of Estimate
        Driven over undriven wheel speed when rolling free, one per run [1].
    points : tuple of int
        Points used, one per run.
    slope_s2pm : float
        Slip per force over mass [s2/m].
    spread : float
        Standard deviation of the factor between runs beyond its error [1].
    """

    factors: tuple[Estimate, ...]
    points: tuple[int, ...]
    slope_s2pm: float
    spread: float


def points(
    time_s: Floats,
    v_u_mps: Floats,
    v_d_mps: Floats,
    throttle: Floats,
    usable: Bools,
    bend: Floats,
    sd_mps: float,
    sheet: CarSheet,
    *,
    curved: bool,
) -> Points:
    """Cut a run into steady stretches.

    Parameters
    ----------
    time_s, v_u_mps, v_d_mps, throttle : float64[S]
        Clock [s], undriven and driven speed, not calibrated [m/s], throttle 0 to 1 (NaN where unknown).
    usable : bool[S]
        No brake, no shift, no fault.
    bend : float64[S]
        Curvature [1/m] or steering angle [rad]; NaN where unknown.
    sd_mps : float
        Noise of the undriven speed [m/s].
    sheet : CarSheet
    curved : bool
        Whether `bend` is a curvature.

    Returns
    -------
    Points
    """
    size = max(4, round(BLOCK_S / float(np.median(np.diff(time_s)))))
    count = time_s.size // size

    def blocks(values: Floats) -> Floats:
        return values[: count * size].reshape(count, size)

    clock = blocks(time_s)
    centred = clock - clock.mean(axis=1, keepdims=True)
    moment = np.maximum((centred**2).sum(axis=1), 1e-9)
    speed = blocks(v_u_mps).mean(axis=1)
    driven = blocks(v_d_mps).mean(axis=1)
    slope = (centred * blocks(v_u_mps)).sum(axis=1) / moment
    drag = drag_force_n(speed, sheet.car.cda_m2) / sheet.car.mass_kg
    force = slope + drag + ROLLING_RESISTANCE * GRAVITY_MPS2
    pedal = blocks(np.nan_to_num(throttle, nan=0.0))
    keep = blocks(usable.astype(np.float64)).all(axis=1) & (speed > SLOWEST_MPS) & (driven > SLOWEST_MPS / 2)
    keep &= (clock[:, -1] - clock[:, 0] < 1.5 * BLOCK_S) & (pedal.std(axis=1) < STEADY_THROTTLE)
    ratio = np.log(np.maximum(driven, 0.1) / np.maximum(speed, 0.1))
    turned = np.nan_to_num(blocks(bend).mean(axis=1), nan=0.0) ** 2
    cluster = (clock[:, 0] // CLUSTER_S).astype(np.int64)
    noise = sd_mps / np.sqrt(moment)
    return Points(
        ratio[keep], force[keep], noise[keep], turned[keep], curved, pedal.mean(axis=1)[keep], cluster[keep]
    )


def fit(runs: Sequence[Points], sheet: CarSheet) -> Calibration:
    """Find the factor of every run of a car.

    One slope holds for all runs. Runs share their factor as far as they agree: each is drawn to the mean in
    proportion to its error against the spread between runs (random effects, DerSimonian and Laird 1986).

    Parameters
    ----------
    runs : sequence of Points
        One per run.
    sheet : CarSheet

    Returns
    -------
    Calibration
    """
    chosen = _gentle(runs)
    used = [int(keep.sum()) for keep in chosen]
    if sum(used) < FEWEST_POINTS:
        unknown = Estimate.from_mean_sd(1.0, UNKNOWN_SD)
        return Calibration((unknown,) * len(runs), tuple(used), SLIP_PER_MPS2, 0.0)
    design, rest = _design(runs, chosen, sheet)
    model = HuberRegressor(epsilon=HUBER_EPSILON, alpha=SLOPE_RIDGE, max_iter=2000).fit(design, 100.0 * rest)
    level = rest - design @ model.coef_ / 100.0
    means, errors = [], []
    start = 0
    for run, keep, count in zip(runs, chosen, used, strict=True):
        mean, error = _level(level[start : start + count], run.cluster[keep])
        means.append(mean)
        errors.append(error)
        start += count
    shrunk, spread = _random_effects(np.array(means), np.array(errors))
    slope = SLIP_PER_MPS2 + float(model.coef_[0]) / 100.0
    factors = tuple(_as_factor(mean, float(np.hypot(sd, SYSTEMATIC_SD))) for mean, sd in shrunk)
    return Calibration(factors, tuple(used), slope, spread)


def _as_factor(level: float, sd: float) -> Estimate:
    factor = float(np.exp(level))
    return Estimate.from_mean_sd(factor, factor * sd)


def _gentle(runs: Sequence[Points]) -> list[Bools]:
    """Return which points to use: the gentlest limit that leaves enough of them."""
    chosen: list[Bools] = []
    for limit in GENTLE_MPS2:
        chosen = [(np.abs(r.force_mps2) < limit) & (r.throttle < LIGHT_THROTTLE) for r in runs]
        if sum(int(keep.sum()) for keep in chosen) >= ENOUGH_POINTS:
            break
    return chosen


def _design(runs: Sequence[Points], chosen: Sequence[Bools], sheet: CarSheet) -> tuple[Floats, Floats]:
    """Return the columns of the line and what they are to explain beyond the usual slope and the bend.

    In a bend the rear axle runs inside the front one, by the factor 1 - (wheelbase x curvature)^2/2 (from
    geometry, small slip angles). A steering angle stands for curvature up to a factor, which is fitted.
    """
    force = np.concatenate([r.force_mps2[keep] for r, keep in zip(runs, chosen, strict=True)])
    noise = np.concatenate([r.force_sd_mps2[keep] for r, keep in zip(runs, chosen, strict=True)])
    ratio = np.concatenate([r.ratio_log[keep] for r, keep in zip(runs, chosen, strict=True)])
    bend = np.concatenate([r.bend[keep] for r, keep in zip(runs, chosen, strict=True)])
    # Noise in the abscissa flattens a line; the expectation of the true force given the noisy one does not.
    spread = max(float(np.var(force)), 1e-6)
    trust = float(np.clip(1.0 - float(np.mean(noise**2)) / spread, 0.2, 1.0))
    force = force.mean() + trust * (force - force.mean())
    rest = ratio - SLIP_PER_MPS2 * force
    if all(r.curved for r in runs):
        side = 1.0 if sheet.driven == "front" else -1.0
        rest = rest - side * 0.5 * sheet.car.wheelbase_m**2 * bend
        return force[:, None], rest
    scale = float(np.median(bend))
    if scale <= 0.0:
        return force[:, None], rest
    return np.column_stack([force, np.minimum(bend / scale, 10.0)]), rest


def _level(values: Floats, cluster: Ints) -> tuple[float, float]:
    """Return a robust mean and its error, from the means of clusters."""
    if values.size == 0:
        return 0.0, float("inf")
    centre = float(np.median(values))
    scale = filters.MAD_TO_SD * float(np.median(np.abs(values - centre))) + 1e-6
    for _ in range(20):
        weight = np.minimum(1.0, HUBER_EPSILON * scale / np.maximum(np.abs(values - centre), 1e-12))
        centre = float(np.sum(weight * values) / np.sum(weight))
    pulls = np.array([np.sum((weight * (values - centre))[cluster == c]) for c in np.unique(cluster)])
    groups = pulls.size
    if groups < 2:
        return centre, max(scale, 0.002)
    error = float(np.sqrt(np.sum(pulls**2) * groups / (groups - 1)) / np.sum(weight))
    return centre, max(error, 1e-5)


def _random_effects(means: Floats, errors: Floats) -> tuple[list[tuple[float, float]], float]:
    """Return (level, standard deviation) of each run and the spread between runs."""
    known = np.isfinite(errors)
    weight = np.where(known, 1.0 / np.where(known, errors, 1.0) ** 2, 0.0)
    centre = float(np.sum(weight * means) / np.sum(weight))
    runs = int(known.sum())
    variance = 0.0
    if runs > 1:
        excess = float(np.sum(weight * (means - centre) ** 2)) - (runs - 1)
        variance = max(0.0, excess / float(np.sum(weight) - np.sum(weight**2) / np.sum(weight)))
    total = np.where(known, 1.0 / (np.where(known, errors, 1.0) ** 2 + variance), 0.0)
    centre = float(np.sum(total * means) / np.sum(total))
    centre_var = 1.0 / float(np.sum(total))
    result = []
    for mean, error in zip(means, errors, strict=True):
        own = variance / (variance + error**2) if np.isfinite(error) and variance > 0.0 else 0.0
        own_var = own * error**2 if own > 0.0 else variance
        result.append((centre + own * (mean - centre), float(np.sqrt(own_var + (1 - own) ** 2 * centre_var))))
    return result, float(np.sqrt(variance))
