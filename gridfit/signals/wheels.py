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

RELEASE_STEPS = 3.0
"""A stuck sensor of coarse resolution comes back more than this many steps away [1]."""

MOVING_MPS = 3.0
"""Below this speed sensors may stand still in earnest [m/s]."""

SPIKE_SD = 5.0
"""A spike stands out of its neighbours by more than this many standard deviations."""

SPIKE_FLOOR_MPS = 0.4
"""A spike is at least this high [m/s]; below it nothing is lost by keeping it."""

MOST_LATERAL_MPS2 = 20.0
"""No tyre corners harder than this [m/s2]."""

FAILING_SHARE = 0.15
"""A wheel this much slower than cornering allows is failing, or locked [1]."""

CALM = 0.02
"""Engine and ratio are steady when they change by less than this share [1]."""

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
        As the controller reads it: spikes left in, only what the logger lost is mended [m/s].
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
    noise, step = filters.noise_sd(values), filters.resolution(values[:20_000])
    result = np.zeros(values.size, dtype=np.bool_)
    for first, last in zip(starts, stops, strict=True):
        if last - first < rare or (last - first) * step_s < STUCK_S:
            continue
        # Where the resolution hides the noise, a car may hold its speed; a sensor comes back with a jump,
        # or falls silent (NaN).
        back = last == values.size or abs(values[last] - values[first - 1]) <= RELEASE_STEPS * step
        if noise > step or not back:
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
        return _single(run, column, logged, raw, surge=driven)
    return _pair(run, sheet, sides, raw, faster=rule == "faster", surge=driven)


def _clean(values: Floats, raw: Floats, step_s: float) -> tuple[Floats, Bools, Floats]:
    """Return a channel bridged over dropouts and stuck stretches, where these are, and its noise."""
    lost = ~np.isfinite(values)
    bad = lost | stuck(values, step_s, raw > MOVING_MPS)
    bridged = filters.fill_gaps(_index(values), np.where(bad, np.nan, values))
    if bad.all():
        bridged = np.nan_to_num(raw, nan=0.0)
    floor = filters.resolution(values[:20_000]) / np.sqrt(12.0) + 1e-4
    return bridged, bad, filters.noise_by_speed(bridged, raw, floor)


def _index(values: Floats) -> Floats:
    return np.arange(values.size, dtype=np.float64)


def _spikes(values: Floats, sd: Floats, width: int) -> Bools:
    floor = SPIKE_FLOOR_MPS / SPIKE_SD / np.sqrt(2.0)
    return filters.spikes(values, np.maximum(sd, floor), SPIKE_SD, width)


def _cut_out(values: Floats, spike: Bools) -> Floats:
    return filters.fill_gaps(_index(values), np.where(spike, np.nan, values))


def _counts(channel: str, values: Floats, bad: Bools, spike: Bools) -> tuple[dict[str, int], ...]:
    lost = int(np.count_nonzero(~np.isfinite(values)))
    return {channel: int(bad.sum()) - lost}, {channel: lost}, {channel: int(spike.sum())}


def _single(run: Run, column: str, logged: Floats, raw: Floats, *, surge: bool) -> Axle:
    """Repair an axle of which only the mean is logged.

    The undriven axle cannot jump and come back. The driven one can, when the clutch bites; there a jump is
    a spike only if engine and wheels keep their ratio around it and the engine does not jump with them.
    """
    read, bad, sd = _clean(logged, raw, run.period_s)
    speed = read
    spike = _spikes(speed, sd, 1 if surge else 2)
    if surge:
        spike &= _engine_calm(run, speed)
    speed = _cut_out(speed, spike)
    stuck_n, lost_n, spiked_n = _counts(column, logged, bad, spike)
    unknown = np.full(speed.size, np.nan)
    return Axle(speed, read, sd, _too_long(bad, run.period_s), spike, unknown, stuck_n, lost_n, spiked_n)


def _engine_calm(run: Run, speed: Floats) -> Bools:
    """Return samples whose neighbours have one ratio of engine to wheel speed, and a steady engine."""
    calm = np.zeros(speed.size, dtype=np.bool_)
    if "rpm" not in run.table:
        return calm
    rpm = run.table["rpm"].to_numpy(dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.log(np.maximum(rpm, 1.0) / np.maximum(speed, 0.5))
        between = 0.5 * (rpm[:-2] + rpm[2:])
        steady = np.abs(rpm[1:-1] / between - 1.0) < CALM
    calm[1:-1] = steady & (np.abs(ratio[2:] - ratio[:-2]) < CALM)
    return calm


def _pair(run: Run, sheet: CarSheet, sides: list[str], raw: Floats, *, faster: bool, surge: bool) -> Axle:
    """Join two wheels; where one is bad the other stands in, corrected by their usual difference."""
    step_s = run.period_s
    values = [run.table[side].to_numpy(dtype=np.float64) for side in sides]
    values = [np.where(out, np.nan, v) for v, out in zip(values, failing(values, run, sheet), strict=True)]
    (left, left_bad, left_sd), (right, right_bad, right_sd) = (_clean(v, raw, step_s) for v in values)
    # A spike of one wheel stands out of its own neighbours and out of the difference of the two.
    spin_sd = np.maximum(filters.noise_by_speed(right - left, raw, 1e-3), SPIKE_FLOOR_MPS / SPIKE_SD)
    odd = _spikes(right - left, spin_sd, 2)
    spikes = [odd & _spikes(side, sd, 2) for side, sd in ((left, left_sd), (right, right_sd))]
    usual = _cut_out(right - left, left_bad | right_bad | spikes[0] | spikes[1])
    # What the logger lost the controller still had; a spike of the wheel itself the controller had too.
    read = _join(left, right, left_bad, right_bad, usual, faster=faster)
    left_bad, right_bad = left_bad | spikes[0], right_bad | spikes[1]
    speed = _join(left, right, left_bad, right_bad, usual, faster=faster)
    both_bad = left_bad & right_bad
    spike = spikes[0] | spikes[1]
    if not surge:
        jump = _spikes(speed, np.maximum(left_sd, right_sd), 2)
        both_bad, spike = both_bad | jump, spike | jump
    speed = _cut_out(speed, both_bad)
    sd = np.minimum(np.hypot(left_sd, right_sd) / np.sqrt(2.0), filters.noise_by_speed(speed, raw, 1e-4))
    merged = [
        _counts(name, value, bad & ~hit, hit)
        for name, value, bad, hit in zip(sides, values, (left_bad, right_bad), spikes, strict=True)
    ]
    stuck_n, lost_n, spiked_n = ({**a, **b} for a, b in zip(*merged, strict=True))
    spin = np.where(left_bad | right_bad, np.nan, right - left)
    return Axle(speed, read, sd, _too_long(both_bad, step_s), spike, spin, stuck_n, lost_n, spiked_n)


def _join(
    left: Floats, right: Floats, left_bad: Bools, right_bad: Bools, usual: Floats, *, faster: bool
) -> Floats:
    """Return the axle's speed; for a bad wheel the other stands in, corrected by the `usual` difference."""
    mended = np.where(left_bad, right - usual, left), np.where(right_bad, left + usual, right)
    return np.asarray(np.maximum(*mended) if faster else 0.5 * (mended[0] + mended[1]), dtype=np.float64)


def failing(values: list[Floats], run: Run, sheet: CarSheet) -> tuple[Bools, Bools]:
    """Return where the left and the right wheel of an axle read far less than the other and the car allow.

    A sensor that loses pulses reads low. Two wheels of an axle differ in a bend by track times curvature,
    and curvature is bounded by grip; a wheel that is also slower than all others is failing, not turning.

    Parameters
    ----------
    values : list of float64[S]
        Left and right wheel [m/s]; NaN where missing.
    run : Run
    sheet : CarSheet

    Returns
    -------
    tuple of bool[S]
    """
    left, right = values
    slow = np.fmin(left, right)
    fast = np.fmax(left, right)
    others = [
        run.table[name].to_numpy(dtype=np.float64) for name in ("speed_driven_mps", "speed_undriven_mps")
    ]
    floor = np.fmin(fast, np.fmax(*others))
    allowed = sheet.car.track_m * MOST_LATERAL_MPS2 / np.maximum(fast, 1.0) + FAILING_SHARE * fast
    with np.errstate(invalid="ignore"):
        apart = (fast - slow > allowed) & (slow < (1.0 - FAILING_SHARE) * floor) & (fast > 2.0 * MOVING_MPS)
        return apart & (left < right), apart & (right < left)


def _too_long(bad: Bools, step_s: float) -> Bools:
    """Return the bad stretches that are too long to be bridged."""
    result = np.zeros(bad.size, dtype=np.bool_)
    for first, last in zip(*filters.intervals(bad), strict=True):
        if (last - first) * step_s > REPAIR_S:
            result[first:last] = True
    return result
