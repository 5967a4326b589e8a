"""What set off an episode, as far as a log can tell: a shift, the throttle, a kerb or a damp patch.

A sliding tyre pushes the car with what the ground gives. So the push while the tyre slides, against the usual push
while it slides, tells the ground: the same after too much throttle, some three quarters on a damp patch, half on a
painted kerb that also takes load off. Where too little sliding is logged to know what is usual, a jump of the driven
wheels' acceleration stands in: the force that a patch takes away is left over to spin them up.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.driveline import (
    ROLLING_RESISTANCE,
    axle_load_n,
    drag_force_n,
    equivalent_inertia_kg,
    overall_ratio,
    rolling_radius_m,
)
from gridfit.signals import filters
from gridfit.signals.filters import Bools, Floats
from gridfit.signals.prepared import Signals
from gridfit.units import GRAVITY_MPS2

Cause = Literal["throttle", "kerb", "damp", "shift", "unknown"]

SHIFT_BEFORE_S = 0.12
"""A clutch that closed this long before the start is its cause [s]."""

KERB_BEFORE_S = 0.2
"""So is a wheel that was struck within this time [s]..."""

KERB_AFTER_S = 0.3
"""...or this soon after the start [s]."""

ON_KERB, ON_DAMP = 0.61, 0.87
"""Push over the usual one below which the ground is a kerb, or a damp patch [1].

Geometric means of 0.5 (grip x0.6, load x0.8) and 0.75, and of 0.75 and 1; common practice of the scenarios."""

EARLY_S = 0.3
"""The push is looked at this long from the start [s]: patches are short."""

SLOPE_CAR_S = 0.17
"""The car's acceleration is a slope over this time [s]."""

ENOUGH_SLIDING_S = 2.0
"""Sliding that tells what is usual [s]."""

AFTER_SHIFT_S = 0.3
"""A clutch that closes pushes harder than the tyre's usual, for this long [s]."""

LEAST_PUSH = 0.1
"""A usual push below this share of the axle's load tells nothing [1]."""

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


@dataclass(frozen=True, slots=True)
class Push:
    """How hard the driven axle pushes the car.

    Parameters
    ----------
    share : float64[S]
        Its force over its load [1].
    sliding : bool[S]
        Where slip is above target with the clutch closed, throttle open and no brake.
    usual : float
        Median share while sliding [1]; NaN when too little is known.
    """

    share: Floats
    sliding: Bools
    usual: float


def push(signals: Signals, sheet: CarSheet) -> Push:
    """Return how hard the driven axle pushes, sample by sample, from the undriven wheels' acceleration.

    Parameters
    ----------
    signals : Signals
    sheet : CarSheet
    """
    table, step_s = signals.table, signals.step_s
    speed = table["v_u_mps"].to_numpy(dtype=np.float64)
    rate = filters.quadratic(speed, round(SLOPE_CAR_S / step_s) | 1, derivative=1, step_s=step_s)
    mass = float(sheet.car.mass_kg)
    force = mass * rate + drag_force_n(speed, sheet.car.cda_m2) + ROLLING_RESISTANCE * mass * GRAVITY_MPS2
    share = force / np.maximum(axle_load_n(sheet, rate), 0.1 * axle_load_n(sheet))
    shift = filters.widen(table["shift"].to_numpy(dtype=np.bool_), 0, round(AFTER_SHIFT_S / step_s))
    driven = table["throttle"].to_numpy() > sheet.controller.throttle_gate_pct / 100.0
    sliding = driven & (table["error_smooth_pct"].to_numpy() > 0.0) & ~shift & ~table["brake"].to_numpy()
    enough = sliding.sum() * step_s > ENOUGH_SLIDING_S
    usual = float(np.median(share[sliding])) if enough else float("nan")
    return Push(share, sliding, usual if usual > LEAST_PUSH else float("nan"))


def classify(
    signals: Signals, sheet: CarSheet, pushing: Push, first: int, last: int, gear: int, step_s: float
) -> Cause:
    """Return the likely cause of an episode.

    Parameters
    ----------
    signals : Signals
    sheet : CarSheet
    pushing : Push
        Of the run.
    first, last : int
        First and last sample of the episode.
    gear : int
        Gear engaged, 0 unknown.
    step_s : float
        Time between samples [s].

    Returns
    -------
    str
        ``unknown`` where neither the push nor the gear is known and neither a shift nor a kerb is seen.
    """
    if _any(signals, "shift", first, SHIFT_BEFORE_S, 0.0, step_s):
        return "shift"
    if _any(signals, "kerb", first, KERB_BEFORE_S, KERB_AFTER_S, step_s):
        return "kerb"
    early = slice(first, min(last, first + round(EARLY_S / step_s)) + 1)
    share = pushing.share[early][pushing.sliding[early]]
    if np.isfinite(pushing.usual) and share.size > 0:
        left = float(share.min()) / pushing.usual
        return "kerb" if left < ON_KERB else "damp" if left < ON_DAMP else "throttle"
    return _by_jump(signals, sheet, first, gear, step_s)


def _by_jump(signals: Signals, sheet: CarSheet, index: int, gear: int, step_s: float) -> Cause:
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
