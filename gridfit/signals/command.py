"""What the controller did: target and cut as its loop works them out from the grids in force."""

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.grids import GridPair
from gridfit.signals import filters
from gridfit.signals.filters import Floats, Ints
from gridfit.units import KMH_PER_MPS


def slip_pct(v_d: Floats, v_u: Floats, least: float) -> Floats:
    """Return slip on vehicle speed [%]; driven, undriven and least speed in one unit, any."""
    return 100.0 * (v_d - v_u) / np.maximum(v_u, least)


def target_pct(grids: GridPair | None, logged: Floats | None, speed_kmh: Floats) -> Floats:
    """Return the target slip in force.

    Parameters
    ----------
    grids : GridPair or None
        Pair in force; its target is used when known.
    logged : float64[S] or None
        Target as logged [%], 0 where the controller was idle.
    speed_kmh : float64[S]
        Undriven axle as the controller reads it [km/h].

    Returns
    -------
    float64[S]
        Target slip [%]; NaN where neither says.
    """
    if grids is not None:
        return grids.target.at(speed_kmh)
    if logged is None:
        return np.full(speed_kmh.size, np.nan)
    active = np.where(logged > 0.0, logged, np.nan)
    return filters.fill_gaps(np.arange(active.size, dtype=np.float64), active)


def cut_pct(
    time_s: Floats,
    v_u_raw_kmh: Floats,
    v_d_raw_kmh: Floats,
    throttle: Floats,
    gear: Ints,
    grids: GridPair,
    sheet: CarSheet,
) -> Floats:
    """Return the cut that the controller must have asked for, where the log lacks it.

    The loop runs at its own rate on speeds interpolated from the log, and each sample takes the command of
    the last turn before it. Torque steps and sensor filtering inside a sample are not to be had from a log.

    Parameters
    ----------
    time_s : float64[S]
        [s].
    v_u_raw_kmh, v_d_raw_kmh : float64[S]
        Speeds as the controller reads them [km/h].
    throttle : float64[S]
        0 to 1 [1].
    gear : int64[S]
        0 unknown: the last one known holds.
    grids : GridPair
        Pair in force.
    sheet : CarSheet
        Loop rate, gates, resolution.

    Returns
    -------
    float64[S]
        Cut [%].
    """
    control = sheet.controller
    tick_s = np.arange(time_s[0], time_s[-1] + 1.0 / control.loop_hz, 1.0 / control.loop_hz)
    v_u = np.interp(tick_s, time_s, v_u_raw_kmh)
    v_d = np.interp(tick_s, time_s, v_d_raw_kmh)
    pedal = np.interp(tick_s, time_s, np.nan_to_num(throttle, nan=0.0))
    at = np.clip(np.searchsorted(time_s, tick_s, side="right") - 1, 0, time_s.size - 1)
    engaged = held_gear(gear)[at].astype(np.float64)
    error = slip_pct(v_d, v_u, control.min_speed_kmh) - grids.target.at(v_u)
    cut = np.minimum(grids.cut.at(error, engaged), control.cut_max_pct)
    cut = np.round(cut / control.cut_step_pct) * control.cut_step_pct
    open_gate = (pedal > control.throttle_gate_pct / 100.0) & (v_u > control.min_speed_kmh)
    cut = np.where(open_gate, cut, 0.0)
    before = np.clip(np.searchsorted(tick_s, time_s, side="right") - 1, 0, tick_s.size - 1)
    return np.asarray(cut[before], dtype=np.float64)


def held_gear(gear: Ints) -> Ints:
    """Return the gear with unknown samples (0) taken from the last known one, the first known ahead of it."""
    known = np.flatnonzero(gear > 0)
    if known.size == 0:
        return np.ones_like(gear)
    last = np.searchsorted(known, np.arange(gear.size), side="right") - 1
    return gear[known[np.maximum(last, 0)]]


def in_kmh(speed_mps: Floats) -> Floats:
    """Return a speed in km/h."""
    return speed_mps * KMH_PER_MPS
