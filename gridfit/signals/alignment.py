"""The channels of one log on one clock: lags of engine speed, of acceleration and of the undriven axle taken out.

Wheel speeds of the driven axle are held to be on time. Only what a car ties rigidly is compared: engine speed
with the driven axle in a gear of the sheet, acceleration with the change of speed, the undriven axle with the
driven one while the throttle is shut. Throttle, cut and the controller's own slip are never moved, since their
time to the wheels is what the plant is made of.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gridfit import tyresize, units
from gridfit.carsheet import CarSheet
from gridfit.estimate import Estimate
from gridfit.signals import filters, sourcelag
from gridfit.signals.sourcelag import Lag

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

IN_GEAR = 0.08
"""Half width of the band around a gear's ratio, in natural logarithm [1]; chosen."""
AROUND_S = 0.5
"""This long around a change of gear engine speed is not compared [s]; chosen."""
SHUT = 0.1
"""Throttle below which no axle spins [1]; chosen."""
LEAST_MPS = 4.0
LEAD_S = Estimate(0.035, 0.01, 0.06)
"""By how much an axle that engine and brakes hold back leads the other one [s]; measured on logs of five cars."""
LEAST_S = {"speed_undriven_mps": 0.1, "rpm": sourcelag.LEAST_S, "longitudinal_acc_mps2": 0.06}
"""Lag from which on a column is moved [s]: more than filters, shafts and tyres make on those logs."""


@dataclass(frozen=True, slots=True)
class Aligned:
    """Columns on one clock.

    Parameters
    ----------
    columns : dict of str to float64[S]
        NaN at the ends where a shift leaves nothing.
    lags : dict of str to Lag
        By column: what was compared, whether it was moved or not.
    taken_out : dict of str to Estimate
        By column that was moved: its lag [s].
    """

    columns: dict[str, Floats]
    lags: dict[str, Lag]
    taken_out: dict[str, Estimate]


def align(columns: Mapping[str, Floats], sheet: CarSheet) -> Aligned:
    """Estimate the lags between the sources of a log, and take out those that are found.

    Parameters
    ----------
    columns : dict of str to float64[S]
        By column of `ROLES`, in SI, on a clock that increases; speeds of both axles are there.
    sheet : CarSheet
        Ratios of the gearbox, tyre.

    Returns
    -------
    Aligned
    """
    made, lags, taken_out = dict(columns), dict[str, Lag](), dict[str, Estimate]()
    time_s = columns["time_s"]
    for column, of in (
        ("speed_undriven_mps", _undriven),
        ("rpm", _rpm),
        ("longitudinal_acc_mps2", _acceleration),
    ):
        if column not in columns:
            continue
        lags[column] = of(made, sheet)
        if not (lags[column].late and lags[column].lag_s.mean > LEAST_S[column]):
            continue
        taken_out[column] = lags[column].lag_s
        for one in _moved_with(column, columns, sheet):
            made[one] = moved(time_s, made[one], lags[column].lag_s.mean)
    return Aligned(made, lags, taken_out)


def moved(time_s: Floats, values: Floats, lag_s: float) -> Floats:
    """Return a channel as it would be without its lag; NaN beyond its ends and next to missing samples.

    Parameters
    ----------
    time_s, values : float64[S]
    lag_s : float
        By how much the channel comes late [s].
    """
    wanted = time_s + lag_s
    made = np.interp(wanted, time_s, values)
    # np.interp carries NaN from either neighbour, also where it stands exactly on the other.
    outside = (wanted < time_s[0]) | (wanted > time_s[-1])
    after = np.clip(np.searchsorted(time_s, wanted), 1, time_s.size - 1)
    steps = time_s[after] - time_s[after - 1]
    hole = steps > sourcelag.HOLE_PERIODS * float(np.median(np.diff(time_s)))
    return np.where(outside | hole, np.nan, made)


def _moved_with(column: str, columns: Mapping[str, Floats], sheet: CarSheet) -> list[str]:
    """Return the columns that come from the same source."""
    if column != "speed_undriven_mps":
        return [column]
    end = "r" if sheet.driven == "front" else "f"
    return [column, *(one for side in "lr" if (one := f"speed_{end}{side}_mps") in columns)]


def _undriven(columns: Mapping[str, Floats], sheet: CarSheet) -> Lag:
    driven, undriven = columns["speed_driven_mps"], columns["speed_undriven_mps"]
    throttle = columns.get("throttle")
    if throttle is None:
        return sourcelag.UNKNOWN
    shut = ~_widened(~(throttle < SHUT), columns["time_s"])
    usable = shut & (driven > LEAST_MPS) & (undriven > LEAST_MPS)
    lag = sourcelag.estimate(columns["time_s"], driven, columns["time_s"], undriven, usable=usable)
    made = lag.lag_s
    own = Estimate(made.mean - LEAD_S.mean, made.lo - LEAD_S.hi, made.hi - LEAD_S.lo)
    return replace(lag, lag_s=own)


def _rpm(columns: Mapping[str, Floats], sheet: CarSheet) -> Lag:
    rpm, driven = columns["rpm"], columns["speed_driven_mps"]
    radius_m = tyresize.parse(sheet.tyre.size).rolling_radius_m
    overall = np.log(np.array(sheet.gearbox.ratios) * sheet.gearbox.final_drive)
    turning = (driven > LEAST_MPS) & (rpm > 1.2 * sheet.engine.idle_rpm)
    free = np.log(
        np.where(turning, rpm, 1.0) / units.RPM_PER_RADPS * radius_m / np.where(turning, driven, 1.0)
    )
    nearest = np.argmin(np.abs(free[:, None] - overall), axis=1)
    in_gear = turning & (np.abs(free - overall[nearest]) < IN_GEAR)
    shifted = np.append(np.diff(nearest) != 0, False) | ~in_gear
    usable = ~_widened(shifted, columns["time_s"])
    return sourcelag.estimate(
        columns["time_s"], driven * np.exp(overall[nearest]), columns["time_s"], rpm, usable=usable
    )


def _acceleration(columns: Mapping[str, Floats], sheet: CarSheet) -> Lag:
    time_s, speed = columns["time_s"], columns["speed_undriven_mps"]
    known = np.isfinite(speed)
    if np.count_nonzero(known) < sourcelag.FEWEST:
        return sourcelag.UNKNOWN
    period = float(np.median(np.diff(time_s)))
    width = max(1, round(0.1 / period)) | 1
    filled = np.interp(time_s, time_s[known], speed[known])
    even = np.full(width, 1.0 / width)
    smooth = np.convolve(np.pad(filled, width // 2, mode="edge"), even, mode="valid")
    rate = np.gradient(smooth, time_s)
    return sourcelag.estimate(
        time_s, rate, time_s, columns["longitudinal_acc_mps2"], usable=known & (speed > LEAST_MPS)
    )


def _widened(mask: Bools, time_s: Floats) -> Bools:
    samples = max(1, round(AROUND_S / float(np.median(np.diff(time_s)))))
    return filters.widen(mask, samples, samples)
