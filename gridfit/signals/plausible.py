"""Values that a channel can hold at all: codes cleaned, and units refused that the numbers contradict."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.errors import InputError, Problem
from gridfit.signals.channelmap import ChannelMap
from gridfit.signals.run import ROLES

Floats = NDArray[np.float64]

NEEDED = ("speed_driven", "speed_undriven", "speed_fl", "speed_fr", "speed_rl", "speed_rr", "throttle")
"""Roles that must hold numbers when they are mapped."""
FASTEST_MPS = 130.0
"""Speed that no car here reaches [m/s]."""
HIGHEST_THROTTLE = 1.2
"""Throttle that a badly calibrated sensor may still show [1]."""
HIGHEST_RPM = 25000.0


@dataclass(frozen=True, slots=True)
class Cleaned:
    """Columns after `clean`, and what was changed, with counts."""

    columns: dict[str, Floats]
    repairs: tuple[tuple[str, int], ...]


def clean(columns: dict[str, Floats], sheet: CarSheet) -> Cleaned:
    """Turn infinite values into NaN, gear codes that are no forward gear into 0, leave out empty columns.

    Parameters
    ----------
    columns : dict of str to float64[S]
        By column of `ROLES`, in SI.
    sheet : CarSheet
        Says how many gears there are.

    Returns
    -------
    Cleaned
        Columns of needed roles are never left out.
    """
    kept: dict[str, Floats] = {}
    repairs: list[tuple[str, int]] = []
    for role in ROLES:
        if (values := columns.get(role.column)) is None:
            continue
        infinite = np.isinf(values)
        if infinite.any():
            values = np.where(infinite, np.nan, values)
            repairs.append((f"infinite value of {role.name}", int(infinite.sum())))
        if role.name == "gear":
            values, odd = _forward_gears(values, sheet.gears)
            repairs += [("gear code that is no forward gear", odd)] if odd else []
        if np.isnan(values).all() and role.name not in NEEDED:
            repairs.append((f"empty column of {role.name}", values.size))
            continue
        kept[role.column] = values
    return Cleaned(kept, tuple(repairs))


def _forward_gears(gear: Floats, gears: int) -> tuple[Floats, int]:
    odd = np.isfinite(gear) & ((gear < 0) | (gear > gears) | (gear != np.round(gear)))
    return (np.where(odd, 0.0, gear), int(odd.sum())) if odd.any() else (gear, 0)


def check(columns: dict[str, Floats], mapped: ChannelMap, sheet: CarSheet, name: str) -> None:
    """Refuse a log whose numbers cannot be in the units that the map gives.

    Parameters
    ----------
    columns : dict of str to float64[S]
        By column of `ROLES`, in SI.
    mapped : ChannelMap
    sheet : CarSheet
    name : str
        The log's name, for messages.

    Raises
    ------
    InputError
        When a needed column is empty, or speeds, throttle, engine speed or sampling are impossible.
    """
    problems: list[Problem] = []
    for role, channel in mapped.channels.items():
        column = next(one.column for one in ROLES if one.name == role)
        if column not in columns:
            continue
        fault = _fault(role, columns[column], channel.unit)
        if fault:
            value, allowed, remedy = fault
            problems.append(Problem(f"{name} column '{channel.column}'", role, value, allowed, remedy))
    problems += _rate_problems(columns["time_s"], mapped, sheet, name)
    if problems:
        raise InputError(problems)


def _fault(role: str, values: Floats, unit: str) -> tuple[str, str, str] | None:
    """Return value, allowed and remedy when a column cannot be what it is said to be."""
    if role not in NEEDED and role != "rpm":
        return None
    if np.isnan(values).all():
        return (
            "no number in any row",
            "every log needs this column",
            "Name another column in the channel map.",
        )
    # Spikes are for the quality checks; a wrong unit shows in most samples.
    usual, low = (float(one) for one in np.nanquantile(values, (0.9, 0.01)))
    if role.startswith("speed") and usual > FASTEST_MPS:
        shown = f"{3.6 * usual:.0f} km/h or more in a tenth of the rows"
        return shown, f"must stay below {3.6 * FASTEST_MPS:.0f} km/h", f'Is "{unit}" the right unit?'
    if role.startswith("speed") and usual < 0:
        return f"{3.6 * usual:.0f} km/h or less in most rows", "must be positive", "Turn the channel's sign."
    if role == "rpm" and usual > HIGHEST_RPM:
        return f"{usual:.0f} rpm", f"must stay below {HIGHEST_RPM:.0f} rpm", f'Is "{unit}" the right unit?'
    return _throttle_fault(values, low, unit) if role == "throttle" else None


def _throttle_fault(values: Floats, low: float, unit: str) -> tuple[str, str, str] | None:
    top = float(np.nanquantile(values, 0.999))
    if top > HIGHEST_THROTTLE:
        fraction = top <= 120.0 and unit != "%"
        remedy = 'Is the unit "%"?' if fraction else "Is this the throttle's column, and calibrated?"
        return f"{top:g} (1 is fully open)", f"must lie in 0 to {HIGHEST_THROTTLE:g}", remedy
    if low < -HIGHEST_THROTTLE + 1.0:
        return (
            f"{low:g} (0 is closed)",
            "must lie in 0 to 1",
            "Is this the throttle's column, and calibrated?",
        )
    if 0.002 < top <= 0.0105:
        remedy = f'Is the unit "0..1" instead of "{unit}"?'
        return f"never above {100.0 * top:.2g} %", "must open in some row", remedy
    return None


def _rate_problems(time_s: Floats, mapped: ChannelMap, sheet: CarSheet, name: str) -> list[Problem]:
    """Compare the rate of the log with the one that the car sheet gives."""
    rate = 1.0 / float(np.median(np.diff(time_s)))
    if 0.02 < rate / sheet.sensors.log_hz < 50.0:
        return []
    time = mapped.channels["time"]
    value = f"{rate:.3g} samples per second"
    allowed = f"{sheet.source.name} says log_hz = {sheet.sensors.log_hz:g}"
    return [
        Problem(f"{name} column '{time.column}'", "time", value, allowed, f'Is "{time.unit}" the right unit?')
    ]
