"""Small filters on sampled signals: gaps, intervals, noise, spikes, and smoothing no stronger than needed."""

from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import median_filter
from scipy.signal import savgol_coeffs, savgol_filter

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

MAD_TO_SD = 1.4826022185056018
"""Standard deviation of a normal distribution over its median absolute deviation [1]."""

THIRD_DIFFERENCE_GAIN = 20.0
"""Variance of the third difference of white noise over that of the noise, 1 + 9 + 9 + 1."""

WINDOWS = (1, 5, 7, 9, 11, 13, 15, 19, 25, 31, 41)
"""Lengths of the local quadratics to choose from [samples]; 1 leaves the signal alone."""


def fill_gaps(time_s: Floats, values: ArrayLike) -> Floats:
    """Return the values with every gap (NaN) bridged linearly in time; all NaN stays all NaN.

    Parameters
    ----------
    time_s : float64[S]
        Increasing [s].
    values : float64[S]
        Any unit.
    """
    filled = np.array(values, dtype=np.float64)
    good = np.isfinite(filled)
    if good.any() and not good.all():
        filled[~good] = np.interp(time_s[~good], time_s[good], filled[good])
    return filled


def intervals(mask: ArrayLike) -> tuple[Ints, Ints]:
    """Return first samples, and samples after the last, of the stretches where `mask` holds, int64[I]."""
    padded = np.concatenate([[0], np.asarray(mask, dtype=np.int8), [0]])
    edges = np.flatnonzero(np.diff(padded))
    return edges[::2].astype(np.int64), edges[1::2].astype(np.int64)


def widen(mask: Bools, before: int, after: int) -> Bools:
    """Return the mask with every stretch begun `before` samples earlier and ended `after` samples later."""
    wide = np.zeros(mask.size + 1, dtype=np.int64)
    starts, stops = intervals(mask)
    np.add.at(wide, np.maximum(starts - before, 0), 1)
    np.add.at(wide, np.minimum(stops + after, mask.size), -1)
    return np.asarray(np.cumsum(wide)[:-1] > 0)


def hysteresis(values: Floats, on: float, off: float) -> Bools:
    """Return where a signal is on: from the first value above `on` until one is at or below `off` < `on`."""
    state = np.where(values > on, 1, np.where(values <= off, 0, -1))
    known = np.flatnonzero(state >= 0)
    last = np.searchsorted(known, np.arange(values.size), side="right") - 1
    result = np.zeros(values.size, dtype=np.bool_)
    has = last >= 0
    result[has] = state[known[last[has]]] == 1
    return result


def noise_sd(values: ArrayLike) -> float:
    """Return the standard deviation of a signal's white noise, in its unit, from third differences.

    A cubic vanishes in a third difference, so the movement of the signal itself hardly counts; the median
    leaves steps and spikes out. NaN when fewer than 8 differences are known.
    """
    third = np.diff(np.asarray(values, dtype=np.float64), 3)
    third = third[np.isfinite(third)]
    if third.size < 8:
        return float("nan")
    return float(MAD_TO_SD * np.median(np.abs(third)) / np.sqrt(THIRD_DIFFERENCE_GAIN))


def noise_by_speed(values: Floats, speed_mps: Floats, floor: float, bins: int = 8) -> Floats:
    """Return the noise of a speed signal at every sample, as a function of speed.

    A wheel's teeth pass faster at speed, so a given timing error makes a larger error of speed.

    Parameters
    ----------
    values : float64[S]
        Signal, e.g. a wheel speed [m/s].
    speed_mps : float64[S]
        Vehicle speed [m/s], no gaps.
    floor : float
        Smallest noise to return, e.g. that of the resolution [m/s].
    bins : int
        Groups of speed, of equal sample count.

    Returns
    -------
    float64[S]
        Standard deviation [m/s].
    """
    edges = np.quantile(speed_mps, np.linspace(0.0, 1.0, bins + 1))
    third = np.full(values.size, np.nan)
    if values.size > 3:
        third[1:-2] = np.abs(np.diff(values, 3))
    centre, sd = [], []
    for low, high in pairwise(edges):
        chosen = third[(speed_mps >= low) & (speed_mps <= high) & np.isfinite(third)]
        if chosen.size >= 20:
            centre.append(0.5 * (low + high))
            sd.append(MAD_TO_SD * np.median(chosen) / np.sqrt(THIRD_DIFFERENCE_GAIN))
    if not sd:
        return np.full(values.size, floor)
    return np.asarray(np.maximum(np.interp(speed_mps, centre, sd), floor), dtype=np.float64)


def resolution(values: ArrayLike) -> float:
    """Return the smallest step between two values of a signal, in its unit; 0 when it is constant."""
    finite = np.asarray(values, dtype=np.float64)
    levels = np.unique(np.round(finite[np.isfinite(finite)], 9))
    return float(np.min(np.diff(levels))) if levels.size > 1 else 0.0


def spikes(values: Floats, sd: Floats, limit: float, width: int = 1) -> Bools:
    """Return samples that stand out from both sides by more than `limit` standard deviations.

    Parameters
    ----------
    values : float64[S]
        Signal without gaps.
    sd : float64[S]
        Its noise, same unit.
    limit : float
        Number of standard deviations of a difference.
    width : int
        Longest spike [samples].

    Returns
    -------
    bool[S]
    """
    found = np.zeros(values.size, dtype=np.bool_)
    allowed = limit * np.sqrt(2.0) * sd
    for length in range(1, width + 1):
        before, after = values[: -length - 1], values[length + 1 :]
        base_low, base_high = np.minimum(before, after), np.maximum(before, after)
        inside = np.stack([values[1 + k : values.size - length + k] for k in range(length)])
        room = allowed[1 : values.size - length]
        out = (inside.min(axis=0) > base_high + room) | (inside.max(axis=0) < base_low - room)
        for k in range(length):
            found[1 + k : values.size - length + k] |= out
    return found


def outliers(values: Floats, sd: Floats, limit: float, window: int) -> Bools:
    """Return samples further than `limit` standard deviations from the running median of `window` samples."""
    return np.asarray(np.abs(values - median_filter(values, size=max(3, window | 1))) > limit * sd)


def quadratic(values: Floats, window: int, derivative: int = 0, step_s: float = 1.0) -> Floats:
    """Return the local quadratic of `window` samples (odd), or its derivative per second."""
    longest = values.size if values.size % 2 else values.size - 1
    window = min(window | 1, longest)
    if window < 3:
        return np.zeros_like(values) if derivative else values.copy()
    smooth = savgol_filter(values, window, min(2, window - 1), deriv=derivative, delta=step_s)
    return np.asarray(smooth, dtype=np.float64)


def noise_gain(window: int) -> float:
    """Return noise after over noise before a local quadratic of `window` samples [1]."""
    if window < 3:
        return 1.0
    return float(np.sqrt(np.sum(savgol_coeffs(window, 2) ** 2)))


def smooth_to(values: Floats, sd: Floats, wanted: Floats, longest: int) -> Floats:
    """Smooth each sample with the shortest local quadratic that brings the noise down to what is wanted.

    Parameters
    ----------
    values : float64[S]
        Signal without gaps.
    sd : float64[S]
        Its noise.
    wanted : float64[S]
        Noise that may remain.
    longest : int
        Longest window [samples]; it is used where none suffices.

    Returns
    -------
    float64[S]
    """
    usable = [window for window in WINDOWS if window <= max(longest, 1)] or [1]
    ratio = wanted / np.maximum(sd, 1e-12)
    gains = np.array([noise_gain(window) for window in usable])
    choice = np.minimum(np.searchsorted(-gains, -ratio), len(usable) - 1)
    result = values.copy()
    for index in np.unique(choice):
        if usable[index] > 1:
            chosen = choice == index
            result[chosen] = quadratic(values, usable[index])[chosen]
    return result
