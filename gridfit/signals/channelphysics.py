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


def unit_by_numbers(role: str, values: Floats) -> str:
    """Return the unit that the size of the numbers tells; "" when they could be in several.

    Parameters
    ----------
    role : str
    values : float64[S]
        Finite values as logged.
    """
    top = float(np.quantile(np.abs(values), 0.999))
    if role == "time":
        return _time_unit(values)
    if role == "brake":
        switch = bool(np.isin(values, (0.0, 1.0)).all())
        return (
            "on/off" if switch else "bar" if 5.0 < top <= 250.0 else "kPa" if 500.0 < top <= 25000.0 else ""
        )
    if role == "throttle":
        return "0..1" if top <= 1.2 else "%" if 20.0 < top <= 120.0 else ""
    if role in ("lateral_acc", "longitudinal_acc"):
        return "g" if 0.2 < top < 2.5 else "m/s2" if 5.0 < top < 30.0 else ""
    if role in ("cut", "slip_target", "slip"):
        return "%" if top > 2.0 else ""
    return "deg" if role == "steering" and top > 12.0 else ""


def _time_unit(values: Floats) -> str:
    step = float(np.median(np.diff(values))) if values.size > 1 else 0.0
    whole = step == round(step)
    return "s" if 1e-3 <= step <= 0.2 else "ms" if 1.0 <= step <= 200.0 and whole else ""


def fits(role: str, si: Floats) -> float:
    """Return how well numbers fit a role, 0 to 1.

    Parameters
    ----------
    role : str
    si : float64[S]
        Finite values in SI.
    """
    low, high = (float(one) for one in np.quantile(si, (0.01, 0.99)))
    if role == "time":
        return float(np.mean(np.diff(si) > 0)) if si.size > 1 else 0.0
    if role in ("gear", "lap"):
        return float(np.mean(si == np.round(si))) * float(role == "lap" or (low >= -1 and high <= 10))
    if role.startswith("speed"):
        return float(low >= -1.0 and 3.0 < high < 130.0)
    bounds = {
        "throttle": (-0.2, 1.2),
        "rpm": (0.0, 25000.0),
        "lambda": (0.3, 20.0),
        "cut": (0.0, 100.0),
        "lateral_acc": (-40.0, 40.0),
        "longitudinal_acc": (-40.0, 40.0),
    }
    least, most = bounds.get(role, (-np.inf, np.inf))
    moves = role not in ("throttle", "rpm") or high > low
    return float(least <= low and high <= most and moves)
