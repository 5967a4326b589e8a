"""Chosen channels held against each other, and against the car: what confirms them, what refutes them."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gridfit import units
from gridfit.carsheet import CarSheet
from gridfit.signals import channelevidence, channelscales
from gridfit.signals.channelcandidates import Candidate
from gridfit.signals.channelevidence import STEP_S, Seen
from gridfit.signals.channelscales import REFUTED, UNIT_UNTOLD, Scaled
from gridfit.signals.run import ROLE_OF

Floats = NDArray[np.float64]

FEWEST, MOST = 40, 2_000_000
"""Samples of the even clock that evidence needs, and that it may have."""
CLEARLY = 0.9
"""Share of pairs of samples in which the slip error must be larger under cut than without [1]; chosen."""


def weigh(
    chosen: Mapping[str, Candidate], columns: Mapping[str, Floats], sheet: CarSheet
) -> dict[str, Candidate]:
    """Hold the chosen channels against each other.

    Parameters
    ----------
    chosen : dict of str to Candidate
        By role; the needed ones are there.
    columns : dict of str to float64[S]
        As logged.
    sheet : CarSheet

    Returns
    -------
    dict of str to Candidate
        The same roles, surer or less sure.
    """
    clock_s = _si(chosen["time"], columns)
    seen = _seen(chosen, columns, clock_s)
    if seen is None:
        return {role: one.times(UNIT_UNTOLD, "too little is logged to tell") for role, one in chosen.items()}
    made = {**chosen, **_speeds(chosen, seen, sheet)}
    if "throttle" in chosen:
        made["throttle"] = _opening(chosen["throttle"], seen)
    for role, one in chosen.items():
        if role in ("time", "throttle", "rpm") or role.startswith("speed"):
            continue
        onto = _held if role == "gear" else channelevidence.even
        values = onto(clock_s, columns[one.column], seen.time_s)
        untold = not one.told and "nothing tells" in one.reason
        mine = Scaled(one.unit, UNIT_UNTOLD if untold else 1.0, "")
        made[role] = _rescaled(one, mine, channelscales.beside(role, values, mine, one.told, seen, sheet))
    if "slip_target" in made and not made["slip_target"].told:
        made["slip_target"] = _target(made, columns)
    return made


def _si(one: Candidate, columns: Mapping[str, Floats]) -> Floats:
    return units.to_si(columns[one.column], one.unit, ROLE_OF[one.role].dimension)


def _seen(chosen: Mapping[str, Candidate], columns: Mapping[str, Floats], clock_s: Floats) -> Seen | None:
    """Return the needed channels on the even clock, None when too little or too much time is logged."""
    known = clock_s[np.isfinite(clock_s)]
    if known.size < 2 or not FEWEST < (known.max() - known.min()) / STEP_S < MOST:
        return None
    grid = np.arange(float(known.min()), float(known.max()), STEP_S)

    def on(role: str) -> Floats:
        return channelevidence.even(clock_s, _si(chosen[role], columns), grid)

    speeds = {role: np.nan_to_num(on(role)) for role in chosen if role.startswith("speed")}
    rpm = on("rpm") if "rpm" in chosen and chosen["rpm"].sure > 0.5 else None
    return Seen(grid, speeds, on("throttle") if "throttle" in chosen else None, rpm)


def _held(clock_s: Floats, values: Floats, grid_s: Floats) -> Floats:
    """Return a channel on the even clock, its last value held."""
    known = np.isfinite(clock_s) & np.isfinite(values)
    if not known.any():
        return np.full(grid_s.size, np.nan)
    order = np.argsort(clock_s[known], kind="stable")
    at = np.searchsorted(clock_s[known][order], grid_s, side="right") - 1
    return values[known][order][np.clip(at, 0, None)]


def _speeds(chosen: Mapping[str, Candidate], seen: Seen, sheet: CarSheet) -> dict[str, Candidate]:
    """Return the wheel speeds, weighed by each other and by the axle that gains under power."""
    made = {role: one for role, one in chosen.items() if role.startswith("speed")}
    for role in channelscales.speeds_differ(seen):
        made[role] = made[role].times(REFUTED, "it is not the speed that the other wheels have")
    leads, gain = channelevidence.leading_axle(seen)
    if not leads:
        return made
    good = leads in ("driven", sheet.driven)
    axle = "driven" if good else leads
    reason = f"the {axle} axle gains {100 * gain:.1f} % under power"
    return {
        role: one.times(1.0, reason)
        if good
        else one.times(REFUTED, f"{reason}, the sheet says {sheet.car.drive}")
        for role, one in made.items()
    }


def _opening(one: Candidate, seen: Seen) -> Candidate:
    """Doubt a throttle under which the car slows down."""
    speed = next(iter(seen.speed_mps.values()))
    if seen.throttle is None:
        return one
    _, tie = channelevidence.scale(seen.throttle, channelevidence.rate_of(speed))
    return one.times(REFUTED, "the car slows down under it") if tie < -0.3 else one


def _rescaled(one: Candidate, before: Scaled, after: Scaled) -> Candidate:
    """Return a candidate with the unit that the other channels give it."""
    if after == before:
        return one
    sure = one.sure / before.left * after.left
    base = one.reason.split("; nothing tells")[0]
    return replace(one, unit=after.unit, sure=sure, reason=f"{base}; {after.reason}")


def _target(chosen: Mapping[str, Candidate], columns: Mapping[str, Floats]) -> Candidate:
    """Tell a target in per cent from one in km/h by where the cut acts."""
    one = chosen["slip_target"]
    doubt = replace(one, sure=one.sure if one.sure < UNIT_UNTOLD else one.sure * UNIT_UNTOLD)
    speeds = {role: _si(other, columns) for role, other in chosen.items() if role.startswith("speed")}
    seen = Seen(np.zeros(0), speeds)
    if "cut" not in chosen:
        return doubt
    pairs = [(seen.axle("driven"), seen.axle("undriven")), (seen.axle("rear"), seen.axle("front"))]
    first, second = next(((a, b) for a, b in pairs if a is not None and b is not None), (None, None))
    if first is None or second is None:
        return doubt
    slip_mps = np.abs(first - second)
    target, cut = columns[one.column], columns[chosen["cut"].column]
    known = np.isfinite(slip_mps) & np.isfinite(cut) & np.isfinite(target) & (target > 0.0) & (second > 3.0)
    if np.count_nonzero(known) < FEWEST:
        return doubt
    on = cut[known] > 0.0
    per_cent = 100.0 * slip_mps[known] / second[known] - target[known]
    in_kmh = 3.6 * slip_mps[known] - target[known]
    right, other = (channelevidence.share_right(score, on) for score in (per_cent, in_kmh))
    if right > CLEARLY and right > other + 0.01:
        base = one.reason.split("; nothing tells")[0]
        return replace(one, unit="%", sure=0.9, reason=f"{base}; % by where the cut acts")
    return doubt
