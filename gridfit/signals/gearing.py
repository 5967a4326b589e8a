"""Which ratios a car really has: engine over wheel turns, as driven, against those of the car sheet."""

from dataclasses import dataclass

import numpy as np

from gridfit.estimate import Estimate
from gridfit.signals import filters
from gridfit.signals.filters import Bools, Floats, Ints

RADIUS_DOUBT = 0.08
"""Tyre and calibration may move all ratios by this share without a fault of the sheet [1]."""

FINAL_DRIVE_DOUBT = 0.35
"""A wrong final drive may move them by this share [1]."""

POOR_SUPPORT = 0.6
"""Share of steady driving on some ratio below which a wrong final drive is looked for [1]."""

FAR_BETTER = 1.25
"""...and must raise that share by this factor [1]."""

STEADY = 0.012
"""Ratio is steady where it stays this close to its median over 0.3 s (logarithm) [1]."""

NEAR = 0.015
"""A sample is on a ratio within this (logarithm) [1]."""

WRONG_RATIO = 0.012
"""A single ratio is wrong if it is off by more than this against the others (logarithm) [1]."""

LEAST_S = 3.0
"""Steady driving in a gear that shows its ratio [s]."""

MANY_GEARS = 3
"""Gears that must be seen before one of them is called wrong [1]."""


@dataclass(frozen=True, slots=True)
class Gearing:
    """Ratios as driven.

    Parameters
    ----------
    offset : Estimate
        By how much observed ratios lie above the sheet's (logarithm) [1]; NaN when nothing can be told.
    log_ratios : float64[G]
        Logarithm of the overall ratios, wrong ones of the sheet corrected, `offset` not included.
    wrong : dict of int to float
        By gear: share by which the sheet's ratio must be multiplied [1].
    numbering : int
        By how much the logged gear counts off, judged by the ratios; 0 when it does not.
    support : float
        Share of steady driving on some ratio [1]; NaN when nothing can be told.
    """

    offset: Estimate
    log_ratios: Floats
    wrong: dict[int, float]
    numbering: int
    support: float


UNKNOWN = Estimate(float("nan"), float("nan"), float("nan"))


def find(observed: Floats, logged: Ints | None, log_ratios: Floats, step_s: float) -> Gearing:
    """Find the ratios that a car was driven in.

    Parameters
    ----------
    observed : float64[S]
        Logarithm of engine over wheel turns, by the tyre code's radius; NaN where unknown.
    logged : int64[S] or None
        Gear as logged, 0 where unknown.
    log_ratios : float64[G]
        Logarithm of the sheet's overall ratios.
    step_s : float
        Time between samples [s].

    Returns
    -------
    Gearing
    """
    steady = _steady(observed, step_s)
    if steady.sum() < 50:
        return Gearing(UNKNOWN, log_ratios, {}, 0, float("nan"))
    values = observed[steady]
    near = offset(values, log_ratios, RADIUS_DOUBT)
    support = _support(values, near.mean, log_ratios)
    if not support >= POOR_SUPPORT:
        wide = offset(values, log_ratios, FINAL_DRIVE_DOUBT)
        better = _support(values, wide.mean, log_ratios)
        if not np.isfinite(support) or better > FAR_BETTER * support:
            near, support = wide, better
    if logged is not None:
        return _by_logged(values, logged[steady], log_ratios, near, support, step_s)
    wrong = _strays(values, near.mean, log_ratios, step_s)
    return _corrected(near, log_ratios, wrong, 0, support)


def offset(observed: Floats, log_ratios: Floats, doubt: float) -> Estimate:
    """Return by how much observed ratios lie above the sheet's (logarithm) [1].

    Every sample votes for the offset that would put it on a gear; the fullest 1 % wide bin wins, and the
    median of the votes around it is the answer.

    Parameters
    ----------
    observed : float64[S]
        Logarithm of engine over wheel turns, by the tyre code's radius.
    log_ratios : float64[G]
        Logarithm of the overall ratios.
    doubt : float
        Largest offset [1].
    """
    known = observed[np.isfinite(observed)]
    votes = (known[:, None] - log_ratios[None, :]).ravel()
    allowed = votes[np.abs(votes) < doubt]
    if allowed.size < 50:
        return UNKNOWN
    counts, edges = np.histogram(allowed, bins=np.arange(-doubt, doubt + 0.0025, 0.0025))
    wide = np.convolve(counts, np.ones(4), mode="same")
    centre = edges[int(np.argmax(wide))] + 0.00125
    for width in (0.02, 0.015, 0.015):
        centre = float(np.median(votes[np.abs(votes - centre) < width]))
    near = votes[np.abs(votes - centre) < 0.015]
    spread = filters.MAD_TO_SD * float(np.median(np.abs(near - centre)))
    # Samples of one second belong together; a tenth of a per cent stands for shaft twist and clock.
    return Estimate.from_mean_sd(centre, float(np.hypot(spread / np.sqrt(max(1.0, near.size / 100)), 1e-3)))


def _steady(observed: Floats, step_s: float) -> Bools:
    """Return where the ratio stands still: the clutch neither slips nor is open."""
    known = np.isfinite(observed)
    if not known.any():
        return known
    index = np.arange(observed.size, dtype=np.float64)
    filled = filters.fill_gaps(index, observed)
    window = max(5, round(0.3 / step_s)) | 1
    sd = np.full(observed.size, STEADY)
    calm = ~filters.outliers(filled, sd, 1.0, window)
    drift = np.abs(filters.quadratic(filled, window, derivative=1, step_s=step_s)) * 0.3 < 2.0 * STEADY
    return np.asarray(known & calm & drift)


def _support(values: Floats, centre: float, log_ratios: Floats) -> float:
    if not np.isfinite(centre):
        return float("nan")
    away = np.abs(values[:, None] - centre - log_ratios[None, :]).min(axis=1)
    return float(np.mean(away < NEAR))


def _by_logged(
    values: Floats, gear: Ints, log_ratios: Floats, near: Estimate, support: float, step_s: float
) -> Gearing:
    """Judge ratios gear by gear, as logged."""
    least = round(LEAST_S / step_s)
    seen = {
        g: float(np.median(values[gear == g]))
        for g in range(1, log_ratios.size + 1)
        if (gear == g).sum() >= least
        and filters.MAD_TO_SD * np.median(np.abs(values[gear == g] - np.median(values[gear == g]))) < NEAR
    }
    if not seen:
        return Gearing(near, log_ratios, {}, 0, support)
    numbering = _numbering(seen, near.mean, log_ratios)
    if numbering:
        return Gearing(near, log_ratios, {}, numbering, support)
    off = np.array([value - log_ratios[g - 1] for g, value in seen.items()])
    if np.abs(off - near.mean).min() > NEAR or not np.isfinite(near.mean):
        # The vote by ratios alone landed on other gears than the logged ones.
        near = Estimate.from_mean_sd(float(np.median(off)), 0.002)
    if len(seen) < MANY_GEARS:
        return Gearing(near, log_ratios, {}, 0, support)
    centre = float(np.median(off))
    wrong = {
        g: float(np.exp(o - centre)) for g, o in zip(seen, off, strict=True) if abs(o - centre) > WRONG_RATIO
    }
    if 2 * len(wrong) >= len(seen):
        return Gearing(near, log_ratios, {}, 0, support)
    if wrong and abs(centre - near.mean) > WRONG_RATIO:
        near = Estimate.from_mean_sd(centre, 0.002)
    return _corrected(near, log_ratios, wrong, 0, support)


def _numbering(seen: dict[int, float], centre: float, log_ratios: Floats) -> int:
    """Return by how many gears the logged number is off, when every gear says the same."""
    found = {int(np.argmin(np.abs(value - centre - log_ratios))) + 1 - gear for gear, value in seen.items()}
    close = all(np.abs(value - centre - log_ratios).min() < NEAR for value in seen.values())
    return found.pop() if close and len(found) == 1 and len(seen) > 1 else 0


def _strays(values: Floats, centre: float, log_ratios: Floats, step_s: float) -> dict[int, float]:
    """Return the gear whose ratio the sheet has wrong, when a peak stands where no ratio is and one is unused."""
    if not np.isfinite(centre):
        return {}
    rest = values - centre
    away = np.abs(rest[:, None] - log_ratios[None, :])
    least = round(LEAST_S / step_s)
    used = (away < NEAR).sum(axis=0)
    free = np.flatnonzero(used < 0.1 * least)
    stray = rest[away.min(axis=1) >= NEAR]
    if free.size == 0 or stray.size < least or (used >= least).sum() < MANY_GEARS - 1:
        return {}
    counts, edges = np.histogram(stray, bins=np.arange(stray.min(), stray.max() + 0.02, 0.01))
    if counts.size == 0:
        return {}
    peak = float(edges[int(np.argmax(counts))]) + 0.005
    near = stray[np.abs(stray - peak) < NEAR]
    if near.size < max(least, 0.6 * stray.size):
        return {}
    gear = int(free[np.argmin(np.abs(log_ratios[free] - np.median(near)))])
    above = log_ratios[gear - 1] if gear > 0 else np.inf
    below = log_ratios[gear + 1] if gear + 1 < log_ratios.size else -np.inf
    found = float(np.median(near))
    return {gear + 1: float(np.exp(found - log_ratios[gear]))} if below < found < above else {}


def _corrected(
    near: Estimate, log_ratios: Floats, wrong: dict[int, float], numbering: int, support: float
) -> Gearing:
    ratios = log_ratios.copy()
    for gear, factor in wrong.items():
        ratios[gear - 1] += np.log(factor)
    return Gearing(near, ratios, wrong, numbering, support)
