"""The one table of unit names: dimension, factor and offset to SI, and what each quantity accepts.

Two quantities keep the trade's unit inside as well: engine speed stays in rpm, and percentages that carry
``_pct`` in their name stay in per cent. Names are compared without regard to case or blanks.
Source of the factors: BIPM, The International System of Units, 9th edition (2019); NIST SP 811 (2008),
appendix B.8, for mile, foot, knot, psi and standard gravity, all of them exact or given to seven digits.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gridfit.errors import InputError, nearest

KMH_PER_MPS = 3.6
"""km/h in one m/s [1]."""
MPS_PER_KMH = 1.0 / KMH_PER_MPS
"""m/s in one km/h [1]."""
MPS_PER_MPH = 0.44704
"""m/s in one mile per hour [1], exact."""
KMH_PER_MPH = 1.609344
"""km/h in one mile per hour [1], exact."""
GRAVITY_MPS2 = 9.80665
"""Standard gravity [m/s2], exact."""
RPM_PER_RADPS = 60.0 / (2.0 * math.pi)
"""Revolutions per minute in one rad/s [1]."""
RAD_PER_DEG = math.pi / 180.0
"""Radians in one degree [1]."""


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: ``si = value * factor + offset``.

    Parameters
    ----------
    name : str
        As it is shown.
    dimension : str
        What it measures.
    factor, offset : float
        Conversion to the base unit of the dimension.
    aliases : tuple of str
        Other ways to write it, lower case.
    """

    name: str
    dimension: str
    factor: float
    offset: float = 0.0
    aliases: tuple[str, ...] = ()


UNITS: tuple[Unit, ...] = (
    Unit("s", "time", 1.0, aliases=("sec", "secs", "second", "seconds")),
    Unit("ms", "time", 1e-3, aliases=("msec", "millisecond", "milliseconds")),
    Unit("us", "time", 1e-6, aliases=("µs", "μs", "usec", "microsecond", "microseconds")),
    Unit("min", "time", 60.0, aliases=("minute", "minutes")),
    Unit("m/s", "speed", 1.0, aliases=("mps", "ms-1", "m/sec")),
    Unit("km/h", "speed", MPS_PER_KMH, aliases=("kmh", "kph", "km/hr", "kmph")),
    Unit("mph", "speed", MPS_PER_MPH, aliases=("mi/h", "mile/h", "miles/h")),
    Unit("ft/s", "speed", 0.3048, aliases=("fps", "ft/sec")),
    Unit("knot", "speed", 1852.0 / 3600.0, aliases=("kn", "kt", "kts", "knots")),
    Unit("m/s2", "acceleration", 1.0, aliases=("m/s^2", "m/s²", "m/s/s", "mps2", "ms-2")),
    Unit("g", "acceleration", GRAVITY_MPS2, aliases=("g0", "gee")),
    Unit("rpm", "rotation", 1.0, aliases=("1/min", "rev/min", "r/min", "min-1", "revs")),
    Unit("rad/s", "rotation", RPM_PER_RADPS, aliases=("radps", "rad/sec")),
    Unit("rev/s", "rotation", 60.0, aliases=("rps", "r/s")),
    Unit("%", "ratio", 0.01, aliases=("pct", "percent", "per cent")),
    Unit("0..1", "ratio", 1.0, aliases=("0-1", "0...1", "fraction")),
    Unit("on/off", "switch", 1.0, aliases=("0/1", "bool", "boolean", "switch", "off/on")),
    Unit("-", "number", 1.0, aliases=("", "1", "none", "nr", "no", "#", "lambda", "λ", "count")),
    Unit("rad", "angle", 1.0, aliases=("radian", "radians")),
    Unit("deg", "angle", RAD_PER_DEG, aliases=("°", "degree", "degrees")),
    Unit("Pa", "pressure", 1.0, aliases=("pascal",)),
    Unit("kPa", "pressure", 1e3, aliases=("kilopascal",)),
    Unit("MPa", "pressure", 1e6, aliases=("megapascal",)),
    Unit("bar", "pressure", 1e5, aliases=("bars",)),
    Unit("psi", "pressure", 6894.757, aliases=("lbf/in2",)),
    Unit("K", "temperature", 1.0, aliases=("kelvin",)),
    Unit("degC", "temperature", 1.0, 273.15, aliases=("°c", "celsius")),
    Unit("degF", "temperature", 5.0 / 9.0, 459.67 * 5.0 / 9.0, aliases=("°f", "fahrenheit")),
    Unit("N.m", "torque", 1.0, aliases=("nm", "n*m", "n m")),
)

AMBIGUOUS: dict[str, str] = {
    "m": "metre, minute or month; write min for minutes",
    "c": "degC or a count; write degC",
    "f": "degF or a flag; write degF",
    "raw": "no unit at all; write what the numbers mean",
    "v": "a sensor voltage; log the calibrated channel",
    "mv": "a sensor voltage; log the calibrated channel",
    "volt": "a sensor voltage; log the calibrated channel",
}
"""Names that are refused, with what they could mean."""

ACCEPTED: dict[str, dict[str, float]] = {
    "time": {"time": 1.0},
    "speed": {"speed": 1.0},
    "acceleration": {"acceleration": 1.0},
    "rotation": {"rotation": 1.0},
    "fraction": {"ratio": 1.0},
    "percent": {"ratio": 100.0},
    "angle": {"angle": 1.0},
    "pressure": {"pressure": 1.0},
    "temperature": {"temperature": 1.0},
    "torque": {"torque": 1.0},
    "brake": {"pressure": 1.0, "ratio": 1.0, "switch": 1.0, "number": 1.0},
    "count": {"number": 1.0},
}
"""Quantity -> unit dimensions that it may be logged in, with the factor from their base to what is kept."""


def _key(name: str) -> str:
    return name.strip().strip("[]()").strip().lower()


_BY_NAME: dict[str, Unit] = {
    alias: unit for unit in UNITS for alias in {_key(unit.name), *(_key(alias) for alias in unit.aliases)}
}


def find(name: str) -> Unit | None:
    """Return the unit of this name, or None when it is unknown or ambiguous.

    Parameters
    ----------
    name : str
        In any case, with or without brackets.
    """
    return None if _key(name) in AMBIGUOUS else _BY_NAME.get(_key(name))


def units_for(dimension: str) -> tuple[str, ...]:
    """Return the names of the units that a quantity may be logged in, for instance ``("s", "ms", ...)``."""
    accepted = ACCEPTED[dimension]
    return tuple(unit.name for unit in UNITS if unit.dimension in accepted)


def parse(name: str, dimension: str, *, where: str = "unit") -> Unit:
    """Return the unit of this name, which must measure `dimension`.

    Parameters
    ----------
    name : str
        As written by a person.
    dimension : str
        A key of `ACCEPTED`.
    where : str
        File and place, for the message.

    Raises
    ------
    InputError
        When the name is unknown, ambiguous, or of another dimension.
    """
    allowed = f"units for {dimension}: {', '.join(units_for(dimension))}"
    if _key(name) in AMBIGUOUS:
        raise InputError.of(
            where=where, value=f'"{name}"', allowed=allowed, remedy=f"This may mean {AMBIGUOUS[_key(name)]}."
        )
    unit = _BY_NAME.get(_key(name))
    if unit is None:
        question = nearest(name, [known for known in _BY_NAME if known])
        remedy = f"The unit is not known; {question or 'write one of these.'}"
        raise InputError.of(where=where, value=f'"{name}"', allowed=allowed, remedy=remedy)
    if unit.dimension not in ACCEPTED[dimension]:
        remedy = f"{unit.name} measures {unit.dimension}: give the unit of this column, or the right column."
        raise InputError.of(where=where, value=f'"{name}"', allowed=allowed, remedy=remedy)
    return unit


def to_si(values: ArrayLike, unit: str, dimension: str, *, where: str = "unit") -> NDArray[np.float64]:
    """Convert a column to the unit that is kept inside.

    Parameters
    ----------
    values : float64[S]
        Values as logged.
    unit : str
        Their unit.
    dimension : str
        A key of `ACCEPTED`.
    where : str
        File and place, for the message.

    Returns
    -------
    float64[S]
        SI; rpm for ``rotation``, per cent for ``percent``.

    Raises
    ------
    InputError
        As `parse`.
    """
    found = parse(unit, dimension, where=where)
    scale = ACCEPTED[dimension][found.dimension]
    converted = np.asarray(values, dtype=np.float64) * (found.factor * scale)
    return converted + found.offset * scale if found.offset else converted


def from_si(values: ArrayLike, unit: str, dimension: str, *, where: str = "unit") -> NDArray[np.float64]:
    """Convert what is kept inside to a named unit; the inverse of `to_si`, same parameters and errors."""
    found = parse(unit, dimension, where=where)
    scale = ACCEPTED[dimension][found.dimension]
    kept = np.asarray(values, dtype=np.float64) - found.offset * scale
    return kept / (found.factor * scale)


def show(value: float, unit: str, digits: int = 4) -> str:
    """Return a number with its unit for people, `digits` significant digits, for instance ``13.5 km/h``."""
    text = f"{value:.{digits}g}"
    return text if _key(unit) in {"", "-"} else f"{text} {unit}"
