"""Bends: path curvature from the wheels of an axle, lateral acceleration or steering; unequal wheels; differential.

Inner and outer wheels run on different radii, and the rear axle inside the front one. Both look like slip to
whoever compares two sensors, so the curvature is found before anything is called slip.
"""

from dataclasses import dataclass

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.estimate import Estimate
from gridfit.signals import filters
from gridfit.signals.filters import Bools, Floats
from gridfit.signals.run import Run
from gridfit.signals.wheels import Axle

SMOOTH_S = 0.3
"""Curvature is smoothed over this time [s]: a car does not turn faster."""

FAST_MPS = 10.0
"""Unequal wheels and differential are judged above this speed [m/s]."""

BLOCK_S = 0.5
"""...from means over this time [s]."""

FEWEST = 12
"""...and from at least this many of them [1]."""

STRAIGHT_SHARE = 0.25
"""Without lateral acceleration, the densest quarter of the differences is taken to be straight on [1]."""

UNEQUAL = 0.025
"""Wheels of an axle differ by no more than this when going straight on [1]; beyond it the car turned."""

SIDE_SD = 0.0015
"""Systematic error of the ratio of two wheels on straights [1]: crown of the road. Judgement."""

TURNING = 0.015
"""Difference of two wheels over their speed from which a bend tells about the differential [1]."""


@dataclass(frozen=True, slots=True)
class Bend:
    """How the car turns, and what its wheels say about each other.

    Parameters
    ----------
    curvature_1pm : float64[S]
        Path curvature, left positive [1/m]; NaN where unknown.
    turn : float64[S]
        Curvature, or steering wheel angle [rad] where only that is known; smoothed; NaN where neither is.
    curved : bool
        Whether `turn` is a curvature.
    undriven_side, driven_side : Estimate
        Right over left wheel when going straight on, less 1 [1]; NaN where it cannot be told.
    share : Estimate
        Difference of the driven wheels over that of the undriven ones in bends [1]: 1 when they turn
        freely, 0 when the axle is locked; NaN where it cannot be told.
    """

    curvature_1pm: Floats
    turn: Floats
    curved: bool
    undriven_side: Estimate
    driven_side: Estimate
    share: Estimate


UNKNOWN = Estimate(float("nan"), float("nan"), float("nan"))


def find(run: Run, undriven: Axle, driven: Axle, lateral_mps2: Floats, sheet: CarSheet) -> Bend:
    """Find how a car turns.

    Parameters
    ----------
    run : Run
    undriven, driven : Axle
        Repaired axles.
    lateral_mps2 : float64[S]
        NaN where unknown [m/s2].
    sheet : CarSheet
        Track width.

    Returns
    -------
    Bend
    """
    speed = np.maximum(undriven.speed_mps, 1.0)
    by_lateral = lateral_mps2 / speed**2 if np.isfinite(lateral_mps2).any() else None
    fast = (speed > FAST_MPS) & ~undriven.bad & ~driven.bad & ~undriven.spike & ~driven.spike
    size = max(4, round(BLOCK_S / run.period_s))
    free = _side(undriven.spin_mps / speed, by_lateral, fast, size)
    pulled = _side(driven.spin_mps / speed, by_lateral, fast, size)
    share = _share(
        undriven.spin_mps / speed - np.nan_to_num(free.mean),
        driven.spin_mps / speed - np.nan_to_num(pulled.mean),
        fast,
        size,
    )
    unknown = np.full(speed.size, np.nan)
    window = round(SMOOTH_S / run.period_s) | 1
    if np.isfinite(undriven.spin_mps).any():
        side = 0.0 if not np.isfinite(free.mean) else free.mean
        curvature = (undriven.spin_mps / speed - side) / sheet.car.track_m
        return Bend(curvature, _smooth(curvature, window), True, free, pulled, share)
    if by_lateral is not None:
        return Bend(by_lateral, _smooth(by_lateral, window), True, free, pulled, share)
    if "steering_rad" in run.table:
        steering = run.table["steering_rad"].to_numpy(dtype=np.float64)
        return Bend(unknown, _smooth(steering, window), False, free, pulled, share)
    return Bend(unknown, unknown, False, free, pulled, share)


def _smooth(values: Floats, window: int) -> Floats:
    known = np.isfinite(values)
    if not known.any():
        return values
    index = np.arange(values.size, dtype=np.float64)
    calm = filters.quadratic(filters.fill_gaps(index, values), window)
    return np.asarray(np.where(known, calm, np.nan))


def _blocks(values: Floats, keep: Bools, size: int) -> Floats:
    """Return means of stretches that are kept throughout and known throughout."""
    count = values.size // size
    cut = np.where(keep, values, np.nan)[: count * size].reshape(count, size)
    return np.asarray(cut.mean(axis=1))


def _side(spin: Floats, curvature: Floats | None, fast: Bools, size: int) -> Estimate:
    """Return right over left wheel, less 1, on straights."""
    values = _blocks(spin, fast, size)
    known = np.isfinite(values)
    if known.sum() < FEWEST:
        return UNKNOWN
    if curvature is not None:
        bend = _blocks(curvature, fast, size)
        both = known & np.isfinite(bend)
        if both.sum() >= FEWEST and np.std(bend[both]) > 1e-5:
            slope, level = _line(bend[both], values[both])
            spread = filters.MAD_TO_SD * float(np.median(np.abs(values[both] - level - slope * bend[both])))
            return Estimate.from_mean_sd(level, float(np.hypot(spread / np.sqrt(both.sum()), SIDE_SD)))
    ordered = np.sort(values[known])
    width = max(3, int(STRAIGHT_SHARE * ordered.size))
    first = int(np.argmin(ordered[width - 1 :] - ordered[: ordered.size - width + 1]))
    dense = ordered[first : first + width]
    if abs(np.median(dense)) > UNEQUAL:
        return UNKNOWN
    return Estimate.from_mean_sd(float(np.median(dense)), float(np.hypot(np.std(dense), SIDE_SD)))


def _line(x: Floats, y: Floats) -> tuple[float, float]:
    """Return slope and level of a line, by weights that fall with the residual."""
    weight = np.ones(x.size)
    slope = level = 0.0
    for _ in range(15):
        mean_x, mean_y = np.average(x, weights=weight), np.average(y, weights=weight)
        spread = np.average((x - mean_x) ** 2, weights=weight)
        slope = float(np.average((x - mean_x) * (y - mean_y), weights=weight) / max(spread, 1e-18))
        level = float(mean_y - slope * mean_x)
        away = np.abs(y - level - slope * x)
        scale = filters.MAD_TO_SD * float(np.median(away)) + 1e-6
        weight = np.minimum(1.0, 1.345 * scale / np.maximum(away, 1e-12))
    return slope, level


def _share(free: Floats, pulled: Floats, fast: Bools, size: int) -> Estimate:
    """Return the driven wheels' difference over the undriven wheels' in bends."""
    x, y = _blocks(free, fast, size), _blocks(pulled, fast, size)
    turning = np.isfinite(x) & np.isfinite(y) & (np.abs(x) > TURNING)
    if turning.sum() < FEWEST:
        return UNKNOWN
    ratio = y[turning] / x[turning]
    spread = filters.MAD_TO_SD * float(np.median(np.abs(ratio - np.median(ratio))))
    return Estimate.from_mean_sd(float(np.median(ratio)), spread / float(np.sqrt(turning.sum() / 4.0)) + 0.02)
