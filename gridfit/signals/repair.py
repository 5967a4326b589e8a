"""A run after repair, before calibration: axle speeds, throttle, engine speed, brake and bends without faults."""

from dataclasses import dataclass

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.signals import bends, masks, mending
from gridfit.signals.bends import Bend
from gridfit.signals.filters import Bools, Floats
from gridfit.signals.mending import Mended
from gridfit.signals.run import Run
from gridfit.signals.wheels import Axle, axle

BRIDGED_S = 0.12
"""Gaps in throttle, engine speed and so on are bridged up to this long [s]."""

HOLE_S = 0.12
"""A longer step of the clock is a hole that nothing bridges [s]."""


@dataclass(frozen=True, slots=True)
class Repaired:
    """A run after repair.

    Parameters
    ----------
    run : Run
        As it was read.
    time_s : float64[S]
        The log's clock [s].
    undriven, driven : Axle
        Speeds, not calibrated.
    throttle, rpm, lateral_mps2 : float64[S]
        0 to 1 [1], [1/min], [m/s2]; NaN where unknown.
    brake : bool[S]
        Where it is on.
    bend : Bend
        Curvature or steering angle.
    lost : bool[S]
        First sample after a hole of the clock.
    mended : dict of str to Mended
        What was taken out of the other channels, by column.
    """

    run: Run
    time_s: Floats
    undriven: Axle
    driven: Axle
    throttle: Floats
    rpm: Floats
    lateral_mps2: Floats
    brake: Bools
    bend: Bend
    lost: Bools
    mended: dict[str, Mended]


def column(run: Run, name: str) -> Floats | None:
    """Return a column of a run as float64[S], or None when the log has none."""
    return run.table[name].to_numpy(dtype=np.float64) if name in run.table else None


def repair(run: Run, sheet: CarSheet) -> Repaired:
    """Take out of a run what its sensors and logger put in.

    Parameters
    ----------
    run : Run
    sheet : CarSheet
        Which axle drives; limits of the engine.

    Returns
    -------
    Repaired
    """
    time_s = run.table["time_s"].to_numpy(dtype=np.float64)
    undriven, driven = axle(run, sheet, driven=False), axle(run, sheet, driven=True)
    mended = mending.mend(run, undriven.speed_mps, sheet)
    throttle = bridged(mended, "throttle", time_s)
    logged_brake = column(run, "brake")
    if logged_brake is None:
        brake = masks.brake_guessed(time_s, undriven.speed_mps, throttle)
    else:
        brake = masks.brake_on(logged_brake)
    lateral = bridged(mended, "lateral_acc_mps2", time_s)
    steps = np.diff(time_s, prepend=time_s[0])
    return Repaired(
        run=run,
        time_s=time_s,
        undriven=undriven,
        driven=driven,
        throttle=throttle,
        rpm=bridged(mended, "rpm", time_s),
        lateral_mps2=lateral,
        brake=brake,
        bend=bends.find(run, undriven, driven, lateral, sheet),
        lost=steps > max(HOLE_S, 3.0 * run.period_s),
        mended=mended,
    )


def bridged(mended: dict[str, Mended], name: str, time_s: Floats) -> Floats:
    """Return a channel with gaps up to 0.12 s bridged, longer ones NaN; all NaN when the log has none."""
    if name not in mended:
        return np.full(time_s.size, np.nan)
    return mending.bridge(mended[name].values, time_s, BRIDGED_S)
