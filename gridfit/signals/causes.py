"""What set off an episode, as far as a log can tell: a shift, the throttle, a kerb or a damp patch.

A patch of less grip shows as a jump of the driven wheels' acceleration, since the force that it takes away
is left over to spin them up; a throttle that asks too much lets them go gradually.
"""

from typing import Literal

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.driveline import axle_load_n, equivalent_inertia_kg, overall_ratio, rolling_radius_m
from gridfit.signals import filters
from gridfit.signals.filters import Floats
from gridfit.signals.prepared import Signals

Cause = Literal["throttle", "kerb", "damp", "shift", "unknown"]

SHIFT_BEFORE_S = 0.15
"""A clutch that closed this long before the start is its cause [s]."""

KERB_BEFORE_S = 0.2
"""So is a wheel that was struck within this time [s]..."""

KERB_AFTER_S = 0.1
"""...or this soon after the start [s]."""

JUMP = 1.3
"""Acceleration at the start over that before it, from which it is a jump [1]. Judgement."""

SLOPE_S = 0.05
"""Accelerations are slopes over this time [s]."""

DOUBT_SD = 1.0
"""A jump must stand out by this many standard deviations of the slope's noise."""

USUAL_MPS2 = 2.2
"""The acceleration before the start counts as at least this much [m/s2]."""

LOST_TO_KERB = 0.33
"""Share of grip lost that parts kerb from damp patch [1]: midway between x0.75 and x0.6."""

WHEELS_KGM2 = 2.5
"""Inertia of two driven wheels with brakes and shafts [kg m2]; rule of thumb, no source."""


def classify(signals: Signals, sheet: CarSheet, index: int, gear: int, step_s: float) -> Cause:
    """Return the likely cause of an episode.

    Parameters
    ----------
    signals : Signals
    sheet : CarSheet
    index : int
        First sample of the episode.
    gear : int
        Gear engaged, 0 unknown.
    step_s : float
        Time between samples [s].

    Returns
    -------
    str
        ``unknown`` where the gear is unknown and neither a shift nor a kerb is seen.
    """
    if _any(signals, "shift", index, SHIFT_BEFORE_S, 0.0, step_s):
        return "shift"
    if _any(signals, "kerb", index, KERB_BEFORE_S, KERB_AFTER_S, step_s):
        return "kerb"
    before, at, doubt = _accelerations(
        signals.table["v_d_smooth_mps"].to_numpy(dtype=np.float64), index, step_s
    )
    if at < JUMP * max(before, USUAL_MPS2) + doubt:
        return "throttle"
    if gear == 0:
        return "unknown"
    return "kerb" if grip_lost(at - before, gear, sheet) > LOST_TO_KERB else "damp"


def grip_lost(jump_mps2: float, gear: int, sheet: CarSheet) -> float:
    """Return the share of the driven axle's grip that a jump of its wheels' acceleration speaks of [1].

    Parameters
    ----------
    jump_mps2 : float
        Jump of the driven wheels' acceleration, at the tread [m/s2].
    gear : int
        Gear engaged.
    sheet : CarSheet
    """
    ratio = overall_ratio(sheet, gear)
    radius_m = rolling_radius_m(sheet.tyre.size)
    inertia_kg = equivalent_inertia_kg(WHEELS_KGM2, sheet.engine.inertia_kgm2, ratio, radius_m)
    return float(jump_mps2 * inertia_kg / (axle_load_n(sheet) * sheet.tyre.mu))


def _any(signals: Signals, column: str, index: int, before_s: float, after_s: float, step_s: float) -> bool:
    first = max(0, index - max(1, round(before_s / step_s)))
    last = index + 1 + round(after_s / step_s)
    return bool(signals.table[column].to_numpy()[first:last].any())


def _accelerations(speed_mps: Floats, index: int, step_s: float) -> tuple[float, float, float]:
    """Return mean acceleration 0.3 to 0.1 s before a sample, the largest about it, and its error [m/s2]."""
    reach = round(0.3 / step_s) + 2
    first = max(0, index - reach)
    piece = speed_mps[first : index + round(0.04 / step_s) + 2]
    if piece.size < 5:
        return 0.0, 0.0, 0.0
    window = max(3, round(SLOPE_S / step_s) | 1)
    rate = filters.quadratic(piece, window, derivative=1, step_s=step_s)
    # Slope of a line through `window` samples: error of a sample over step x sqrt(sum of k^2).
    spread = np.sqrt(np.sum((np.arange(window) - window // 2) ** 2.0))
    doubt = DOUBT_SD * np.nan_to_num(filters.noise_sd(piece)) / (step_s * spread)
    here = index - first
    calm = rate[max(0, here - round(0.3 / step_s)) : max(1, here - round(0.1 / step_s))]
    sharp = rate[max(0, here - round(0.05 / step_s)) : here + round(0.04 / step_s) + 1]
    return float(np.mean(calm)), float(np.max(sharp, initial=0.0)), float(doubt)
