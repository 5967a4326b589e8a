"""What the numbers of a column tell: whether it can play a role, and in which unit it must be."""

import numpy as np
from numpy.typing import NDArray

from gridfit import tyresize, units
from gridfit.carsheet import CarSheet

Floats = NDArray[np.float64]

SPEED_UNITS = ("km/h", "m/s", "mph")
RATIO_WIDTH = 0.05
"""Half width of the band around a gear's overall ratio, in natural logarithm [1]; chosen, no source."""
CLEAR_LEAD = 0.2
"""By how much of the samples one unit must lead the next [1]; chosen, no source."""
FEWEST = 100
"""Samples below which gear ratios tell nothing."""


def speed_unit(speed: Floats, rpm: Floats, sheet: CarSheet) -> tuple[str, float]:
    """Find a speed's unit from the ratios of the gearbox: only in one unit does the car run in its gears.

    Parameters
    ----------
    speed : float64[S]
        Speed of an axle or wheel, unit unknown.
    rpm : float64[S]
        Engine speed [rpm].
    sheet : CarSheet
        Gives ratios and tyre size.

    Returns
    -------
    (str, float)
        Unit, and how sure it is [1]: the share of samples near a gear's ratio; ``("", 0.0)`` when no unit
        leads clearly.
    """
    radius_m = tyresize.parse(sheet.tyre.size).rolling_radius_m
    overall = np.log(np.array(sheet.gearbox.ratios) * sheet.gearbox.final_drive)
    turning = (rpm > 1.5 * sheet.engine.idle_rpm) & (speed > 0.0)
    if np.count_nonzero(turning) < FEWEST:
        return "", 0.0
    wheel_mps = rpm[turning] / units.RPM_PER_RADPS * radius_m
    shares = []
    for name in SPEED_UNITS:
        implied = np.log(wheel_mps / units.to_si(speed[turning], name, "speed"))
        near = np.min(np.abs(implied[:, None] - overall), axis=1) < RATIO_WIDTH
        shares.append((float(near.mean()), name))
    best, second = sorted(shares, reverse=True)[:2]
    return (best[1], best[0]) if best[0] - second[0] > CLEAR_LEAD else ("", 0.0)


def unit_by_numbers(role: str, values: Floats, log_hz: float = 100.0) -> str:
    """Return the unit that the size of the numbers tells; "" when they could be in several.

    Parameters
    ----------
    role : str
    values : float64[S]
        Finite values as logged.
    log_hz : float
        Rate of the log by the car sheet [Hz].
    """
    top = float(np.quantile(np.abs(values), 0.999))
    if role == "time":
        return _time_unit(values, log_hz)
    if role == "brake":
        switch = bool(np.isin(values, (0.0, 1.0)).all())
        # Bar and per cent, and kilopascal and psi, overlap below this.
        return "on/off" if switch else "kPa" if 3000.0 < top <= 25000.0 else ""
    if role == "throttle":
        return "0..1" if 0.3 < top <= 1.2 else "%" if 20.0 < top <= 120.0 else ""
    if role in ("lateral_acc", "longitudinal_acc"):
        # Below it could be either: 2 m/s2 on a road is as usual as 2 g on slicks.
        return "m/s2" if 5.0 < top < 30.0 else ""
    if role == "cut":
        # Up to 12 it could be cylinders or steps.
        return "%" if 12.0 < top <= 100.0 else ""
    return "deg" if role == "steering" and top > 12.0 else ""


def _time_unit(values: Floats, log_hz: float) -> str:
    """Return the unit in which the clock runs within a factor of 30 of the car sheet's rate."""
    step = float(np.median(np.diff(values))) if values.size > 1 else 0.0
    fits = [name for name in ("s", "ms", "us") if 1.0 / 30.0 < step * _TIME_FACTORS[name] * log_hz < 30.0]
    return fits[0] if len(fits) == 1 else ""


_TIME_FACTORS = {"s": 1.0, "ms": 1e-3, "us": 1e-6}


def fits(role: str, si: Floats, sheet: CarSheet) -> float:
    """Return how well numbers fit a role, 0 to 1.

    Parameters
    ----------
    role : str
    si : float64[S]
        Finite values in SI.
    sheet : CarSheet
        Says what engine speed and gears can be.
    """
    low, middle, high = (float(one) for one in np.quantile(si, (0.01, 0.5, 0.99)))
    if role == "time":
        return float(np.mean(np.diff(si) > 0)) if si.size > 1 else 0.0
    if role == "gear":
        return float(np.mean(si == np.round(si))) * float(low >= -1 and 1 <= high <= 10)
    if role == "lap":
        forward = float(np.mean(np.diff(si) >= 0)) if si.size > 1 else 0.0
        return float(np.mean(si == np.round(si))) * forward
    if role.startswith("speed"):
        return float(low >= -1.0 and 3.0 < high < 130.0)
    if role == "rpm":
        return float(low >= -1.0 and 1.2 * sheet.engine.idle_rpm < high < 1.3 * sheet.engine.limit_rpm)
    if role == "lambda":
        return float(low > 0.3 and 0.6 < middle < 1.6)
    bounds = {
        "throttle": (-0.2, 1.2),
        "cut": (0.0, 100.0),
        "lateral_acc": (-40.0, 40.0),
        "longitudinal_acc": (-40.0, 40.0),
        "steering": (-20.0, 20.0),
    }
    least, most = bounds.get(role, (-np.inf, np.inf))
    moves = role != "throttle" or high > low
    return float(least <= low and high <= most and moves)
