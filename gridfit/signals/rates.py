"""Channels that were logged at rates of their own, brought onto the clock of the wheel speeds.

Wheel speeds keep the stamps that they were logged with. A speed, pedal or other quantity that changes
smoothly is interpolated; a switch, gear or command holds its last value. Nothing is made up across a gap.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.signals import clock

Floats = NDArray[np.float64]

SMOOTH = (
    "time",
    "speed",
    "fraction",
    "rotation",
    "angle",
    "acceleration",
    "pressure",
    "temperature",
    "torque",
)
"""Dimensions that are interpolated; the others hold their last value."""
GAP_PERIODS = 3.5
"""Time without a sample, in periods of the channel, that makes a gap [1]; chosen, no source."""
LOST_PERIODS = 1.5
"""Time between samples, in periods, from which on samples were lost [1]."""


@dataclass(frozen=True, slots=True)
class Track:
    """A channel on its own clock.

    Parameters
    ----------
    column : str
    dimension : str
        As in the table of units.
    time_s : float64[S]
    values : float64[S]
    """

    column: str
    dimension: str
    time_s: Floats
    values: Floats


@dataclass(frozen=True, slots=True)
class Merged:
    """Channels on one clock.

    Parameters
    ----------
    time_s : float64[S]
    columns : dict of str to float64[S]
        NaN where a channel has no value: before its first sample, after its last, in a gap.
    remarks : tuple of (str, int)
        Samples that were interpolated over lost ones, or are missing, by channel.
    """

    time_s: Floats
    columns: dict[str, Floats]
    remarks: tuple[tuple[str, int], ...]


def merge(tracks: Sequence[Track]) -> Merged:
    """Bring channels onto one clock: that of the wheel speed with the most samples.

    Parameters
    ----------
    tracks : sequence of Track
        At least one.

    Returns
    -------
    Merged
    """
    base = max(tracks, key=lambda one: (one.dimension == "speed", one.time_s.size))
    columns: dict[str, Floats] = {}
    remarks: list[tuple[str, int]] = []
    for one in tracks:
        if one.time_s is base.time_s or np.array_equal(one.time_s, base.time_s):
            columns[one.column] = one.values
            continue
        columns[one.column], lost, missing = onto(one, base.time_s)
        remarks += [(f"sample of {one.column} interpolated over lost ones", lost)] if lost else []
        remarks += [(f"sample without {one.column}", missing)] if missing else []
    return Merged(base.time_s, columns, tuple(remarks))


def onto(track: Track, time_s: Floats) -> tuple[Floats, int, int]:
    """Return a channel on another clock, how many values stand over lost samples, how many are missing.

    Parameters
    ----------
    track : Track
    time_s : float64[S]

    Returns
    -------
    (float64[S], int, int)
    """
    own_time, own = _usable(track)
    if own_time.size < 2:
        return np.full(time_s.size, np.nan), 0, time_s.size
    period = float(np.median(np.diff(own_time)))
    last = np.searchsorted(own_time, time_s, side="right") - 1
    before, after = np.clip(last, 0, None), np.clip(last + 1, None, own_time.size - 1)
    age = time_s - own_time[before]
    if track.dimension in SMOOTH:
        values = np.interp(time_s, own_time, own)
        width = np.where(age == 0.0, 0.0, own_time[after] - own_time[before])
        outside = (time_s < own_time[0]) | (time_s > own_time[-1])
    else:
        values, width, outside = own[before], age, last < 0
    missing = outside | (width > GAP_PERIODS * period)
    lost = (
        ~missing & (width > LOST_PERIODS * period) if track.dimension in SMOOTH else np.zeros(1, dtype=bool)
    )
    return np.where(missing, np.nan, values), int(lost.sum()), int(missing.sum())


def _usable(track: Track) -> tuple[Floats, Floats]:
    """Return the samples that hold a value, their stamps strictly increasing."""
    known = np.isfinite(track.time_s) & np.isfinite(track.values)
    time_s, values = track.time_s[known], track.values[known]
    keep = clock.increasing(time_s)
    return time_s[keep], values[keep]
