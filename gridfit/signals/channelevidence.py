"""What channels tell about each other: scale, axis, driven axle and gear from what must hold in a car.

Everything is compared on an even clock of 20 samples per second, so that logs of every rate are judged alike.
The limits were chosen; none has a source unless it is named.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit import units

Floats = NDArray[np.float64]

STEP_S = 0.05
"""Step of the even clock [s]."""
BLOCK_S = 10.0
"""Length of the blocks whose differences judge an axle's lead [s]."""
LEAD = 0.002
"""Smallest lead of an axle under power that counts, in natural logarithm [1]."""
LEAD_T = 3.5
"""Lead over its standard error, from blocks, that counts [1]."""
STRAIGHT = 0.03
"""Difference of left and right over speed up to which the car runs straight [1]."""
TIED = 0.6
"""Correlation from which on two channels measure the same [1]."""
STEERING_RATIO = (8.0, 25.0)
"""Turn of the steering wheel over that of the road wheels [1]; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Seen:
    """Channels on the even clock.

    Parameters
    ----------
    time_s : float64[S]
    speed_mps : dict of str to float64[S]
        By role.
    throttle, rpm : float64[S] or None
    """

    time_s: Floats
    speed_mps: Mapping[str, Floats]
    throttle: Floats | None = None
    rpm: Floats | None = None

    def axle(self, name: str) -> Floats | None:
        """Return the speed of the ``front``, ``rear``, ``driven`` or ``undriven`` axle [m/s], or None."""
        if (one := self.speed_mps.get(f"speed_{name}")) is not None:
            return one
        left, right = (self.speed_mps.get(f"speed_{name[0]}{side}") for side in "lr")
        return None if left is None or right is None else 0.5 * (left + right)

    def turn(self) -> Floats:
        """Return right minus left over speed, the mean of the axles with two wheels [1]; 0 without any."""
        found = []
        for end in "fr":
            left, right = (self.speed_mps.get(f"speed_{end}{side}") for side in "lr")
            if left is not None and right is not None:
                found.append((right - left) / np.maximum(0.5 * (left + right), 2.0))
        return np.mean(found, axis=0) if found else np.zeros(self.time_s.size)


def even(time_s: Floats, values: Floats, grid_s: Floats) -> Floats:
    """Return a channel on the even clock, a mean over 50 ms where it is faster.

    Parameters
    ----------
    time_s, values : float64[S]
        As logged; rows that hold no number are passed over.
    grid_s : float64[S]
    """
    known = np.isfinite(time_s) & np.isfinite(values)
    if np.count_nonzero(known) < 2:
        return np.full(grid_s.size, np.nan)
    stamps, order = np.unique(time_s[known], return_index=True)
    held = values[known][order]
    period = float(np.median(np.diff(stamps))) if stamps.size > 1 else STEP_S
    width = max(1, min(held.size, round(STEP_S / max(period, 1e-6))))
    padded = np.pad(held, (width // 2, width - 1 - width // 2), mode="edge")
    return np.interp(grid_s, stamps, np.convolve(padded, np.full(width, 1.0 / width), mode="valid"))


def rate_of(speed_mps: Floats) -> Floats:
    """Return the change of a speed on the even clock, over 0.25 s [m/s2]."""
    smooth = np.convolve(np.pad(speed_mps, 2, mode="edge"), np.full(5, 0.2), mode="valid")
    return np.asarray(np.gradient(smooth, STEP_S), dtype=np.float64)


def leading_axle(seen: Seen) -> tuple[str, float]:
    """Return the axle that gains on the other under power, and by how much; ("", 0.0) when none does clearly.

    Parameters
    ----------
    seen : Seen
        With front and rear (or driven and undriven) speeds and the throttle.

    Returns
    -------
    (str, float)
        ``front``, ``rear``, ``driven``, ``undriven`` or empty; lead, in natural logarithm [1].
    """
    names = ("front", "rear") if seen.axle("front") is not None else ("driven", "undriven")
    first, second = (seen.axle(name) for name in names)
    if first is None or second is None or seen.throttle is None:
        return "", 0.0
    moving = (np.minimum(first, second) > 4.0) & (np.abs(seen.turn()) < STRAIGHT)
    lead = np.clip(np.log(np.maximum(first, 1.0) / np.maximum(second, 1.0)), -0.3, 0.3)
    change = rate_of(np.minimum(first, second))
    power = moving & (seen.throttle > 0.5) & (change > 0.0)
    coast = moving & (seen.throttle < 0.3) & (np.abs(change) < 1.5)
    block = (seen.time_s // BLOCK_S).astype(np.int64)
    gains = np.array([
        lead[power & (block == one)].mean() - lead[coast & (block == one)].mean()
        for one in np.unique(block)
        if np.count_nonzero(power & (block == one)) >= 5 and np.count_nonzero(coast & (block == one)) >= 5
    ])  # fmt: skip
    if gains.size < 3:
        return "", 0.0
    mean = float(gains.mean())
    error = float(gains.std(ddof=1)) / math.sqrt(gains.size)
    if abs(mean) < LEAD or abs(mean) < LEAD_T * error:
        return "", 0.0
    return names[mean < 0.0], abs(mean)


def scale(values: Floats, measure: Floats) -> tuple[float, float]:
    """Return the slope of a channel over what it should measure, and their correlation.

    Parameters
    ----------
    values, measure : float64[S]
        On one clock.

    Returns
    -------
    (float, float)
        (0, 0) when either stands still.
    """
    known = np.isfinite(values) & np.isfinite(measure)
    if np.count_nonzero(known) < 40:
        return 0.0, 0.0
    x, y = measure[known] - np.median(measure[known]), values[known] - np.median(values[known])
    for side in (x, y):
        limit = 4.0 * float(np.quantile(np.abs(side), 0.9))
        np.clip(side, -limit, limit, out=side)
    xx, yy, xy = float(x @ x), float(y @ y), float(x @ y)
    return (xy / xx, xy / math.sqrt(xx * yy)) if min(xx, yy) > 0.0 else (0.0, 0.0)


def acceleration_unit(slope: float) -> str:
    """Return the unit in which an acceleration of 1 m/s2 reads as `slope`; "" when it is neither g nor m/s2."""
    for name in ("g", "m/s2"):
        if 0.6 < abs(slope) * float(units.to_si(np.ones(1), name, "acceleration")[0]) < 1.6:
            return name
    return ""


def steering_unit(slope: float, wheelbase_m: float) -> str:
    """Return the unit of a steering wheel angle that reads `slope` per 1/m of curvature; "" when unclear.

    Source: Ackermann's angle, wheelbase times curvature (Gillespie, 1992, section 6, from memory).
    """
    low, high = (ratio * wheelbase_m for ratio in STEERING_RATIO)
    if low < abs(slope) < high:
        return "rad"
    return "deg" if low < abs(slope) * units.RAD_PER_DEG < high else ""


def gears_agree(gear: Floats, rpm: Floats, driven_mps: Floats) -> bool | None:
    """Say whether engine speed over wheel speed falls from gear to gear; None when too few gears were driven.

    Parameters
    ----------
    gear, rpm, driven_mps : float64[S]
        On one clock; gear as logged.
    """
    known = np.isfinite(gear) & (driven_mps > 3.0) & (rpm > 500.0) & (gear >= 1.0)
    ratios = [
        float(np.median(np.log(rpm[held] / driven_mps[held])))
        for one in np.unique(gear[known])
        if np.count_nonzero(held := known & (gear == one)) >= 20
    ]
    return None if len(ratios) < 2 else bool(np.all(np.diff(ratios) < -0.05))


def share_right(score: Floats, on: NDArray[np.bool_]) -> float:
    """Return the share of pairs in which a score is higher where something is on than where it is off [1].

    Source: H. B. Mann and D. R. Whitney, 1947, Annals of Mathematical Statistics 18, 50.
    """
    ranks = np.empty(score.size)
    ranks[np.argsort(score, kind="stable")] = np.arange(1, score.size + 1)
    ones = int(on.sum())
    pairs = ones * (score.size - ones)
    return float((ranks[on].sum() - ones * (ones + 1) / 2.0) / pairs) if pairs else 0.5
