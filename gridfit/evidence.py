"""What the logs stand behind, cell by cell, and which drive would teach the most next."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit.estimate import Estimate
from gridfit.grids import GridPair
from gridfit.recovery import Preference, episode_cost
from gridfit.search.support import Support
from gridfit.signals.prepared import Signals
from gridfit.simulate.kernel import S_BASE, S_LATERAL, S_V0
from gridfit.simulate.scenarios import Scenarios
from gridfit.units import KMH_PER_MPS

FloatArray = NDArray[np.float64]

LEAST_TIME_S = 0.02
"""An episode passed through a cell when it spent this long there: two passes of a 100 Hz loop [s]."""

LONGEST_STEP_S = 0.1
"""A longer step between samples is a gap and counts for no cell [s]."""

INTERVAL_WORTH = 0.02
"""A manoeuvre is worth driving when its cost is open by this share of the mean cost [1]."""


def shares(axis: FloatArray, at: FloatArray) -> FloatArray:
    """How a look-up divides between the breakpoints of an axis.

    Parameters
    ----------
    axis : float64[K]
        Breakpoints, increasing.
    at : float64[S]
        Where the grid is read; NaN is read nowhere.

    Returns
    -------
    float64[S, K]
        Weight of each breakpoint in linear interpolation, held at both ends; rows add up to 1, or to 0
        where `at` is NaN.
    """
    weights = np.zeros((at.size, axis.size))
    known = np.flatnonzero(np.isfinite(at))
    if axis.size == 1:
        weights[known, 0] = 1.0
        return weights
    place = np.interp(at[known], axis, np.arange(axis.size))
    low = np.minimum(place.astype(np.int64), axis.size - 2)
    weights[known, low] = 1.0 - (place - low)
    weights[known, low + 1] = place - low
    return weights


def count_support(pair: GridPair, signals: Sequence[Signals], episodes: pd.DataFrame) -> Support:
    """Count the episodes and the time that passed through each cell of the grids in force.

    Parameters
    ----------
    pair : GridPair
        Grids in force.
    signals : sequence of Signals
        Prepared runs.
    episodes : DataFrame
        Table of episodes of these runs; one whose gear is unknown counts for the target only.

    Returns
    -------
    Support
        A sample counts for the two breakpoints on either side by their weight in the look-up; below the
        first slip error there is no cut, so such a sample counts for no cell of the cut grid. A gear without
        a row counts for the row that the controller uses.
    """
    cells = np.zeros((2, *pair.cut.cut_pct.shape))
    knots = np.zeros((2, pair.target.speed_kmh.size))
    tables = {one.name: one.table for one in signals}
    for episode in episodes.to_dict("records"):
        table = tables[str(episode["run"])].iloc[int(episode["start_index"]) : int(episode["end_index"]) + 1]
        step = _steps(table["time_s"].to_numpy(dtype=np.float64))
        speed = KMH_PER_MPS * table["v_u_mps"].to_numpy(dtype=np.float64)
        spent = step @ shares(pair.target.speed_kmh, speed)
        knots[0] += spent
        knots[1] += spent >= LEAST_TIME_S
        gear = int(episode["gear"])
        if gear > 0:
            row = int(np.argmin(np.abs(pair.cut.gear - gear)))
            error = table["slip_error_pct"].to_numpy(dtype=np.float64)
            axis = pair.cut.slip_error_pct
            spent = step @ shares(axis, np.where(error >= axis[0], error, np.nan))
            cells[0, row] += spent
            cells[1, row] += spent >= LEAST_TIME_S
    return Support(pair, cells[1].astype(np.int64), cells[0], knots[1].astype(np.int64), knots[0])


def _steps(time_s: FloatArray) -> FloatArray:
    """Time that each sample stands for, float64[S] [s]; nothing at a gap."""
    if time_s.size < 2:
        return np.zeros(time_s.size)
    step = np.diff(time_s)
    step = np.where(step <= LONGEST_STEP_S, step, 0.0)
    return np.append(step, step[-1])


@dataclass(frozen=True, slots=True)
class NextTest:
    """A manoeuvre whose cost the evidence leaves open.

    Parameters
    ----------
    gear : int
        Gear.
    kind : str
        Kind of scenario.
    entry_kmh : float
        Speed to enter at [km/h].
    cornering : bool
        Whether the scenario that is most open corners.
    cost : Estimate
        Predicted cost of the chosen pair in this manoeuvre, over the draws of the plant.
    spread : float
        Standard deviation of that cost over the draws, without what every manoeuvre shares [1].
    text : str
        What to do, in words.
    """

    gear: int
    kind: str
    entry_kmh: float
    cornering: bool
    cost: Estimate
    spread: float
    text: str


_DRIVE: dict[str, str] = {
    "stab": "from a light throttle, open it fully in one stab",
    "roll-on": "roll the throttle on to full over about a second and hold it",
    "damp patch": "at full throttle, cross a damp patch of half a second",
    "painted kerb": "at full throttle, run the driven wheels over a painted kerb",
    "upshift": "shift up into it at full throttle and stay on the throttle",
}


def what_to_test_next(
    scenarios: Scenarios, parts: FloatArray, weights: Preference | None = None, *, most: int = 4
) -> tuple[NextTest, ...]:
    """Manoeuvres whose predicted cost differs most between the plants that fit, most open first.

    What all manoeuvres of a draw share (a grippier or a slower plant) is taken off first: any drive would
    tell it, so it does not speak for one manoeuvre over another.

    Parameters
    ----------
    scenarios : Scenarios
        N scenarios.
    parts : float64[N, D, M]
        Parts of the chosen pair on them.
    weights : Preference, optional
        Weights of the parts.
    most : int
        Largest number of suggestions, at most one per gear and kind.

    Returns
    -------
    tuple of NextTest
        Empty when the plants agree or there is only one.

    Notes
    -----
    A first version: spread of the predicted cost, not yet its expected fall after the drive.
    """
    cost = episode_cost(parts, weights)
    if cost.shape[1] < 2:
        return ()
    own = cost - cost.mean(axis=0, keepdims=True)
    spread = own.std(axis=1, ddof=1)
    kinds = np.array(scenarios.kind)
    found = []
    for gear in scenarios.gears():
        for kind in dict.fromkeys(scenarios.kind):
            at = np.flatnonzero((scenarios.gear == gear) & (kinds == kind))
            if at.size and kind in _DRIVE:
                found.append(_suggest(scenarios, cost, spread, at))
    worth = [test for test in found if test.spread > INTERVAL_WORTH * float(np.abs(cost).mean())]
    return tuple(sorted(worth, key=lambda test: -test.spread)[:most])


def _suggest(scenarios: Scenarios, cost: FloatArray, spread: FloatArray, at: NDArray[np.intp]) -> NextTest:
    """Suggest the manoeuvre of one gear and kind, at the entry where the cost is most open."""
    place = int(at[np.argmax(spread[at])])
    row = scenarios.values[place]
    gear, kind = int(scenarios.gear[place]), scenarios.kind[place]
    entry = KMH_PER_MPS * float(row[S_V0])
    cornering = bool(row[S_LATERAL] > 0.0)
    estimate = Estimate.from_draws(cost[place])
    where = " in a corner" if cornering else " in a straight line"
    grip = " on the less grippy surface" if row[S_BASE] < 0.95 else ""
    text = (
        f"Gear {gear}, from about {round(entry / 5.0) * 5:.0f} km/h{where}{grip}: {_DRIVE[kind]}. By "
        f"what is known of the car this costs {estimate}; three or more passes would narrow it."
    )
    return NextTest(gear, kind, entry, cornering, estimate, float(spread[place]), text)
