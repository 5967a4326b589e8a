"""How far one source of a log comes after another that measures the same: the shift that fits best.

A channel that another box sends (satellite speed, engine speed over a bus) comes late by a constant. For every
shift the later source is fitted to the earlier one, with an offset and a factor of its own and a robust loss, at
its own stamps; the lag is where what is left is least, between steps by a parabola. Its interval comes from
leaving out one block of time after the other. Rates of change instead of the values themselves were tried and are
worse: on a minute of road their peak is 0.3 s wide.

Source: delete-one-block jackknife, R. G. Miller, 1974, Biometrika 61, 1; robust loss, P. J. Huber, 1964, Annals
of Mathematical Statistics 35, 73 (both from memory).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from gridfit.estimate import Estimate
from gridfit.signals import clock

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOST_S = 1.0
"""Longest lag that is looked for [s]."""
STEP_S = 0.02
"""Step between the shifts that are tried [s]."""
HOLE_PERIODS = 3.5
"""Time without a sample, in periods, across which nothing is compared [1]."""
CLIP = 2.5
"""What is left beyond this many robust standard deviations counts in proportion only."""
BLOCKS = 12
"""Blocks of time of which one is left out in turn."""
FEWEST = 200
"""Samples that both sources must share."""
MOST_SAMPLES = 20_000
"""Samples that are compared at most."""
SAME = 0.9
"""Correlation from which on two sources measure the same [1]; chosen."""
WIDEST_S = 0.08
"""Half width of the interval up to which a lag counts as found [s]; chosen."""
LEAST_S = 0.03
"""Lag below which sources count as even: filters and the twist of shafts make as much [s]; chosen."""
_MAD_TO_SD = 1.4826


@dataclass(frozen=True, slots=True)
class Lag:
    """By how much one source comes after another.

    Parameters
    ----------
    lag_s : Estimate
        Positive when it comes after [s], with a 90 % interval; NaN when it cannot be told.
    correlation : float
        Of both sources at that lag [1].
    p_value : float
        Chance of a lag this far from zero when there is none [1].
    """

    lag_s: Estimate
    correlation: float
    p_value: float

    @property
    def found(self) -> bool:
        """Whether the sources measure the same and their lag is known, be it zero or not."""
        half = 0.5 * (self.lag_s.hi - self.lag_s.lo)
        return self.correlation >= SAME and half <= WIDEST_S

    @property
    def late(self) -> bool:
        """Whether a lag is found that no filter or shaft makes."""
        return self.found and self.p_value < 0.01 and abs(self.lag_s.mean) >= LEAST_S


UNKNOWN = Lag(Estimate(math.nan, math.nan, math.nan), 0.0, 1.0)
"""Nothing can be told."""


def estimate(
    time_s: Floats, values: Floats, later_s: Floats, later: Floats, *, usable: Bools | None = None
) -> Lag:
    """Return by how much a source comes after another that measures the same.

    Parameters
    ----------
    time_s, values : float64[S]
        The source that is held to be on time: stamps [s] and what it measures, in any unit.
    later_s, later : float64[S]
        The other one, on stamps of its own, in any unit of the same sign.
    usable : bool[S] or None
        Samples of the other one at which both measure the same; None for all.

    Returns
    -------
    Lag
        ``later(t) = offset + factor * values(t - lag)``.
    """
    known = np.isfinite(time_s) & np.isfinite(values)
    stamps, held = time_s[known], values[known]
    keep = clock.increasing(stamps)
    stamps, held = stamps[keep], held[keep]
    there = np.isfinite(later_s) & np.isfinite(later)
    there = there & usable if usable is not None else there
    if stamps.size < FEWEST or not there.any():
        return UNKNOWN
    there &= (
        (later_s > stamps[0] + MOST_S) & (later_s < stamps[-1] - MOST_S) & _away_from_holes(later_s, stamps)
    )
    if np.count_nonzero(there) < FEWEST or np.ptp(later[there]) == 0.0:
        return UNKNOWN
    # More samples would not tell more, and each costs a row of every shift.
    stride = 1 + int(np.count_nonzero(there)) // MOST_SAMPLES
    return _best(stamps, held, later_s[there][::stride], later[there][::stride])


def _away_from_holes(at_s: Floats, stamps: Floats) -> Bools:
    """Say which moments have no hole of the other source within the longest lag."""
    steps = np.diff(stamps)
    holes = np.flatnonzero(steps > HOLE_PERIODS * float(np.median(steps)))
    away = np.ones(at_s.size, dtype=np.bool_)
    for hole in holes:
        away &= (at_s < stamps[hole] - MOST_S) | (at_s > stamps[hole + 1] + MOST_S)
    return away


def _best(stamps: Floats, held: Floats, at_s: Floats, later: Floats) -> Lag:
    shifts = STEP_S * np.arange(-round(MOST_S / STEP_S), round(MOST_S / STEP_S) + 1)
    left = np.stack([_left(np.interp(at_s - one, stamps, held), later) for one in shifts])
    scale = _MAD_TO_SD * float(np.median(np.abs(left[np.argmin(np.abs(left).sum(axis=1))])))
    limit = CLIP * max(scale, 1e-9 * float(np.ptp(later)))
    cost = np.where(np.abs(left) < limit, left**2, limit * (2.0 * np.abs(left) - limit))
    parts = np.stack([block.sum(axis=1) for block in np.array_split(cost, BLOCKS, axis=1)])
    whole = parts.sum(axis=0)
    lag = _bottom(whole)
    without = np.array([_bottom(whole - one) for one in parts])
    error = math.sqrt((BLOCKS - 1) / BLOCKS * float(np.sum((without - without.mean()) ** 2)))
    # A sharp minimum is still no better known than a twentieth of a step.
    error = max(error, 0.05) * STEP_S
    if not math.isfinite(lag + error):
        return UNKNOWN
    mean = (lag - shifts.size // 2) * STEP_S
    half = float(stats.t.ppf(0.95, BLOCKS - 1)) * error
    tie = float(np.corrcoef(np.interp(at_s - mean, stamps, held), later)[0, 1])
    chance = 2.0 * float(stats.t.sf(abs(mean) / error, BLOCKS - 1))
    return Lag(Estimate(float(mean), float(mean - half), float(mean + half)), tie, chance)


def _left(values: Floats, later: Floats) -> Floats:
    """Return what an offset and a factor leave of the later source."""
    x, y = values - values.mean(), later - later.mean()
    power = float(x @ x)
    factor = float(x @ y) / power if power > 0.0 else 0.0
    return np.asarray(y - factor * x, dtype=np.float64)


def _bottom(cost: Floats) -> float:
    """Return where a curve is lowest, in steps, by a parabola through three points; NaN at an end."""
    at = int(np.argmin(cost))
    if at in (0, cost.size - 1):
        return math.nan
    before, least, after = cost[at - 1 : at + 2]
    bend = before - 2.0 * least + after
    return at + (0.5 * float(before - after) / float(bend) if bend > 0.0 else 0.0)
