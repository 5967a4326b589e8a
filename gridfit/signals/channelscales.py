"""The unit of a channel that nothing tells, from its own numbers and from what it must agree with."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit import units
from gridfit.carsheet import CarSheet
from gridfit.signals import channelevidence, channelphysics
from gridfit.signals.channelevidence import Seen
from gridfit.signals.run import ROLE_OF

Floats = NDArray[np.float64]

UNIT_UNTOLD = 0.55
"""What is left of a guess whose unit nothing tells [1]: below what is used, on purpose."""
REFUTED = 0.3
"""What is left of a guess that the numbers speak against [1]."""
DEFAULT_UNITS = {"rpm": "rpm", "gear": "-", "lambda": "-", "lap": "-"}
"""Roles whose unit goes without saying."""
USUAL = {"speed": "km/h", "angle": "deg", "acceleration": "g", "brake": "bar"}
"""Unit that is proposed when nothing tells it."""
ALIKE = (0.75, 1.33)
"""Median ratio of two wheel speeds of one car [1]."""


@dataclass(frozen=True, slots=True)
class Scaled:
    """A unit, what is left of the guess [1], and why."""

    unit: str
    left: float
    reason: str


def own(role: str, values: Floats, unit: str, odd: str, sheet: CarSheet) -> Scaled:
    """Return the unit of a column by itself.

    Parameters
    ----------
    role : str
    values : float64[S]
        As logged.
    unit : str
        Unit that is told and known; empty when none is.
    odd : str
        Unit that is told and not known.
    sheet : CarSheet

    Returns
    -------
    Scaled
    """
    dimension = ROLE_OF[role].dimension
    finite = values[np.isfinite(values)]
    usual = DEFAULT_UNITS.get(role) or USUAL.get(dimension, units.units_for(dimension)[0])
    if finite.size < 2:
        return Scaled(unit or usual, 0.0, "no numbers in it")
    if odd:
        made = Scaled(usual, UNIT_UNTOLD, f"its unit '{odd}' is not known")
    elif unit:
        made = Scaled(unit, 1.0, "unit told")
    elif role in DEFAULT_UNITS:
        made = Scaled(usual, 1.0, "no other unit is usual")
    else:
        made = _by_size(role, finite, usual, sheet)
    fit = channelphysics.fits(role, units.to_si(finite, made.unit, dimension), sheet)
    reason = made.reason if fit > 0.5 else f"{made.reason}; the numbers are not those of {role}"
    # Never nothing: a proposal names the column all the same.
    return Scaled(made.unit, made.left * max(fit, 0.1), reason)


def _by_size(role: str, values: Floats, usual: str, sheet: CarSheet) -> Scaled:
    unit = channelphysics.unit_by_numbers(role, values, sheet.sensors.log_hz)
    if unit:
        return Scaled(
            unit, 1.0 if role in ("time", "throttle") else 0.9, f"{unit} by the size of its numbers"
        )
    return Scaled(usual, UNIT_UNTOLD, "nothing tells its unit")


def beside(role: str, values: Floats, own_unit: Scaled, told: bool, seen: Seen, sheet: CarSheet) -> Scaled:
    """Return the unit of a column once the speeds are known: confirmed, found, or refuted.

    Parameters
    ----------
    role : str
        None of the needed ones.
    values : float64[S]
        On the even clock, as logged.
    own_unit : Scaled
        By itself.
    told : bool
        Whether log or name tell the unit.
    seen : Seen
    sheet : CarSheet

    Returns
    -------
    Scaled
    """
    if role in ("lateral_acc", "longitudinal_acc", "steering", "slip"):
        return _measured(role, values, own_unit, told, seen, sheet)
    driven = seen.axle("driven") if seen.axle("driven") is not None else seen.axle(sheet.driven)
    if role == "gear" and seen.rpm is not None and driven is not None:
        agree = channelevidence.gears_agree(values, seen.rpm, driven)
        if agree is False:
            return Scaled(own_unit.unit, REFUTED, "engine speed over wheel speed does not follow it")
        return Scaled(own_unit.unit, own_unit.left, "engine speed follows it") if agree else own_unit
    return own_unit


def _measured(role: str, values: Floats, own_unit: Scaled, told: bool, seen: Seen, sheet: CarSheet) -> Scaled:
    """Hold a channel against what the wheel speeds say that it must be."""
    found, against, tie = _found(role, values, seen, sheet)
    if abs(tie) < channelevidence.TIED:
        # An axis that is not the one that its name says ties to the other one.
        other = {"lateral_acc": "longitudinal_acc", "longitudinal_acc": "lateral_acc"}.get(role)
        if other and abs(_found(other, values, seen, sheet)[2]) > channelevidence.TIED:
            return Scaled(own_unit.unit, REFUTED, f"it moves as {ROLE_OF[other].meaning} does")
        return own_unit
    if not found:
        return Scaled(
            own_unit.unit, REFUTED if told else UNIT_UNTOLD, f"its size against {against} fits no unit"
        )
    if told and units.find(found) != units.find(own_unit.unit):
        return Scaled(own_unit.unit, REFUTED, f"{against} says {found}")
    if own_unit.left < UNIT_UNTOLD:
        return own_unit
    return Scaled(own_unit.unit if told else found, 1.0, f"{found} by {against}")


def _found(role: str, values: Floats, seen: Seen, sheet: CarSheet) -> tuple[str, str, float]:
    """Return the unit that the wheel speeds tell, what was compared, and the correlation."""
    driven, undriven, free = _speeds(seen, sheet)
    if driven is None or undriven is None or free is None:
        return "", "", 0.0
    curvature = free / (sheet.car.track_m or 1.5)
    moving = undriven > 5.0
    kept = np.where(moving, values, np.nan)
    if role == "longitudinal_acc":
        slope, tie = channelevidence.scale(kept, channelevidence.rate_of(undriven))
        return channelevidence.acceleration_unit(slope) if slope > 0 else "", "the change of speed", tie
    if role == "lateral_acc":
        slope, tie = channelevidence.scale(kept, curvature * undriven**2)
        return channelevidence.acceleration_unit(slope), "the difference of left and right", tie
    if role == "steering":
        slope, tie = channelevidence.scale(kept, curvature)
        unit = channelevidence.steering_unit(slope, sheet.car.wheelbase_m)
        return unit, "the difference of left and right", tie
    slip = np.clip(100.0 * (driven / np.maximum(undriven, 2.0) - 1.0), -50.0, 100.0)
    slope, tie = channelevidence.scale(kept, slip)
    unit = "%" if 0.6 < slope < 1.6 else "0..1" if 0.006 < slope < 0.016 else ""
    return unit, "the slip of the wheel speeds", tie


def _speeds(seen: Seen, sheet: CarSheet) -> tuple[Floats | None, Floats | None, Floats | None]:
    """Return driven and undriven speed [m/s], and right minus left of the undriven axle over its speed [1]."""
    other = "rear" if sheet.driven == "front" else "front"
    driven = seen.axle("driven") if seen.axle("driven") is not None else seen.axle(sheet.driven)
    undriven = seen.axle("undriven") if seen.axle("undriven") is not None else seen.axle(other)
    left, right = (seen.speed_mps.get(f"speed_{other[0]}{side}") for side in "lr")
    if undriven is None:
        return driven, None, None
    if left is None or right is None:
        return driven, undriven, np.zeros(undriven.size)
    return driven, undriven, (right - left) / np.maximum(undriven, 2.0)


def speeds_differ(seen: Seen) -> list[str]:
    """Return the roles of the wheel speeds that are not the speed of the same car as the most of them."""
    roles = list(seen.speed_mps)
    if len(roles) < 2:
        return []
    stack = np.stack([seen.speed_mps[role] for role in roles])
    middle = np.median(stack, axis=0)
    moving = middle > 3.0
    if not moving.any():
        return roles
    ratio = np.median(stack[:, moving] / middle[moving], axis=1)
    return [role for role, one in zip(roles, ratio, strict=True) if not ALIKE[0] < one < ALIKE[1]]
