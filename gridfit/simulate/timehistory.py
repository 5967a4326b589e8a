"""The time history of one simulated episode."""

from dataclasses import dataclass

from gridfit.simulate.parameters import Floats


@dataclass(frozen=True, slots=True)
class Trace:
    """One simulated episode.

    Parameters
    ----------
    time_s : float64[S]
        From the disturbance [s].
    states : float64[S, 17]
        In the order of `gridfit.simulate.reference.STATES`, SI.
    error_pct, target_pct, cut_pct : float64[S]
        Slip error [percentage points], target [%] and cut as it takes effect [%].
    parts : float64[M]
        Parts of the score.
    """

    time_s: Floats
    states: Floats
    error_pct: Floats
    target_pct: Floats
    cut_pct: Floats
    parts: Floats
