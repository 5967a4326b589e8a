"""Faults of the channels that are no wheel speeds: spikes, stuck stretches, dropouts, values that cannot be."""

from dataclasses import dataclass

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.signals import filters
from gridfit.signals.filters import Bools, Floats
from gridfit.signals.run import Run
from gridfit.signals.sensors import MOVING_MPS, saturated, stuck

SPIKE_SD = 8.0
"""A spike stands out of its neighbours by more than this many standard deviations..."""

SPIKE_FLOOR: dict[str, float] = {"rpm": 400.0, "throttle": 0.15, "lateral_acc_mps2": 3.0, "steering_rad": 0.5}
"""...and by more than this, in the column's unit. Judgement."""

SPIKE_S = 0.025
"""Longest spike [s]; throttle and engine do not go and come back within it."""

POSSIBLE: dict[str, tuple[float, float]] = {"throttle": (-0.2, 1.2), "lateral_acc_mps2": (-40.0, 40.0)}
"""Values that a channel can hold, in the column's unit."""

STOPS = (0.03, 0.97)
"""Outside these a throttle rests at a stop [1]."""

FASTEST_OVER_LIMIT = 1.25
"""An engine does not turn faster than this over its limit [1]; a missed downshift may reach 1.2."""


@dataclass(frozen=True, slots=True)
class Mended:
    """A channel without its faults.

    Parameters
    ----------
    values : float64[S]
        NaN where faulty or missing.
    marks : dict of str to bool[S]
        Faults by kind: ``spikes``, ``stuck``, ``dropout``, ``impossible``, ``saturated`` (kept, only marked).
    """

    values: Floats
    marks: dict[str, Bools]


def mend(run: Run, speed_mps: Floats, sheet: CarSheet) -> dict[str, Mended]:
    """Take faults out of throttle, engine speed, lateral acceleration and steering.

    Parameters
    ----------
    run : Run
    speed_mps : float64[S]
        Undriven axle: a car that stands may hold every value [m/s].
    sheet : CarSheet
        Limit of the engine.

    Returns
    -------
    dict of str to Mended
        By column, those that the log has.
    """
    return {
        name: _one(name, run.table[name].to_numpy(dtype=np.float64), run.period_s, speed_mps, sheet)
        for name in SPIKE_FLOOR
        if name in run.table
    }


def bridge(values: Floats, time_s: Floats, longest_s: float) -> Floats:
    """Return a channel with gaps up to a length [s] bridged linearly, longer ones NaN."""
    filled = filters.fill_gaps(time_s, values)
    for first, last in zip(*filters.intervals(~np.isfinite(values)), strict=True):
        if time_s[last - 1] - time_s[first] > longest_s:
            filled[first:last] = np.nan
    return filled


def _one(name: str, values: Floats, step_s: float, speed_mps: Floats, sheet: CarSheet) -> Mended:
    low, high = POSSIBLE.get(name, (-np.inf, np.inf))
    if name == "rpm":
        low, high = 0.0, FASTEST_OVER_LIMIT * float(sheet.engine.limit_rpm)
    dropout = ~np.isfinite(values)
    with np.errstate(invalid="ignore"):
        impossible = (values < low) | (values > high)
    marks = {"dropout": dropout, "impossible": impossible}
    good = np.where(impossible, np.nan, values)
    if name != "steering_rad":
        # A throttle rests at its stops, and a steering wheel may be held.
        free = (good > STOPS[0]) & (good < STOPS[1]) if name == "throttle" else np.isfinite(good)
        marks["stuck"] = stuck(good, step_s, free & (speed_mps > MOVING_MPS))
        good = np.where(marks["stuck"], np.nan, good)
    index = np.arange(values.size, dtype=np.float64)
    filled = filters.fill_gaps(index, good)
    if np.isfinite(filled).all() and filled.size > 8:
        width = max(1, int(SPIKE_S / step_s))
        sd = max(float(np.nan_to_num(filters.noise_sd(good))), SPIKE_FLOOR[name] / SPIKE_SD / np.sqrt(2.0))
        marks["spikes"] = filters.spikes(filled, np.full(values.size, sd), SPIKE_SD, width) & ~dropout
        good = np.where(marks["spikes"], np.nan, good)
    if name != "throttle" and not _at_limiter(name, good, sheet):
        marks["saturated"] = saturated(good, step_s)
    return Mended(good, {kind: mask for kind, mask in marks.items() if mask.any()})


def _at_limiter(name: str, values: Floats, sheet: CarSheet) -> bool:
    """Say whether engine speed ends at the limiter, where it may stay."""
    return name == "rpm" and float(np.nanmax(values, initial=0.0)) > 0.97 * sheet.engine.limit_rpm
