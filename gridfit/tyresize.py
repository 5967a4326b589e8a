"""The size code on a tyre's side wall: diameter, rolling radius and what one revolution covers.

Source: designation as in ISO 4000-1 and the ETRTO manual (from memory): nominal section width in
millimetres, aspect ratio in per cent, construction letter, rim diameter in inches.
"""

import math
import re
from dataclasses import dataclass

from gridfit.errors import InputError

MM_PER_INCH = 25.4
"""Exact [mm]; NIST SP 811."""

ROLLING_OVER_NOMINAL = 0.97
"""Rolling circumference over pi times nominal diameter [1], radial tyres, 0.96 to 0.98 in practice.

ETRTO practice (from memory). A log with rpm and known ratios overrides it.
"""

_CODE = re.compile(
    r"^(?:P|LT)?\s*(?P<width>\d{3}(?:\.\d+)?)\s*/\s*(?P<aspect>\d{2}(?:\.\d+)?)\s*Z?[RDB]?F?\s*-?\s*"
    r"(?P<rim>\d{2}(?:\.\d+)?)(?:\s.*)?$",
    re.IGNORECASE,
)
_RANGES = {"width": (125.0, 405.0, "mm"), "aspect": (20.0, 90.0, "%"), "rim": (10.0, 26.0, "in")}


@dataclass(frozen=True, slots=True)
class TyreSize:
    """What a size code says.

    Attributes
    ----------
    width_mm : float
        Nominal section width [mm].
    aspect_pct : float
        Section height over section width [%].
    rim_in : float
        Nominal rim diameter [in].
    """

    width_mm: float
    aspect_pct: float
    rim_in: float

    @property
    def nominal_diameter_m(self) -> float:
        """Rim plus two section heights [m]."""
        return (self.rim_in * MM_PER_INCH + 2.0 * self.width_mm * self.aspect_pct / 100.0) / 1000.0

    @property
    def rolling_circumference_m(self) -> float:
        """Way covered by one free revolution [m]."""
        return ROLLING_OVER_NOMINAL * math.pi * self.nominal_diameter_m

    @property
    def rolling_radius_m(self) -> float:
        """Speed over wheel speed when rolling free [m]; not the loaded radius."""
        return self.rolling_circumference_m / (2.0 * math.pi)

    @property
    def revolutions_per_km(self) -> float:
        """Free revolutions in one kilometre [1/km]."""
        return 1000.0 / self.rolling_circumference_m


def parse(code: str, where: str = "[tyre] size") -> TyreSize:
    """Read a size code such as ``245/40R18``, ``P205/55 R16`` or ``265/35ZR19 98Y``.

    Parameters
    ----------
    code : str
        Width [mm] / aspect [%], construction letter, rim [in]; load and speed marks may follow.
    where : str
        What the error names when the code cannot be read.

    Returns
    -------
    TyreSize

    Raises
    ------
    InputError
        When the text is not a size code or a figure lies outside what is made.
    """
    match = _CODE.match(code.strip())
    if match is None:
        raise InputError.of(
            where=where,
            value=repr(code),
            allowed="must be width in mm / aspect in %, R, rim in inches",
            remedy="Copy it from the side wall of a driven tyre, for instance 245/40R18.",
        )
    found = {name: float(match[name]) for name in _RANGES}
    for name, (low, high, unit) in _RANGES.items():
        if not low <= found[name] <= high:
            raise InputError.of(
                where=where,
                what=name,
                value=f"{found[name]:g} (in {code!r})",
                allowed=f"must lie in {low:g} to {high:g} {unit}",
                remedy="Is a digit missing? The order is width/aspect R rim, for instance 245/40R18.",
            )
    return TyreSize(found["width"], found["aspect"], found["rim"])


def pulses_per_km(teeth: float, circumference_m: float) -> float:
    """Return the sensor pulses in one kilometre [1/km].

    Parameters
    ----------
    teeth : float
        Teeth of the sensor wheel [1].
    circumference_m : float
        Rolling circumference [m].
    """
    return teeth * 1000.0 / circumference_m
