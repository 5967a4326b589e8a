"""Faults that a channel shows by itself: stuck, lost and saturated signals, wheels that read far too low."""

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.signals import filters
from gridfit.signals.filters import Bools, Floats
from gridfit.signals.run import Run

STUCK_CHANCE = 1e-4
"""A stretch of equal values is a stuck sensor when noise would make one that long this rarely per run."""

STUCK_S = 0.08
"""Shorter stretches of equal values are never called stuck [s]."""

RELEASE_STEPS = 3.0
"""A stuck sensor of coarse resolution comes back more than this many steps away [1]."""

MOVING_MPS = 3.0
"""Below this speed sensors may stand still in earnest [m/s]."""

MOST_LATERAL_MPS2 = 20.0
"""No tyre corners harder than this [m/s2]."""

FAILING_SHARE = 0.15
"""A wheel this much slower than cornering allows is failing, or locked [1]."""

NOUGHT_MPS = 0.5
"""A wheel reads nought below this [m/s]."""

PLUNGE_MPS, PLUNGE_MPS2 = 4.0, 150.0
"""No wheel loses this much speed from one sample to the next, nor at this rate [m/s, m/s2]."""


def stuck(values: Floats, step_s: float, moving: Bools) -> Bools:
    """Return where a noisy channel stands still for longer than its own noise would let it.

    Parameters
    ----------
    values : float64[S]
        Channel; NaN where missing.
    step_s : float
        Time between samples [s].
    moving : bool[S]
        Where the car moves.

    Returns
    -------
    bool[S]
    """
    same = np.zeros(values.size, dtype=np.bool_)
    same[1:] = (values[1:] == values[:-1]) & moving[1:]
    starts, stops = filters.intervals(same)
    length = stops - starts
    # Long stretches are what is looked for, so they must not raise the share that counts as normal.
    normal = same.copy()
    for first, last in zip(starts[length >= 8], stops[length >= 8], strict=True):
        normal[first:last] = False
    share = (normal.sum() + 1.0) / (moving.sum() + 2.0)
    rare = np.log(STUCK_CHANCE / max(1, values.size)) / np.log(share) if share < 1.0 else np.inf
    noise, step = filters.noise_sd(values), filters.resolution(values[:20_000])
    result = np.zeros(values.size, dtype=np.bool_)
    for first, last in zip(starts, stops, strict=True):
        if last - first < rare or (last - first) * step_s < STUCK_S:
            continue
        # Where the resolution hides the noise, a car may hold its speed; a sensor comes back with a jump,
        # or falls silent (NaN).
        back = last == values.size or abs(values[last] - values[first - 1]) <= RELEASE_STEPS * step
        if noise > step or not back:
            result[first - 1 : last] = True
    return result


def plunges(values: Floats, step_s: float) -> Bools:
    """Return where a wheel reads nought from one sample to the next although it turned fast: a lost signal."""
    result = np.zeros(values.size, dtype=np.bool_)
    least = max(PLUNGE_MPS, PLUNGE_MPS2 * step_s)
    for first, last in zip(*filters.intervals(values < NOUGHT_MPS), strict=True):
        falls = first > 0 and values[first - 1] - values[first] > least
        rises = last < values.size and values[last] - values[last - 1] > least
        # A wheel that locks comes back within a few samples at the most; a signal comes back at once.
        result[first:last] = falls and (rises or last == values.size)
    return result


def saturated(values: Floats, step_s: float) -> Bools:
    """Return where a noisy channel sits at its largest value for longer than noise would let it, bool[S]."""
    result = np.zeros(values.size, dtype=np.bool_)
    if not np.isfinite(values).any() or filters.noise_sd(values) <= 0.6 * filters.resolution(values[:20_000]):
        return result
    least = max(5, round(STUCK_S / step_s))
    stretches = [
        (first, last)
        for first, last in zip(*filters.intervals(values >= np.nanmax(values) - 1e-9), strict=True)
        if last - first >= least
    ]
    # One such stretch is a sensor that sticks; a range that ends is met again and again.
    if len(stretches) > 1:
        for first, last in stretches:
            result[first:last] = True
    return result


def failing(values: list[Floats], run: Run, sheet: CarSheet) -> tuple[Bools, Bools]:
    """Return where the left and the right wheel of an axle read far less than the other and the car allow.

    A sensor that loses pulses reads low. Two wheels of an axle differ in a bend by track times curvature,
    and curvature is bounded by grip; a wheel that is also slower than all others is failing, not turning.

    Parameters
    ----------
    values : list of float64[S]
        Left and right wheel [m/s]; NaN where missing.
    run : Run
    sheet : CarSheet

    Returns
    -------
    tuple of bool[S]
    """
    left, right = values
    slow = np.fmin(left, right)
    fast = np.fmax(left, right)
    others = [
        run.table[name].to_numpy(dtype=np.float64) for name in ("speed_driven_mps", "speed_undriven_mps")
    ]
    floor = np.fmin(fast, np.fmax(*others))
    allowed = sheet.car.track_m * MOST_LATERAL_MPS2 / np.maximum(fast, 1.0) + FAILING_SHARE * fast
    with np.errstate(invalid="ignore"):
        apart = (fast - slow > allowed) & (slow < (1.0 - FAILING_SHARE) * floor) & (fast > 2.0 * MOVING_MPS)
        return apart & (left < right), apart & (right < left)
