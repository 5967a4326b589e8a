"""Steady stretches of a run: ratio of the axles' speeds beside the force that the driven wheels carry."""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from gridfit.carsheet import CarSheet
from gridfit.driveline import (
    ROLLING_RESISTANCE,
    drag_force_n,
    full_throttle_torque_nm,
    overall_ratio,
    rolling_radius_m,
)
from gridfit.signals.filters import Bools, Floats, Ints
from gridfit.units import GRAVITY_MPS2

BLOCK_S = 0.6
"""Length of a point [s]."""

OVERLAP = 4
"""Points begin this many times per length [1], so that it does not matter where a log begins."""

SLOWEST_MPS = 8.0
"""Slower points are left out [m/s]."""

STEADY_THROTTLE = 0.03
"""Largest standard deviation of the throttle within a point [1]."""

CLUSTER_S = 20.0
"""Points within this time share their errors [s]."""

THROTTLE_SHAPE = 1.7
"""Torque share is 1 - (1 - u)^p [1]; p of common throttle bodies 1.4 to 2, judgement."""


@dataclass(frozen=True, slots=True)
class Samples:
    """What `points` needs of a run, sample by sample.

    Parameters
    ----------
    time_s, v_u_mps, v_d_mps, throttle : float64[S]
        Clock [s], undriven and driven speed, not calibrated [m/s], throttle 0 to 1 (NaN where unknown).
    usable : bool[S]
        No brake, no shift, no cut, no fault.
    bend : float64[S]
        Curvature [1/m] or steering angle [rad], left or right by sign; NaN where unknown.
    curved : bool
        Whether `bend` is a curvature.
    drive_mps2, drag_mps2 : float64[S]
        From `engine_forces`; NaN where unknown.
    sd_mps : float
        Noise of the undriven speed [m/s].
    """

    time_s: Floats
    v_u_mps: Floats
    v_d_mps: Floats
    throttle: Floats
    usable: Bools
    bend: Floats
    curved: bool
    drive_mps2: Floats
    drag_mps2: Floats
    sd_mps: float


@dataclass(frozen=True, slots=True)
class Points:
    """Steady stretches of a run.

    Parameters
    ----------
    ratio_log : float64[B]
        Logarithm of driven over undriven speed [1].
    force_mps2 : float64[B]
        Force of the driven axle over mass, from the car's acceleration [m/s2].
    force_sd_mps2 : float64[B]
        Its error from speed noise [m/s2].
    drive_mps2, drag_mps2 : float64[B]
        The same force by the engine: what the throttle asks for, and a unit of engine drag; NaN if unknown.
    bend : float64[B]
        Path curvature [1/m], or steering angle [rad] where only that is known; 0 where neither is.
    curved : bool
        Whether `bend` is a curvature.
    speed_mps : float64[B]
        Undriven axle [m/s].
    throttle : float64[B]
        Mean [1].
    cluster : int64[B]
        Which points share errors.
    """

    ratio_log: Floats
    force_mps2: Floats
    force_sd_mps2: Floats
    drive_mps2: Floats
    drag_mps2: Floats
    bend: Floats
    curved: bool
    speed_mps: Floats
    throttle: Floats
    cluster: Ints


def engine_forces(rpm: Floats, throttle: Floats, gear: Ints, sheet: CarSheet) -> tuple[Floats, Floats]:
    """Return what throttle and engine drag make at the driven tread, over the car's mass [m/s2].

    Parameters
    ----------
    rpm, throttle : float64[S]
        Engine speed [1/min], throttle 0 to 1; NaN where unknown.
    gear : int64[S]
        0 where unknown.
    sheet : CarSheet

    Returns
    -------
    tuple of float64[S]
        Force of the sheet's torque at this throttle, and of its mean torque as a unit of engine drag.
    """
    ratio = overall_ratio(sheet, np.maximum(gear, 1))
    lever = ratio * sheet.gearbox.efficiency / rolling_radius_m(sheet.tyre.size) / sheet.car.mass_kg
    lever = np.where((gear > 0) & np.isfinite(rpm), lever, np.nan)
    share = 1.0 - (1.0 - np.clip(throttle, 0.0, 1.0)) ** THROTTLE_SHAPE
    drive = lever * share * full_throttle_torque_nm(sheet, np.nan_to_num(rpm))
    return np.asarray(drive), np.asarray(lever * float(np.mean(sheet.engine.torque_nm)))


def points(samples: Samples, sheet: CarSheet) -> Points:
    """Cut a run into steady stretches.

    Parameters
    ----------
    samples : Samples
    sheet : CarSheet
        Mass and drag area.

    Returns
    -------
    Points
    """
    time_s = samples.time_s
    size = min(max(4, round(BLOCK_S / float(np.median(np.diff(time_s))))), time_s.size)
    stride = max(1, size // OVERLAP)

    def blocks(values: Floats) -> Floats:
        return sliding_window_view(values, size)[::stride]

    clock = blocks(time_s)
    centred = clock - clock.mean(axis=1, keepdims=True)
    moment = np.maximum((centred**2).sum(axis=1), 1e-9)
    speed, driven = blocks(samples.v_u_mps).mean(axis=1), blocks(samples.v_d_mps).mean(axis=1)
    slope = (centred * blocks(samples.v_u_mps)).sum(axis=1) / moment
    drag = drag_force_n(speed, sheet.car.cda_m2) / sheet.car.mass_kg
    pedal = blocks(np.nan_to_num(samples.throttle, nan=0.0))
    keep = blocks(samples.usable.astype(np.float64)).all(axis=1) & (speed > SLOWEST_MPS)
    keep &= (driven > SLOWEST_MPS / 2) & (pedal.std(axis=1) < STEADY_THROTTLE)
    keep &= clock[:, -1] - clock[:, 0] < 1.5 * BLOCK_S
    return Points(
        ratio_log=np.log(np.maximum(driven, 0.1) / np.maximum(speed, 0.1))[keep],
        force_mps2=(slope + drag + ROLLING_RESISTANCE * GRAVITY_MPS2)[keep],
        force_sd_mps2=(samples.sd_mps / np.sqrt(moment))[keep],
        drive_mps2=blocks(samples.drive_mps2).mean(axis=1)[keep],
        drag_mps2=blocks(samples.drag_mps2).mean(axis=1)[keep],
        bend=np.nan_to_num(blocks(samples.bend).mean(axis=1), nan=0.0)[keep],
        curved=samples.curved,
        speed_mps=speed[keep],
        throttle=pedal.mean(axis=1)[keep],
        cluster=(clock[:, 0] // CLUSTER_S).astype(np.int64)[keep],
    )
