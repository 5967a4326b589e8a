"""Findings on a run's clock and channel map: gaps, roll-over, lags between sources, guesses that want an answer."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.signals import clock
from gridfit.signals.quality import Finding, compare
from gridfit.signals.run import ROLE_OF, Run

GAP_PERIODS = 2.5
"""Step of the clock, in usual steps, that is a gap [1]."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without samples.

    Parameters
    ----------
    start_s, end_s : float
        Last sample before it and first one after it [s].
    missing : int
        Samples that should stand there.
    """

    start_s: float
    end_s: float
    missing: int

    @property
    def length_s(self) -> float:
        """How much longer than a usual step it is, counted from sample to sample [s]."""
        return self.end_s - self.start_s


def gaps(run: Run) -> tuple[Gap, ...]:
    """Return every stretch of a run without samples, in time order.

    Parameters
    ----------
    run : Run
    """
    time_s = run.table["time_s"].to_numpy(dtype=np.float64)
    steps = np.diff(time_s)
    usual = float(np.median(steps))
    return tuple(
        Gap(float(time_s[at]), float(time_s[at + 1]), round(float(steps[at]) / usual) - 1)
        for at in np.flatnonzero(steps > GAP_PERIODS * usual)
    )


def gap_mask(run: Run, around_s: float) -> NDArray[np.bool_]:
    """Say which samples lie within a time of a gap.

    Parameters
    ----------
    run : Run
    around_s : float
        [s]

    Returns
    -------
    bool[S]
    """
    time_s = run.table["time_s"].to_numpy(dtype=np.float64)
    mask = np.zeros(time_s.size, dtype=np.bool_)
    for gap in gaps(run):
        mask |= (time_s >= gap.start_s - around_s) & (time_s <= gap.end_s + around_s)
    return mask


def check(run: Run) -> list[Finding]:
    """Check the clock and the channel map of a run.

    Parameters
    ----------
    run : Run

    Returns
    -------
    list of Finding
    """
    return [_gaps(run), *_rolled(run), *_dropped(run), *_lags(run), *_unsure(run)]


def _gaps(run: Run) -> Finding:
    found = gaps(run)
    missing = sum(gap.missing for gap in found)
    longest = sorted(found, key=lambda gap: -gap.length_s)[:5]
    listed = ", ".join(f"{gap.length_s:.3g} s from {gap.start_s:.3f} s" for gap in longest)
    more = f" and {len(found) - 5} more" if len(found) > 5 else ""
    return compare(
        "gaps in the clock",
        run.name,
        "share of samples that are missing [1]",
        missing / max(1, len(run.table) + missing),
        "<",
        1e-3,
        good=f"{len(found)} gaps, none bridged: {listed}{more}" if found else "no sample is missing",
        bad=f"{missing} samples are missing in {len(found)} gaps, none bridged: {listed}{more}",
        remedy="Lower the logger's rate or the number of channels, use a faster card, or check the bus load.",
    )


def _rolled(run: Run) -> list[Finding]:
    times = dict(run.repairs).get(clock.ROLLED, 0)
    if not times:
        return []
    return [
        compare(
            "clock rolled over",
            run.name,
            "times that its counter began again from 0 [1]",
            float(times),
            "<=",
            0.0,
            good="",
            bad="the counter of the clock is too short for the run; it was counted on",
            remedy="Let the logger write a longer counter, or seconds from its start.",
        )
    ]


_STAMPS = {
    "duplicated row": (
        "rows stand twice and were left out",
        "Log the time in finer steps, and export each row once.",
    ),
    "backward stamp": (
        "the clock goes back; the fewest rows that do were left out",
        "Stamp samples where they are taken, not where they are received, and split a log that was started anew.",
    ),
    "row without time": ("rows without a stamp were left out", "Export the time with every row."),
}


def _dropped(run: Run) -> list[Finding]:
    counts = dict(run.repairs)
    return [
        compare(
            f"clock: {what}",
            run.name,
            "share of rows [1]",
            counts[what] / (len(run.table) + run.rows_dropped),
            "<",
            1e-3,
            good=f"{counts[what]} rows left out",
            bad=f"{meaning} ({counts[what]})",
            remedy=remedy,
        )
        for what, (meaning, remedy) in _STAMPS.items()
        if what in counts
    ]


def _lags(run: Run) -> list[Finding]:
    return [
        compare(
            f"lag of {column}",
            run.name,
            "time by which it comes after the driven wheels [s]",
            lag.mean,
            "<",
            0.03,
            good="",
            bad=f"it comes {lag} s after the wheel speeds; taken out",
            remedy="Log it where the wheel speeds are logged, or set its delay in the logger.",
        )
        for column, lag in run.lags.items()
    ]


def _unsure(run: Run) -> list[Finding]:
    return [
        compare(
            f"channel map: {role}",
            run.name,
            "how sure the guess is [1]",
            channel.sure,
            ">=",
            0.6,
            good="",
            bad=f"column '{channel.column}' may be {ROLE_OF[role].meaning}, but is not used: {channel.reason}",
            remedy=f"Uncomment and correct the line of {role} in the proposed channels.toml, beside the log.",
        )
        for role, channel in run.unsure.items()
    ]
