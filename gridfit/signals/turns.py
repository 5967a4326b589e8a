"""Whether a log shows speeds and cut of one turn of the controller's loop: what that says of the cut's stamps.

A row tells the cut that was in force at its stamp; when the controller decided it lies up to a row further back. Where
the grids in force, looked up at a row's own speeds, give the row's own cut, speeds and cut come from one turn.
"""

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.signals import command
from gridfit.signals.prepared import Signals

SAME = 0.9
"""Share of rows whose cut must be that of their own speeds [1]."""
LEAST_ROWS = 30
"""Rows with a moving cut that it takes to tell."""
MOVING_PCT = 3.0
"""Change of the cut looked up from row to row beyond which a row tells one turn from the next [percentage points]."""
ALIKE_PCT = 2.0
"""Difference of logged and looked-up cut that rounded speeds explain [percentage points]."""

WITHIN_TURN = 0.15
"""Standard deviation of the moment of the command within a turn that speeds and cut share, in turns [1]; no source."""


def of_one_turn(sheet: CarSheet, signals: Iterable[Signals]) -> bool:
    """Tell whether rows show speeds and cut of one turn.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    signals : iterable of Signals
        Its prepared runs; those without grids in force or without a logged cut say nothing.

    Returns
    -------
    bool
        False where too few rows tell.
    """
    alike = np.concatenate([np.zeros(0, dtype=bool), *(_alike(sheet, s) for s in signals)])
    return alike.size >= LEAST_ROWS and float(alike.mean()) >= SAME


def stamps(sheet: CarSheet, signals: Sequence[Signals]) -> tuple[float, float]:
    """How late the controller's turns are against a line between the rows' cuts, and the error of that.

    Rows of one turn tell the cut from its first moment on, so that it changed with the row and not since the last
    one. Else it changed anywhere since the last row, and the line is right on average.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    signals : sequence of Signals
        Its prepared runs.

    Returns
    -------
    late_s, sd_s : float
        Delay and its standard deviation [s].
    """
    row_s = float(np.median([s.step_s for s in signals]))
    if of_one_turn(sheet, signals):
        turn_s = min(row_s, 1.0 / sheet.controller.loop_hz)
        return 0.5 * turn_s, WITHIN_TURN * turn_s
    return 0.0, row_s / 12.0**0.5


def _alike(sheet: CarSheet, signals: Signals) -> NDArray[np.bool_]:
    """Rows with a moving cut: whether the logged one is that of the row's speeds: bool[rows]."""
    table, grids = signals.table, signals.grids
    if grids is None or "cut_pct" not in signals.run.table:
        return np.zeros(0, dtype=bool)
    v_u, v_d = table["v_u_raw_kmh"].to_numpy(), table["v_d_raw_kmh"].to_numpy()
    gear = command.held_gear(table["gear"].to_numpy().astype(np.int64)).astype(np.float64)
    error = command.slip_pct(v_d, v_u, sheet.controller.min_speed_kmh) - grids.target.at(v_u)
    looked_up = np.minimum(grids.cut.at(error, gear), sheet.controller.cut_max_pct)
    logged = signals.run.table["cut_pct"].to_numpy(dtype=np.float64)
    moving = np.abs(np.diff(looked_up, prepend=looked_up[:1])) > MOVING_PCT
    # above the gates only, and where neither end of the row's range hides a change
    told = moving & (logged > 0.0) & (logged < sheet.controller.cut_max_pct) & table["valid"].to_numpy()
    result: NDArray[np.bool_] = np.abs(looked_up - logged)[told] < ALIKE_PCT
    return result
