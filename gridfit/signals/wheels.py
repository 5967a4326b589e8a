"""From logged wheel or axle speeds to one repaired speed per axle: dropouts, stuck sensors, spikes, kerbs."""

from dataclasses import dataclass

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.signals import filters
from gridfit.signals.filters import Bools, Floats
from gridfit.signals.run import CORNERS, ROLE_OF, Run

STUCK_CHANCE = 1e-4
"""A stretch of equal values is a stuck sensor when noise would make one that long this rarely per run."""

STUCK_S = 0.08
"""Shorter stretches of equal values are never called stuck [s]."""

MOVING_MPS = 3.0
"""Below this speed sensors may stand still in earnest [m/s]."""

SPIKE_SD = 5.0
"""A spike stands out of its neighbours by more than this many standard deviations."""

SPIKE_FLOOR_MPS = 0.4
"""A spike is at least this high [m/s]; below it nothing is lost by keeping it."""

REPAIR_S = 0.12
"""Gaps in an axle speed up to this long are bridged; longer ones make samples invalid [s]."""


@dataclass(frozen=True, slots=True)
class Axle:
    """Speed of an axle after repair.

    Parameters
    ----------
    speed_mps : float64[S]
        Repaired, no gaps unless the whole channel is empty [m/s].
    raw_mps : float64[S]
        As the log has it, gaps bridged [m/s].
    sd_mps : float64[S]
        Noise of `speed_mps` [m/s].
    bad : bool[S]
        Where neither wheel could be used.
    spike : bool[S]
        Where a spike was taken out of any wheel of the axle.
    spin_mps : float64[S]
        Right minus left wheel [m/s]; NaN where unknown.
    stuck, lost, spiked : dict of str to int
        Samples per channel that were stuck, missing, spiked.
    """

    speed_mps: Floats
    raw_mps: Floats
    sd_mps: Floats
    bad: Bools
    spike: Bools
    spin_mps: Floats
    stuck: dict[str, int]
    lost: dict[str, int]
    spiked: dict[str, int]


def stuck(values: Floats, step_s: float, moving: Bools) -> Bools:
    """Return where a noisy channel stands still for longer than its own noise would let it.

    Parameters
    ----------
    values : float64[S]
        Channel; NaN where missing.
    step_s : float
        Time between samples [s].
    moving : bool[S]
        Where the car moves.

    Returns
    -------
    bool[S]
    """
    same = np.zeros(values.size, dtype=np.bool_)
    same[1:] = (values[1:] == values[:-1]) & moving[1:]
    starts, stops = filters.intervals(same)
    length = stops - starts
    # Long stretches are what is looked for, so they must not raise the share that counts as normal.
    normal = same.copy()
    for first, last in zip(starts[length >= 8], stops[length >= 8], strict=True):
        normal[first:last] = False
    share = (normal.sum() + 1.0) / (moving.sum() + 2.0)
    rare = np.log(STUCK_CHANCE / max(1, values.size)) / np.log(share) if share < 1.0 else np.inf
    result = np.zeros(values.size, dtype=np.bool_)
    for first, last in zip(starts, stops, strict=True):
        if last - first >= rare and (last - first) * step_s >= STUCK_S:
            result[first - 1 : last] = True
    return result


def axle(run: Run, sheet: CarSheet, *, driven: bool) -> Axle:
    """Repair the speed of an axle.

    Parameters
    ----------
    run : Run
    sheet : CarSheet
        Says which axle drives and how two wheels make one speed.
    driven : bool
        The driven axle, or the other one.

    Returns
    -------
    Axle
    """
    name = sheet.driven if driven else ("rear" if sheet.driven == "front" else "front")
    rule = sheet.controller.driven_from if driven else sheet.controller.undriven_from
    time_s = run.table["time_s"].to_numpy(dtype=np.float64)
    column = "speed_driven_mps" if driven else "speed_undriven_mps"
    logged = run.table[column].to_numpy(dtype=np.float64)
    sides = [ROLE_OF[role].column for role in CORNERS[name]]
    raw = filters.fill_gaps(time_s, logged)
    if not all(side in run.table for side in sides):
        return _single(run, column, logged, raw)
    return _pair(run, sides, raw, faster=rule == "faster", surge=driven)


def _clean(values: Floats, raw: Floats, step_s: float, channel: str) -> tuple[Floats, Bools, Floats, Bools]:
    """Return a channel bridged over its faults, where it was bad, its noise, and where it spiked."""
    moving = raw > MOVING_MPS
    lost = ~np.isfinite(values)
    still = stuck(values, step_s, moving)
    good = np.where(lost | still, np.nan, values)
    bridged = filters.fill_gaps(np.arange(values.size, dtype=np.float64), good)
    floor = filters.resolution(values[:20_000]) / np.sqrt(12.0) + 1e-4
    sd = filters.noise_by_speed(bridged, raw, floor)
    spike = filters.spikes(bridged, np.maximum(sd, SPIKE_FLOOR_MPS / SPIKE_SD / np.sqrt(2.0)), SPIKE_SD, 2)
    bridged[spike] = np.nan
    return filters.fill_gaps(np.arange(values.size, dtype=np.float64), bridged), lost | still, sd, spike


def _counts(channel: str, values: Floats, bad: Bools, spike: Bools) -> tuple[dict[str, int], ...]:
    lost = int(np.count_nonzero(~np.isfinite(values)))
    return {channel: int(bad.sum()) - lost}, {channel: lost}, {channel: int(spike.sum())}


def _single(run: Run, column: str, logged: Floats, raw: Floats) -> Axle:
    speed, bad, sd, spike = _clean(logged, raw, run.period_s, column)
    stuck_n, lost_n, spiked_n = _counts(column, logged, bad, spike)
    unknown = np.full(speed.size, np.nan)
    return Axle(speed, raw, sd, _too_long(bad, run.period_s), spike, unknown, stuck_n, lost_n, spiked_n)


def _pair(run: Run, sides: list[str], raw: Floats, *, faster: bool, surge: bool) -> Axle:
    """Join two wheels; where one is bad the other stands in, corrected by their usual difference."""
    step_s = run.period_s
    values = [run.table[side].to_numpy(dtype=np.float64) for side in sides]
    cleaned = [_clean(value, raw, step_s, side) for value, side in zip(values, sides, strict=True)]
    (left, left_bad, left_sd, left_spike), (right, right_bad, right_sd, right_spike) = cleaned
    spin = right - left
    index = np.arange(raw.size, dtype=np.float64)
    spin_sd = filters.noise_by_speed(spin, raw, 1e-3)
    window = round(0.3 / step_s) | 1
    odd = filters.outliers(spin, np.maximum(spin_sd, SPIKE_FLOOR_MPS / SPIKE_SD), SPIKE_SD, window)
    usual = filters.fill_gaps(index, np.where(left_bad | right_bad | odd, np.nan, spin))
    left = np.where(left_bad, right - usual, left)
    right = np.where(right_bad, left + usual, right)
    speed = np.maximum(left, right) if faster else 0.5 * (left + right)
    sd = np.sqrt(0.5 * (left_sd**2 + right_sd**2))
    both = filters.noise_by_speed(speed, raw, 1e-4)
    merged = [_counts(s, v, c[1], c[3]) for s, v, c in zip(sides, values, cleaned, strict=True)]
    stuck_n, lost_n, spiked_n = ({**a, **b} for a, b in zip(*merged, strict=True))
    bad = _too_long(left_bad & right_bad, step_s)
    spin = np.where(left_bad | right_bad, np.nan, spin)
    odd_spike = left_spike | right_spike | (odd & ~(left_bad | right_bad) if not surge else False)
    return Axle(speed, raw, np.minimum(sd, both), bad, odd_spike, spin, stuck_n, lost_n, spiked_n)


def _too_long(bad: Bools, step_s: float) -> Bools:
    """Return the bad stretches that are too long to be bridged."""
    result = np.zeros(bad.size, dtype=np.bool_)
    for first, last in zip(*filters.intervals(bad), strict=True):
        if (last - first) * step_s > REPAIR_S:
            result[first:last] = True
    return result
