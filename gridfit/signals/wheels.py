"""From logged wheel or axle speeds to one repaired speed per axle: dropouts, stuck sensors, spikes, kerbs."""

from dataclasses import dataclass

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.signals import filters
from gridfit.signals.filters import Bools, Floats
from gridfit.signals.run import CORNERS, ROLE_OF, Run
from gridfit.signals.sensors import MOVING_MPS, failing, plunges, saturated, stuck

SPIKE_SD = 5.0
"""A spike stands out of its neighbours by more than this many standard deviations."""

SPIKE_FLOOR_MPS = 0.4
"""A spike is at least this high [m/s]; below it nothing is lost by keeping it."""

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
    marks : dict of str to dict of str to bool[S]
        Per channel, faults by kind: ``stuck``, ``dropout``, ``spikes``, ``saturated``, ``lost pulses``.
    """

    speed_mps: Floats
    raw_mps: Floats
    sd_mps: Floats
    bad: Bools
    spike: Bools
    spin_mps: Floats
    marks: dict[str, dict[str, Bools]]

    def count(self, kind: str) -> dict[str, int]:
        """Return the samples of each channel that have a kind of fault."""
        return {channel: int(kinds[kind].sum()) for channel, kinds in self.marks.items()}


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


def _clean(values: Floats, raw: Floats, step_s: float) -> tuple[Floats, Bools, Floats, dict[str, Bools]]:
    """Return a channel bridged over its faults, where these are, its noise, and its faults by kind."""
    lost = ~np.isfinite(values)
    plunge = plunges(values, step_s)
    left = np.where(plunge, np.nan, values)
    top = saturated(left, step_s)
    still = stuck(left, step_s, raw > MOVING_MPS) & ~lost & ~top & ~plunge
    bad = lost | plunge | top | still
    bridged = filters.fill_gaps(_index(values), np.where(bad, np.nan, values))
    if bad.all():
        bridged = np.nan_to_num(raw, nan=0.0)
    floor = filters.resolution(values[:20_000]) / np.sqrt(12.0) + 1e-4
    marks = {"stuck": still, "dropout": lost | plunge, "saturated": top}
    return bridged, bad, filters.noise_by_speed(bridged, raw, floor), marks


def _index(values: Floats) -> Floats:
    return np.arange(values.size, dtype=np.float64)


def _spikes(values: Floats, sd: Floats, width: int) -> Bools:
    floor = SPIKE_FLOOR_MPS / SPIKE_SD / np.sqrt(2.0)
    return filters.spikes(values, np.maximum(sd, floor), SPIKE_SD, width)


def _cut_out(values: Floats, spike: Bools) -> Floats:
    return filters.fill_gaps(_index(values), np.where(spike, np.nan, values))


def _single(run: Run, column: str, logged: Floats, raw: Floats, *, surge: bool) -> Axle:
    """Repair an axle of which only the mean is logged.

    The undriven axle cannot jump and come back. The driven one can, when the clutch bites; there a jump is
    a spike only if engine and wheels keep their ratio around it and the engine does not jump with them.
    """
    read, bad, sd, marks = _clean(logged, raw, run.period_s)
    speed = read
    spike = _spikes(speed, sd, 1 if surge else 2)
    if surge:
        spike &= _engine_calm(run, speed)
    speed = _cut_out(speed, spike)
    unknown = np.full(speed.size, np.nan)
    marks["spikes"] = spike
    return Axle(speed, read, sd, _too_long(bad, run.period_s), spike, unknown, {column: marks})


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
    weak = failing(values, run, sheet)
    (left, left_bad, left_sd, left_marks), (right, right_bad, right_sd, right_marks) = (
        _clean(v, raw, step_s) for v in values
    )
    left_bad, right_bad = left_bad | weak[0], right_bad | weak[1]
    left, right = _cut_out(left, left_bad), _cut_out(right, right_bad)
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
    marks = {
        name: {**kinds, "lost pulses": out & ~kinds["dropout"] & ~kinds["stuck"], "spikes": hit}
        for name, kinds, out, hit in zip(sides, (left_marks, right_marks), weak, spikes, strict=True)
    }
    spin = np.where(left_bad | right_bad, np.nan, right - left)
    return Axle(speed, read, sd, _too_long(both_bad, step_s), spike, spin, marks)


def _join(
    left: Floats, right: Floats, left_bad: Bools, right_bad: Bools, usual: Floats, *, faster: bool
) -> Floats:
    """Return the axle's speed; for a bad wheel the other stands in, corrected by the `usual` difference."""
    mended = np.where(left_bad, right - usual, left), np.where(right_bad, left + usual, right)
    return np.asarray(np.maximum(*mended) if faster else 0.5 * (mended[0] + mended[1]), dtype=np.float64)


def _too_long(bad: Bools, step_s: float) -> Bools:
    """Return the bad stretches that are too long to be bridged."""
    result = np.zeros(bad.size, dtype=np.bool_)
    for first, last in zip(*filters.intervals(bad), strict=True):
        if (last - first) * step_s > REPAIR_S:
            result[first:last] = True
    return result
