"""What set off an episode, as far as a log can tell: a shift, the throttle, a kerb or a damp patch."""

from typing import Literal

import numpy as np

from gridfit.signals.prepared import Signals

Cause = Literal["throttle", "kerb", "damp", "shift", "unknown"]

SHIFT_BEFORE_S = 0.5
"""A shift that ended this long before the start may be its cause [s]."""

THROTTLE_BEFORE_S = 0.4
"""So may a throttle that opened within this time [s]..."""

THROTTLE_RISE = 0.15
"""...by at least this much [1]."""


def classify(signals: Signals, start_s: float, end_s: float) -> Cause:
    """Return the likely cause of an episode.

    Parameters
    ----------
    signals : Signals
    start_s, end_s : float
        The episode on the log's clock [s].

    Returns
    -------
    str
    """
    table = signals.table
    time_s = table["time_s"].to_numpy(dtype=np.float64)
    at = int(np.searchsorted(time_s, start_s))
    shift_from = int(np.searchsorted(time_s, start_s - SHIFT_BEFORE_S))
    if bool(table["shift"].to_numpy()[shift_from : at + 1].any()):
        return "shift"
    pedal_from = int(np.searchsorted(time_s, start_s - THROTTLE_BEFORE_S))
    pedal = table["throttle"].to_numpy(dtype=np.float64)[pedal_from : at + 1]
    if pedal.size and np.nanmin(pedal) < pedal[-1] - THROTTLE_RISE:
        return "throttle"
    return "unknown"
