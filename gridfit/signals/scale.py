"""What a wheel-speed factor may come from, and what to enter: tooth counts, tyre sizes, pulses per kilometre."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from gridfit import tyresize
from gridfit.carsheet import CarSheet
from gridfit.estimate import Estimate
from gridfit.signals.calibration import REFERENCE_MPS, Calibration
from gridfit.signals.gears import Gears
from gridfit.signals.quality import Finding, compare
from gridfit.signals.repair import Repaired

MISCOUNTED = 6
"""A tooth count may be off by this many [1]."""

WORN = 0.012
"""A factor within this of 1 is wear and pressure, and needs no other cause [1]."""

NEAR = 0.003
"""A cause fits when it gives the factor to within this, or within the factor's interval [1]."""

RADIUS_NEAR = 0.015
"""Rolling radius by engine speed and by the tyre code agree when they differ by less [1]."""

LOCKED_SHARE = 0.3
"""Driven wheels that differ by less than this share of the undriven ones' turn together [1]."""

FAST_MPS = 40.0
"""Speed at which growth is told [m/s]."""

OTHER_SIZES: tuple[tuple[float, float, float], ...] = tuple(
    (width, aspect, rim)
    for width in (-20.0, -10.0, 0.0, 10.0, 20.0)
    for aspect in (-10.0, -5.0, 0.0, 5.0, 10.0)
    for rim in (-1.0, 0.0, 1.0)
    if (width, aspect, rim) != (0.0, 0.0, 0.0)
    and abs(width) / 10.0 + abs(aspect) / 5.0 + 2.0 * abs(rim) <= 2.0
)
"""Changes of width [mm], aspect [%] and rim [in] that a swap of wheels makes; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Source:
    """A possible source of a factor: what it is, and the factor that it gives."""

    what: str
    factor: float


def sources(factor: Estimate, sheet: CarSheet) -> list[Source]:
    """Return what may have made a factor, best fit first; empty when it is near 1.

    Parameters
    ----------
    factor : Estimate
        Driven over undriven speed without slip [1].
    sheet : CarSheet
        Tooth counts and tyre size that the speeds were scaled with.

    Returns
    -------
    list of Source
    """
    if abs(factor.mean - 1.0) < WORN:
        return []
    slack = max(NEAR, 0.5 * (factor.hi - factor.lo))
    fitting = [one for one in (*_teeth(sheet), *_sizes(sheet)) if abs(one.factor / factor.mean - 1.0) < slack]
    return sorted(fitting, key=lambda one: abs(one.factor / factor.mean - 1.0))


def _teeth(sheet: CarSheet) -> Iterator[Source]:
    """Give miscounted rings: a ring of n teeth entered as m makes a speed read n/m too high."""
    for name, entered, sign in (
        ("driven", sheet.sensors.teeth_driven, 1.0),
        ("undriven", sheet.sensors.teeth_undriven, -1.0),
    ):
        for off in range(-MISCOUNTED, MISCOUNTED + 1):
            if off and entered + off > 0:
                true = entered + off
                yield Source(
                    f"{true} teeth on the {name} ring, entered as {entered}", (true / entered) ** sign
                )


def _sizes(sheet: CarSheet) -> Iterator[Source]:
    """Give other tyres on the driven axle: a smaller tyre turns faster for the same way."""
    entered = tyresize.parse(sheet.tyre.size)
    for width, aspect, rim in OTHER_SIZES:
        other = tyresize.TyreSize(entered.width_mm + width, entered.aspect_pct + aspect, entered.rim_in + rim)
        if other.width_mm <= 0.0 or other.aspect_pct < 20.0:
            continue
        code = f"{other.width_mm:g}/{other.aspect_pct:g}R{other.rim_in:g}"
        ratio = entered.rolling_radius_m / other.rolling_radius_m
        yield Source(f"a {code} tyre driven, entered as {sheet.tyre.size}", ratio)


def pulses_per_km(sheet: CarSheet, axle: Literal["driven", "undriven"]) -> float:
    """Return pulses of a wheel's sensor per kilometre [1/km], by the sheet's teeth and the driven axle's tyre."""
    teeth = sheet.sensors.teeth_driven if axle == "driven" else sheet.sensors.teeth_undriven
    return teeth * tyresize.parse(sheet.tyre.size).revolutions_per_km


def check(item: Repaired, calibrated: Calibration, index: int, gear: Gears, sheet: CarSheet) -> list[Finding]:
    """Check the scale of the wheel speeds, their growth, unequal wheels and the differential.

    Parameters
    ----------
    item : Repaired
    calibrated : Calibration
    index : int
        Which run of the calibration this is.
    gear : Gears
    sheet : CarSheet

    Returns
    -------
    list of Finding
    """
    found = [_scale(item, calibrated.factors[index], gear, sheet), _growth(item, calibrated)]
    for axle, side in (("undriven", item.bend.undriven_side), ("driven", item.bend.driven_side)):
        if math.isfinite(side.mean):
            found.append(_unequal(item, axle, side))
    if math.isfinite(item.bend.share.mean):
        found.append(_differential(item))
    if calibrated.side:
        found.append(_one_wheel(item, calibrated))
    return found


def _scale(item: Repaired, factor: Estimate, gear: Gears, sheet: CarSheet) -> Finding:
    fitting = sources(factor, sheet)
    named = " or ".join(one.what for one in fitting[:3]) or "no tooth count or tyre size near the sheet's"
    off = _off(factor, gear, sheet)
    axle: Literal["driven", "undriven"] = "undriven" if off == "undriven" else "driven"
    old, over = pulses_per_km(sheet, axle), factor if axle == "driven" else _inverse(factor)
    fixed = (
        f"{axle.capitalize()} axle: enter {old * over.mean:.0f} instead of {old:.0f} pulses per km "
        f"(90 % interval {old * over.lo:.0f} to {old * over.hi:.0f}), or divide its speed by {over}."
    )
    which = (
        f"By engine speed, ratios and tyre code it is rather the {off} axle that is off."
        if off
        else "Engine speed and ratios do not say which axle is off."
    )
    return compare(
        "wheel-speed scale",
        item.run.name,
        "share by which the driven axle reads off when rolling free [1]",
        abs(factor.mean - 1.0),
        "<",
        WORN,
        good=f"both axles read alike to {100 * abs(factor.mean - 1):.1f} %: tread, pressure",
        bad=(
            f"the driven axle reads {100 * (factor.mean - 1):+.2f} % when rolling free, corrected here; the "
            f"controller takes that for slip. As from {named}. {which}"
        ),
        remedy=fixed,
    )


def _inverse(factor: Estimate) -> Estimate:
    return Estimate(1.0 / factor.mean, 1.0 / factor.hi, 1.0 / factor.lo)


def _off(factor: Estimate, gear: Gears, sheet: CarSheet) -> Literal["driven", "undriven", ""]:
    """Return the axle whose scale disagrees with engine speed, ratios and the tyre code; empty if unknown."""
    nominal = tyresize.parse(sheet.tyre.size).rolling_radius_m
    by_undriven, by_driven = gear.radius.mean / nominal - 1.0, gear.radius.mean * factor.mean / nominal - 1.0
    if not math.isfinite(by_undriven) or min(abs(by_undriven), abs(by_driven)) > RADIUS_NEAR:
        return ""
    return "driven" if abs(by_undriven) < abs(by_driven) else "undriven"


def _growth(item: Repaired, calibrated: Calibration) -> Finding:
    share = calibrated.growth.mean * (FAST_MPS**2 - REFERENCE_MPS**2)
    half = 0.5 * (calibrated.growth.hi - calibrated.growth.lo) * (FAST_MPS**2 - REFERENCE_MPS**2)
    span = f"{3.6 * REFERENCE_MPS:.0f} to {3.6 * FAST_MPS:.0f} km/h"
    text = f"{100 * share:+.2f} % from {span}, 90 % within {100 * half:.2f}"
    used = "corrected" if calibrated.growth_used else "too little or too uncertain to correct"
    return compare(
        "growth of the factor with speed",
        item.run.name,
        "share between 72 and 144 km/h [1]",
        abs(share),
        "<",
        0.01,
        good=f"{text}; {used}",
        bad=f"{text}; {used}",
        remedy="Compare tyre types and pressures of both axles.",
    )


def _unequal(item: Repaired, axle: str, side: Estimate) -> Finding:
    text = f"right over left wheel {100 * side.mean:+.2f} % on straights"
    return compare(
        f"{axle} wheels alike",
        item.run.name,
        "share by which right and left wheel differ on straights [1]",
        abs(side.mean),
        "<",
        0.015,
        good=text,
        bad=f"{text}; their mean is used, but a controller that takes the faster one sees it as slip",
        remedy="Compare pressures and tread of the two wheels, and both rings.",
    )


def _differential(item: Repaired) -> Finding:
    share = item.bend.share
    locked = share.mean < LOCKED_SHARE
    text = f"in bends the driven wheels differ by {100 * share.mean:.0f} % of what the undriven ones do"
    return compare(
        "differential",
        item.run.name,
        "difference of the driven wheels over that of the undriven ones in bends [1]",
        share.mean,
        ">=",
        LOCKED_SHARE,
        good=f"{text}: it lets the wheels turn at their own speeds",
        bad=f"{text}: a locked axle; its inner wheel slips in every bend, which counts as none here",
        remedy=""
        if not locked
        else "Nothing if the axle is meant to be locked; let the target allow for it.",
    )


def _one_wheel(item: Repaired, calibrated: Calibration) -> Finding:
    return compare(
        "axle speed in bends",
        item.run.name,
        "change of driven over undriven per bend, signed [m or 1/rad]",
        abs(calibrated.side),
        "==",
        0.0,
        good="both axles' speeds belong to the middle of the car",
        bad="one axle's speed is that of a single wheel: it reads off in bends to one side; corrected by the bend",
        remedy="Log both wheels of each axle, or their mean.",
    )
