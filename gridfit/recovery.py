"""The recovery score: names, units and weights of its parts, and the cost of an episode and of a grid pair.

One definition serves the kernel, the reference solution and the report, so that a number means the same
wherever it is read. Lower is better.
"""

from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from gridfit.errors import check_name

WINDOW_S = 2.5
"""Length of a scored window from the disturbance [s]."""

BAND_PCT = 2.0
"""A slip error within this many percentage points counts as on target (common practice, no source)."""

SETTLE_S = 0.3
"""The error must stay in the band this long to count as recovered [s]."""

SETTLE_SHORT_S = 0.15
"""The same, where the window was cut short because the driver would shift [s]."""

RESLIP_AFTER_S = 0.05
"""An up-crossing counts as a re-slip after this long inside the band [s]."""

SMOOTHING_S = 0.015
"""The error is smoothed over this time for recovery and re-slips [s]."""

JERK_LOWPASS_HZ = 15.0
"""Corner frequency of the low-pass ahead of the jerk [Hz]."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the score: its name, unit and meaning."""

    name: str
    unit: str
    meaning: str


PARTS: tuple[Part, ...] = (
    Part("drive_lost_kmh", "km/h", "speed lost against a tyre held at its peak, or all of the engine"),
    Part("excess_slip_m", "m", "distance that the driven wheels turned beyond the slip at peak"),
    Part("recovery_s", "s", "time from leaving the band until the error stays inside it"),
    Part("reslips", "1", "times the error left the band again"),
    Part("jerk_rms", "1/s", "RMS of the low-passed change of acceleration, over g"),
    Part("lateral_lost", "1", "mean lateral acceleration asked for and not available, over g"),
    Part("overshoot_kmh", "km/h", "largest slip speed above the target's"),
    Part("recovery_soft_s", "s", "smooth twin of recovery_s that the search sees"),
    Part("reslips_soft", "1", "smooth twin of reslips that the search sees"),
    Part("window_s", "s", "length of the window that was scored"),
    Part("cut_swing_pct", "%", "RMS of what in the cut is faster than 5 Hz: chatter"),
)

PART_INDEX: dict[str, int] = {part.name: i for i, part in enumerate(PARTS)}
"""Column of each part in an array parts[..., M]."""


@dataclass(frozen=True, slots=True)
class Preference:
    """Weights of the score's parts under a name.

    Parameters
    ----------
    name : str
        How a person calls it.
    drive_lost, excess_slip, recovery, reslips, jerk, lateral : float
        Cost per km/h lost, per metre of excess slip, per whole window of recovery, per re-slip,
        per 1/s of jerk and per g of lateral acceleration lost [1]; none negative.
    cut_swing : float
        Cost per percentage point of the cut's swing above 5 Hz [1]; not negative.
    tail : float
        Weight of the worst tenth against the mean over scenarios [1].
    """

    name: str = "balanced"
    drive_lost: float = 1.0
    excess_slip: float = 1.0
    recovery: float = 4.0
    reslips: float = 1.0
    jerk: float = 0.5
    lateral: float = 20.0
    tail: float = field(default=0.5)
    cut_swing: float = 0.0

    def weights(self) -> dict[str, float]:
        """Return the weights by name, in the order of their definition."""
        return {one.name: getattr(self, one.name) for one in fields(self) if one.name != "name"}


PREFERENCES: dict[str, Preference] = {
    "balanced": Preference(),
    "calm": Preference(
        "calm", excess_slip=1.5, recovery=6.0, reslips=2.0, jerk=1.5, lateral=30.0, cut_swing=0.1
    ),
    "sharp": Preference("sharp", excess_slip=0.7, recovery=3.0, reslips=0.5, jerk=0.25, lateral=15.0),
}
"""Named preferences; `balanced` has the default weights."""


def preference(name: str) -> Preference:
    """Return the preference of that name.

    Raises
    ------
    CallError
        If there is none.
    """
    also = ", or the path of a preference file that ends in .toml"
    check_name("--preference", "preference", name, sorted(PREFERENCES), also)
    return PREFERENCES[name]


def episode_cost(
    parts: NDArray[np.float64], weights: Preference | None = None, *, soft: bool = False
) -> NDArray[np.float64]:
    """Cost of each episode.

    Parameters
    ----------
    parts : float64[..., M]
        Parts of the score in the order of `PARTS`.
    weights : Preference, optional
        Weights; the default preference if left out.
    soft : bool
        Use the smooth twins of recovery and re-slips.

    Returns
    -------
    float64[...]
        Cost [1], lower is better.
    """
    w = weights or Preference()
    recovery = parts[..., PART_INDEX["recovery_soft_s" if soft else "recovery_s"]]
    reslips = parts[..., PART_INDEX["reslips_soft" if soft else "reslips"]]
    cost: NDArray[np.float64] = (
        w.drive_lost * parts[..., PART_INDEX["drive_lost_kmh"]]
        + w.excess_slip * parts[..., PART_INDEX["excess_slip_m"]]
        + w.recovery * recovery / WINDOW_S
        + w.reslips * reslips
        + w.jerk * parts[..., PART_INDEX["jerk_rms"]]
        + w.lateral * parts[..., PART_INDEX["lateral_lost"]]
        + w.cut_swing * parts[..., PART_INDEX["cut_swing_pct"]]
    )
    return cost


def pair_cost(
    cost: NDArray[np.float64], weights: Preference | None = None, *, axis: int = -1
) -> NDArray[np.float64]:
    """Cost of a grid pair: mean over scenarios plus a share of what the worst tenth adds to it.

    Parameters
    ----------
    cost : float64[..., N, ...]
        Cost of each scenario.
    weights : Preference, optional
        Its `tail` is the share (0.5 by default).
    axis : int
        Axis of the scenarios.

    Returns
    -------
    float64[...]
        `mean + tail * (mean of the worst 10 % - mean)`, without the axis of the scenarios.
    """
    tail = (weights or Preference()).tail
    n = cost.shape[axis]
    worst = max(1, round(0.1 * n))
    ordered = np.partition(cost, n - worst, axis=axis)
    upper = np.take(ordered, range(n - worst, n), axis=axis).mean(axis=axis)
    mean = cost.mean(axis=axis)
    result: NDArray[np.float64] = mean + tail * (upper - mean)
    return result


def recovery_by_crossings(
    time: NDArray[np.float64], smooth: NDArray[np.float64], short: bool, length: float, window: float
) -> tuple[float, float]:
    """Read recovery time and re-slips off a finely sampled error.

    Parameters
    ----------
    time, smooth : float64[S]
        Time from the disturbance [s] and smoothed slip error [percentage points].
    short : bool
        Whether the window was cut short because the driver would shift.
    length, window : float
        Length of this window and of a whole one [s].

    Returns
    -------
    float
        Recovery time [s]; 0 if the error never left the band, `window` if it never came back for good.
    float
        Re-slips [1].
    """
    above = smooth > BAND_PCT
    change = np.flatnonzero(above[1:] != above[:-1])
    ups: list[float] = []
    downs: list[float] = []
    if above[0]:
        ups.append(float(time[0]))
    for i in change:
        at = time[i] + (BAND_PCT - smooth[i]) / (smooth[i + 1] - smooth[i]) * (time[i + 1] - time[i])
        (ups if above[i + 1] else downs).append(float(at))
    if not ups:
        return 0.0, 0.0
    again = sum(1.0 for n, up in enumerate(ups[1:]) if up - downs[n] >= RESLIP_AFTER_S)
    for n, down in enumerate(downs):
        until = ups[n + 1] if n + 1 < len(ups) else length
        if until - down >= (SETTLE_SHORT_S if short and n + 1 == len(ups) else SETTLE_S):
            return down - ups[0], again
    return window, again
