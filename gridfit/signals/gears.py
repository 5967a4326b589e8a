"""Gear and shifts: as logged, or found from engine speed over wheel speed and the known ratios."""

from dataclasses import dataclass

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.driveline import overall_ratio, rolling_radius_m
from gridfit.estimate import Estimate
from gridfit.signals import filters
from gridfit.signals.filters import Bools, Floats, Ints
from gridfit.signals.gearing import Gearing
from gridfit.signals.gearing import find as find_gearing
from gridfit.units import RPM_PER_RADPS

ON_RATIO = 0.05
"""Engine and wheels are coupled while their ratio is within this of a gear's, at most (logarithm) [1]."""

SHARE_OF_STEP = 0.3
"""...and within this share of the step to the next gear [1]."""

TIGHT = 0.015
"""For the opening of the clutch: coupled within this (logarithm) [1]..."""

TIGHT_SD = 4.0
"""...or within this many standard deviations of the ratio's scatter, if that is more."""

SHORTEST_S = 0.06
"""A gear held for less is a passing coincidence [s]."""

LONGEST_SHIFT_S = 0.8
"""A shift that takes longer is two things [s]."""

SLOWEST_MPS = 2.5
"""Below this speed the clutch slips and the ratio says nothing [m/s]."""

UNLOGGED_SHIFT_S = 0.12
"""Without engine speed, a change of the logged gear is taken to have begun this long before [s]."""


@dataclass(frozen=True, slots=True)
class Gears:
    """Gear and shift at every sample.

    Parameters
    ----------
    gear : int64[S]
        Gear engaged, 0 unknown or shifting.
    shift : bool[S]
        From the opening of the clutch until the next gear is in.
    coupled : bool[S]
        Where engine and wheels turn in the gear's ratio.
    radius : Estimate
        Rolling radius [m] by engine speed; NaN without it.
    logged : bool
        Whether the log carried the gear.
    agreement : float
        Share of samples on some ratio that are on the logged gear's [1]; NaN where it cannot be told.
    gearing : Gearing
        Ratios as driven.
    """

    gear: Ints
    shift: Bools
    coupled: Bools
    radius: Estimate
    logged: bool
    agreement: float
    gearing: Gearing

    @property
    def ratios(self) -> Floats:
        """Overall ratios by gear, wrong ones of the sheet corrected, float64[G]."""
        return np.asarray(np.exp(self.gearing.log_ratios))


def log_ratio(rpm: Floats, speed_mps: Floats, radius_m: float) -> Floats:
    """Return the logarithm of engine over wheel turns [1]; NaN at low speed or where rpm is unknown."""
    usable = (speed_mps > SLOWEST_MPS) & (rpm > 0.0)
    turns = np.where(usable, rpm, 1.0) / RPM_PER_RADPS * radius_m / np.where(usable, speed_mps, 1.0)
    return np.where(usable, np.log(turns), np.nan)


def classify(observed: Floats, log_ratios: Floats) -> Ints:
    """Return the gear whose ratio each sample is on, 0 where it is on none.

    Parameters
    ----------
    observed : float64[S]
        Logarithm of engine over wheel turns, offset removed.
    log_ratios : float64[G]
        Logarithm of the overall ratios, falling with gear.
    """
    distance = np.abs(observed[:, None] - log_ratios[None, :])
    distance = np.where(np.isfinite(distance), distance, np.inf)
    nearest = np.argmin(distance, axis=1)
    steps = -np.diff(log_ratios) if log_ratios.size > 1 else np.array([1.0])
    gap = np.minimum(np.append(steps, steps[-1]), np.insert(steps, 0, steps[0]))
    allowed = np.minimum(ON_RATIO, SHARE_OF_STEP * gap)
    on = distance[np.arange(observed.size), nearest] < allowed[nearest]
    return np.where(on, nearest + 1, 0).astype(np.int64)


def settle(gear: Ints, step_s: float) -> Ints:
    """Drop gears held for less than 60 ms, and bridge gaps with the same gear on both sides.

    Parameters
    ----------
    gear : int64[S]
        0 where unknown.
    step_s : float
        Time between samples [s].
    """
    result = gear.copy()
    shortest = max(2, round(SHORTEST_S / step_s))
    for value in np.unique(gear[gear > 0]):
        for first, last in zip(*filters.intervals(gear == value), strict=True):
            if last - first < shortest:
                result[first:last] = 0
    for first, last in zip(*filters.intervals(result == 0), strict=True):
        if 0 < first and last < gear.size and result[first - 1] == result[last]:
            result[first:last] = result[first - 1]
    return result


def _bridge(gear: Ints, missing: Bools) -> Ints:
    """Return the gear with missing samples taken from their neighbours where these agree."""
    result = gear.copy()
    for first, last in zip(*filters.intervals(missing), strict=True):
        if 0 < first and last < gear.size and gear[first - 1] == gear[last]:
            result[first:last] = gear[last]
    return result


def find(
    table_gear: Floats | None, rpm: Floats, speed_driven_mps: Floats, sheet: CarSheet, step_s: float
) -> Gears:
    """Find gear and shifts of a run.

    Parameters
    ----------
    table_gear : float64[S] or None
        Gear as logged, 0 or NaN while shifting; None when the log has none.
    rpm : float64[S]
        Engine speed [1/min]; NaN where unknown.
    speed_driven_mps : float64[S]
        Driven axle, calibrated [m/s].
    sheet : CarSheet
    step_s : float
        Time between samples [s].

    Returns
    -------
    Gears
    """
    by_sheet = np.log(overall_ratio(sheet, np.arange(1, sheet.gears + 1)))
    nominal_m = rolling_radius_m(sheet.tyre.size)
    observed = log_ratio(rpm, speed_driven_mps, nominal_m)
    logged = None if table_gear is None else _whole(table_gear, sheet.gears)
    gearing = find_gearing(observed, logged, by_sheet, step_s)
    log_ratios = gearing.log_ratios
    known = bool(np.isfinite(gearing.offset.mean))
    observed = observed - gearing.offset.mean if known else np.full(observed.size, np.nan)
    radius = _radius(nominal_m, gearing.offset)
    by_ratio = classify(observed, log_ratios)
    agreement = float("nan")
    if logged is not None:
        both = (by_ratio > 0) & (logged > 0)
        agreement = float(np.mean((by_ratio == logged)[both])) if both.any() else agreement
        tight = _on_ratio(logged, observed, log_ratios)
        gear, shift = _logged(logged, tight, known=known, step_s=step_s)
    else:
        gear, shift = _unlogged(settle(by_ratio, step_s), observed, log_ratios, step_s)
    coupled = (by_ratio == gear) & (gear > 0) & ~shift
    return Gears(gear, shift, coupled, radius, logged is not None, agreement, gearing)


def _whole(gear: Floats, gears: int) -> Ints:
    """Return a logged gear as whole numbers, missing samples bridged, what is no gear 0."""
    missing = ~np.isfinite(gear)
    whole = np.clip(np.where(missing, 0.0, gear).round(), 0, gears).astype(np.int64)
    return _bridge(whole, missing)


def _radius(nominal_m: float, found: Estimate) -> Estimate:
    if not np.isfinite(found.mean):
        return found
    return Estimate.from_mean_sd(nominal_m * float(np.exp(-found.mean)), nominal_m * found.sd)


def _changes(gear: Ints) -> list[tuple[int, int, int, int]]:
    """Return (last sample of the old gear, first of the new, old, new) of every change, unknown skipped."""
    known = np.flatnonzero(gear > 0)
    at = np.flatnonzero(np.diff(gear[known]) != 0)
    return [(int(known[i]), int(known[i + 1]), int(gear[known[i]]), int(gear[known[i + 1]])) for i in at]


def _on_ratio(gear: Ints, observed: Floats, log_ratios: Floats) -> Bools:
    """Return where engine and wheels turn in the ratio of the logged gear, to within their usual scatter."""
    away = np.abs(observed - log_ratios[np.maximum(gear, 1) - 1])
    usual = away[np.isfinite(away) & (away < ON_RATIO) & (gear > 0)]
    if usual.size == 0:
        return np.zeros(gear.size, dtype=np.bool_)
    scatter = filters.MAD_TO_SD * float(np.median(usual))
    allowed = float(np.clip(TIGHT_SD * scatter, TIGHT, ON_RATIO))
    return np.asarray((np.nan_to_num(away, nan=np.inf) < allowed) & (gear > 0))


def _logged(logged: Ints, coupled: Bools, *, known: bool, step_s: float) -> tuple[Ints, Bools]:
    """Mark shifts of a logged gear: where it reads 0, and back to where engine and wheels were coupled.

    A single sample on the ratio while the clutch is open is chance, so coupling takes two in a row.
    """
    shift = logged == 0
    longest = round(LONGEST_SHIFT_S / step_s)
    pairs = coupled.copy()
    pairs[1:] &= coupled[:-1]
    for _, new_at, old, _ in _changes(logged):
        first = max(0, new_at - max(1, round(UNLOGGED_SHIFT_S / step_s)))
        if known:
            since = max(0, new_at - longest)
            held = np.flatnonzero(pairs[since:new_at] & (logged[since:new_at] == old))
            first = min(since + int(held[-1]) + 1, new_at - 1) if held.size else first
        shift[first:new_at] = True
    return np.where(shift, 0, logged), shift


def _unlogged(gear: Ints, observed: Floats, log_ratios: Floats, step_s: float) -> tuple[Ints, Bools]:
    """Mark shifts between found gears: the clutch closes when the ratio leaves the old one for the new."""
    result, shift = gear.copy(), np.zeros(gear.size, dtype=np.bool_)
    longest = round(LONGEST_SHIFT_S / step_s)
    for old_at, new_at, old, new in _changes(gear):
        if new_at - old_at > longest:
            continue
        between = observed[old_at + 1 : new_at]
        towards = np.sign(log_ratios[new - 1] - log_ratios[old - 1])
        left = towards * (between - log_ratios[old - 1]) > ON_RATIO
        stays = np.flatnonzero(~left)
        closes = old_at + 1 + (int(stays[-1]) + 1 if stays.size else 0)
        shift[old_at + 1 : closes] = True
        result[closes:new_at] = new
    unknown = result == 0
    # A car that pulls away on a slipping clutch is in the gear that it comes out in.
    for first, last in zip(*filters.intervals(unknown & ~shift), strict=True):
        if last < gear.size and (first == 0 or last - first > longest):
            result[max(first, last - longest) : last] = result[last]
    return result, shift
