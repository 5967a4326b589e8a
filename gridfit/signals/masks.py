"""Where in a run something holds: the brake is on, the limiter is near, a kerb was struck."""

import numpy as np

from gridfit.signals import filters
from gridfit.signals.filters import Bools, Floats

BRAKE_ON_PA = 1.0e5
"""Pressure above rest at which a brake counts as on, 1 bar; common practice, no source."""

BRAKE_OFF_SHARE = 0.6
"""It counts as off again below this share of that [1]."""

BRAKE_NOISE = 6.0
"""On means at least this many standard deviations of the sensor's noise."""

ENGINE_BRAKING_MPS2 = 3.0
"""A car with its throttle shut that slows faster than this is taken to brake [m/s2]."""

SHUT_THROTTLE = 0.05
"""Throttle at or below which it is shut [1]."""

LIMITER_SHARE = 0.99
"""From this share of the limit the limiter may act [1]."""

KERB_S = 0.03
"""A strike on a kerb is widened by this much on both sides [s]."""


def brake_on(brake: Floats) -> Bools:
    """Return where a logged brake is on; missing samples take the state before them.

    Parameters
    ----------
    brake : float64[S]
        Pressure [Pa], or 0 and 1.

    Returns
    -------
    bool[S]
    """
    known = brake[np.isfinite(brake)]
    if known.size == 0:
        return np.zeros(brake.size, dtype=np.bool_)
    if known.max() <= 1.5:
        return filters.hysteresis(brake, 0.5, 0.5)
    rest = float(np.quantile(known, 0.05))
    released = known[known <= rest + BRAKE_ON_PA]
    noise = filters.MAD_TO_SD * float(np.median(np.abs(released - np.median(released))))
    on = max(BRAKE_ON_PA, BRAKE_NOISE * noise)
    zero = float(np.median(released))
    return filters.hysteresis(brake, zero + on, zero + BRAKE_OFF_SHARE * on)


def brake_guessed(time_s: Floats, speed_mps: Floats, throttle: Floats) -> Bools:
    """Return where a car without a brake channel is taken to brake: throttle shut and slowing hard.

    Parameters
    ----------
    time_s : float64[S]
        [s].
    speed_mps : float64[S]
        Undriven axle [m/s].
    throttle : float64[S]
        0 to 1 [1].

    Returns
    -------
    bool[S]
    """
    step_s = float(np.median(np.diff(time_s)))
    slowing = -filters.quadratic(speed_mps, round(0.3 / step_s) | 1, derivative=1, step_s=step_s)
    return filters.hysteresis(slowing, ENGINE_BRAKING_MPS2, 0.7 * ENGINE_BRAKING_MPS2) & (
        ~(throttle > SHUT_THROTTLE)
    )


def near_limiter(rpm: Floats, limit_rpm: float) -> Bools:
    """Return where the engine runs at 99 % of its limit [1/min] or more; unknown speed counts as below."""
    return np.asarray(rpm >= LIMITER_SHARE * limit_rpm)


def kerb(spiked: Bools, step_s: float) -> Bools:
    """Return where a wheel was struck: spikes of any wheel, widened by 30 ms."""
    around = max(1, round(KERB_S / step_s))
    return filters.widen(spiked, around, around)
