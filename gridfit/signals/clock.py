"""The log's clock: made strictly increasing by leaving rows out, refused when it does not keep time."""

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.errors import InputError
from gridfit.signals.run import Channel

ROLLED = "counter of the clock that rolled over, counted on"
"""Remark of a run."""
PERIOD_RANGE_S = (1e-4, 1.0)
"""Median step that a log may have [s]."""
LEAST_ROWS = 10
MOST_EQUAL = 0.2
"""Share of stamps that may equal the one before [1]."""
MOST_BACKWARD = 0.02
"""Share of rows that may be left out because their stamp goes back [1]."""


@dataclass(frozen=True, slots=True)
class Clock:
    """Rows to keep and what was left out.

    Parameters
    ----------
    keep : bool[S]
    repairs : tuple of (str, int)
    time_s : float64[S]
        Stamps of all rows, counted on where the counter rolled over [s].
    rolled : int
        How often it did.
    """

    keep: NDArray[np.bool_]
    repairs: tuple[tuple[str, int], ...]
    time_s: NDArray[np.float64]
    rolled: int = 0


def repair(
    time_s: NDArray[np.float64], *, where: str, place: Callable[[int], str], channel: Channel
) -> Clock:
    """Find the rows that make the clock strictly increasing.

    Parameters
    ----------
    time_s : float64[S]
        Stamps [s].
    where : str
        The log's name, for messages.
    place : callable
        Row -> its place in the file.
    channel : Channel
        Column of the clock and the unit that it was read in.

    Returns
    -------
    Clock

    Raises
    ------
    InputError
        When there are hardly any rows, the clock stands, goes back for long, or steps by more than 1 s.
    """
    subject = f"column '{channel.column}'"
    time_s, rolled = _unrolled(time_s, _of(channel.unit))
    known = np.isfinite(time_s)
    rows = np.flatnonzero(known)
    if rows.size < LEAST_ROWS:
        allowed = f"must hold at least {LEAST_ROWS} rows with a time"
        raise _fault(where, subject, f"{rows.size} rows", allowed, "Is this the right file and column?")
    step = np.diff(time_s[rows])
    equal = int(np.count_nonzero(step == 0.0))
    if equal > MOST_EQUAL * rows.size:
        at = int(rows[np.flatnonzero(step == 0.0)[0] + 1])
        value = f"{time_s[at]:g} s again ({equal} of {rows.size} stamps equal the one before)"
        remedy = "The clock stands or is too coarse: log the time in finer steps, or name another column."
        raise _fault(f"{where}{place(at)}", subject, value, "time must move on", remedy)
    keep = known.copy()
    backward = int(np.count_nonzero(step < 0.0))
    if backward:
        keep[rows[_not_increasing(time_s[rows])]] = False
    elif equal:
        keep[rows[np.flatnonzero(step == 0.0) + 1]] = False
    lost = int(known.sum() - keep.sum()) - equal
    if backward and lost > MOST_BACKWARD * rows.size:
        at = int(rows[np.flatnonzero(step < 0.0)[0] + 1])
        value = f"{time_s[at]:g} s after {time_s[rows][np.flatnonzero(step < 0.0)[0]]:g} s"
        remedy = "If the logger was started anew, split the log there into two files."
        raise _fault(f"{where}{place(at)}", subject, value, "time must not go back for long", remedy)
    _check_period(time_s[keep], where, subject, channel.unit)
    counts = (
        ("row without time", int((~known).sum())),
        ("duplicated row", equal),
        ("backward stamp", max(lost, 0)),
    )
    # Rows are counted as lost by these names, so the counter's turns stand with the remarks.
    return Clock(keep, tuple((name, count) for name, count in counts if count), time_s, rolled)


def _fault(where: str, what: str, value: str, allowed: str, remedy: str) -> InputError:
    return InputError.of(where=where, what=what, value=value, allowed=allowed, remedy=remedy)


def _check_period(time_s: NDArray[np.float64], where: str, subject: str, unit: str) -> None:
    period = float(np.median(np.diff(time_s)))
    low, high = PERIOD_RANGE_S
    if not low <= period <= high:
        value = f"a median step of {period:g} s"
        allowed = f"must lie in {low:g} to {high:g} s (10000 to 1 samples per second)"
        other = next(
            (one for one, factor in _FACTORS.items() if low <= period * factor / _of(unit) <= high), ""
        )
        hint = f'Is the unit "{other}" instead of "{unit}"?' if other else "Is this the column of the time?"
        raise _fault(where, subject, value, allowed, hint)


def _unrolled(time_s: NDArray[np.float64], unit_s: float) -> tuple[NDArray[np.float64], int]:
    """Count on where a counter of limited range began again from 0; return the stamps and how often it did.

    A counter rolls over when its stamp falls by nearly its whole range, to the step that was due. A logger that
    was started anew begins anywhere else, and is left for `repair` to refuse.
    """
    known = np.flatnonzero(np.isfinite(time_s))
    if known.size < LEAST_ROWS:
        return time_s, 0
    step = np.diff(time_s[known])
    due = DUE_STEPS * float(np.median(np.abs(step)))
    turns = np.array([*(one * unit_s for one in COUNTERS), *CLOCKS_S])
    made, rolled = time_s.copy(), 0
    for at in np.flatnonzero(step < -due):
        fits = turns[(step[at] + turns > 0.0) & (step[at] + turns < due)]
        # A wild stamp comes back at once; a counter goes on from where it began again.
        goes_on = at + 1 >= step.size or 0.0 < step[at + 1] < due
        if fits.size and goes_on and 0.0 <= time_s[known[at + 1]] < due:
            made[known[at + 1] :] += fits[0]
            rolled += 1
    return made, rolled


COUNTERS = (2.0**16, 2.0**24, 2.0**32)
"""Ranges of counters of 16, 24 and 32 bits, in the unit of the clock [1]."""
CLOCKS_S = (3600.0, 43200.0, 86400.0)
"""Ranges of clocks [s]: hour, half and whole day. No minute: loggers write files of a minute."""
DUE_STEPS = 3.5
"""Step, in usual ones, that may stand where it did [1]."""

_FACTORS = {"s": 1.0, "ms": 1e-3, "us": 1e-6}


def _of(unit: str) -> float:
    return _FACTORS.get(unit.strip().lower(), 1.0)


def _not_increasing(time_s: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the rows outside a longest strictly increasing run of stamps: the fewest that can be left out.

    Of equal stamps the first is kept, so that a duplicated row leaves the one that was written first.
    Source: patience sorting; C. Schensted, 1961, Canadian Journal of Mathematics 13, 179.
    """
    tails: list[float] = []
    at_tail: list[int] = []
    previous = np.full(time_s.size, -1, dtype=np.int64)
    for row, stamp in enumerate(time_s.tolist()):
        pile = bisect_left(tails, stamp)
        if pile < len(tails) and tails[pile] == stamp:
            continue
        previous[row] = at_tail[pile - 1] if pile else -1
        tails[pile : pile + 1] = [stamp]
        at_tail[pile : pile + 1] = [row]
    inside = np.zeros(time_s.size, dtype=np.bool_)
    row = at_tail[-1]
    while row >= 0:
        inside[row] = True
        row = int(previous[row])
    _settle_first(time_s, inside)
    return np.flatnonzero(~inside)


def _settle_first(time_s: NDArray[np.float64], inside: NDArray[np.bool_]) -> None:
    """Of the stamps that could stand first, keep the one nearest to the second; `inside` is changed.

    A wild second stamp in the past makes as long a run as the first stamp does.
    """
    kept = np.flatnonzero(inside)
    if kept.size < 2:
        return
    first, second = kept[:2]
    able = np.flatnonzero(time_s[:second] < time_s[second])
    inside[first] = False
    inside[able[np.argmax(time_s[able])]] = True


def increasing(time_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which rows to keep so that the stamps increase strictly, as many as can be.

    Parameters
    ----------
    time_s : float64[S]
        Finite stamps [s].
    """
    keep = np.ones(time_s.size, dtype=np.bool_)
    if time_s.size and not np.all(np.diff(time_s) > 0.0):
        keep[_not_increasing(time_s)] = False
    return keep
