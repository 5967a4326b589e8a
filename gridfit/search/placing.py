"""Breakpoints of the proposal, where the controller lets people choose them: placed, polished, judged.

The rounds draw their shapes on the usual breakpoints, so that what they find is what they find without this. It is
polished there and then on many breakpoints, and the table's few are placed where straight lines between them follow
that best, weighed by the time that simulated episodes spend there. The judge has the last word: polished, the placed
breakpoints have to beat the usual ones.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.cartables import thinned
from gridfit.grids import CutGrid, GridPair, TargetGrid
from gridfit.search.blocks import Bench, Incumbent
from gridfit.search.knots import place_knots
from gridfit.search.space import on_axes
from gridfit.simulate.parameters import Plant
from gridfit.simulate.scenarios import Scenarios
from gridfit.simulate.visits import Visits, visits

FloatArray = NDArray[np.float64]

FINE_ERROR_PCT = np.array([0.0, 1, 2, 3.5, 5, 7.5, 10, 12.5, 15, 17.5, 20, 25, 30])
"""Slip errors at which rows may bend before breakpoints are placed [percentage points]."""

FINE_SPEEDS = 10
"""Speeds at which the target may bend then, at even ratios over the range in use."""

MOST_CANDIDATES = 120
"""Candidates for the breakpoints of an axis: a finer step is thinned to whole multiples of it."""

HIGHEST_SPEED_KMH = 400.0
"""Last candidate for a speed, or the step after it [km/h]."""

HIGHEST_ERROR_PCT = 40.0
"""Last candidate for a slip error [percentage points]."""

UNVISITED = 0.01
"""Weight of a candidate where no time is spent, as a share of the mean weight [1]."""


@dataclass(frozen=True, slots=True)
class Freedom:
    """What the controller leaves free.

    Parameters
    ----------
    speeds, errors : int
        Breakpoints that the target and the cut grid have room for.
    speed_kmh, error_pct : float64[A], float64[B]
        Candidates: multiples of the step in which a breakpoint can be entered. The first error is 0, and always kept.
    visits : callable
        Pair -> time spent at the candidates.
    """

    speeds: int
    errors: int
    speed_kmh: FloatArray
    error_pct: FloatArray
    visits: Callable[[GridPair], Visits]

    def within(self, axes: GridPair) -> GridPair:
        """Return axes thinned to the table's room: the breakpoints that the placed ones have to beat."""
        speed = np.array(thinned(axes.target.speed_kmh.tolist(), self.speeds))
        error = np.array(thinned(axes.cut.slip_error_pct.tolist(), self.errors))
        return _axes(speed, error, axes)

    def fine(self, axes: GridPair) -> GridPair:
        """Return axes with those of `axes` and many more breakpoints, to show where curves want to bend."""
        speed = np.geomspace(max(self.speed_kmh[0], 1.0), self.speed_kmh[-1], FINE_SPEEDS)
        error = np.union1d(axes.cut.slip_error_pct, FINE_ERROR_PCT)
        return _axes(np.union1d(axes.target.speed_kmh, speed), error, axes)

    def placed(self, pair: GridPair, gears: Sequence[int]) -> GridPair:
        """Return the pair on the breakpoints that follow it best where episodes spend time."""
        seen = self.visits(pair)
        rows = np.array([np.interp(self.error_pct, pair.cut.slip_error_pct, pair.cut.row(g)) for g in gears])
        times = seen.error_s[[g - 1 for g in gears]]
        error = place_knots(self.error_pct, rows, _weights(times), self.errors, first_fixed=True)
        target = pair.target.at(self.speed_kmh)[None, :]
        speed = place_knots(
            self.speed_kmh, target, _weights(seen.speed_s[None, :]), self.speeds, first_fixed=False
        )
        return on_axes(pair, _axes(speed, error, pair))


def freedom_of(
    sheet: CarSheet, axes: GridPair, used_kmh: tuple[float, float], scenarios: Scenarios, plant: Plant
) -> Freedom | None:
    """Return what the car's controller leaves free; None where breakpoints stay.

    The table's room is the car sheet's; where it tells none, that of `axes`.
    """
    controller = sheet.controller
    if not controller.free_breakpoints:
        return None

    def room(key: str, told: int, have: int) -> int:
        return have if f"controller.{key}" in sheet.stood_in else told

    speed = candidates(controller.speed_step, used_kmh[0], min(used_kmh[1], HIGHEST_SPEED_KMH))
    error = candidates(controller.error_step_pct, 0.0, HIGHEST_ERROR_PCT)
    return Freedom(
        room("speed_columns", controller.speed_columns, axes.target.speed_kmh.size),
        room("error_columns", controller.error_columns, axes.cut.slip_error_pct.size),
        speed,
        error,
        lambda pair: visits(sheet, pair, scenarios, plant, speed_kmh=speed, error_pct=error),
    )


def moved(before: GridPair, after: GridPair) -> list[str]:
    """Say which breakpoints are new, and how cells are compared then."""
    axes = (
        ("speeds of the target grid", "km/h", before.target.speed_kmh, after.target.speed_kmh),
        ("slip errors of the cut grid", "points", before.cut.slip_error_pct, after.cut.slip_error_pct),
    )
    told = []
    for what, unit, old, new in axes:
        if not np.array_equal(old, new):
            told.append(f"The {what} are chosen: {_listed(new)} {unit}, before {_listed(old)} {unit}.")
    if told:
        told.append("Cells are compared at the new breakpoints, the grids before looked up there.")
    return [" ".join(told)] if told else []


def _listed(axis: FloatArray) -> str:
    return ", ".join(f"{value:g}" for value in np.round(axis, 1))


def candidates(step: float, low: float, high: float) -> FloatArray:
    """Return multiples of the step from `low` to `high`, both ends covered, at most `MOST_CANDIDATES` or so."""
    high = max(high, low + step)
    coarse = step * max(1, int(np.ceil((high - low) / step / MOST_CANDIDATES)))
    first, last = np.floor(low / coarse + 1e-9), np.ceil(high / coarse - 1e-9)
    return np.asarray(np.round(coarse * np.arange(first, last + 1.0), 9), dtype=np.float64)


def _axes(speed_kmh: FloatArray, error_pct: FloatArray, like: GridPair) -> GridPair:
    rows = np.zeros((like.cut.gear.size, error_pct.size))
    return GridPair(TargetGrid(speed_kmh, np.zeros(speed_kmh.size)), CutGrid(error_pct, like.cut.gear, rows))


def _weights(time_s: FloatArray) -> FloatArray:
    return np.asarray(time_s + UNVISITED * max(float(time_s.mean()), 1e-9), dtype=np.float64)


def choose(
    pair: GridPair,
    freedom: Freedom,
    gears: Sequence[int],
    polished: Callable[[GridPair], Incumbent],
    final: Bench,
) -> GridPair:
    """Return the pair on the breakpoints to propose, polished.

    Parameters
    ----------
    pair : GridPair
        What the rounds found, on the usual breakpoints.
    freedom : Freedom
    gears : sequence of int
        Gears that were searched.
    polished : callable
        Pair on any breakpoints -> polished.
    final : Bench
        Where to compare.

    Returns
    -------
    GridPair
        Never dearer than the pair polished on the usual breakpoints, under `final`.
    """
    usual = polished(pair).pair
    detailed = polished(on_axes(usual, freedom.fine(usual))).pair
    placed = polished(freedom.placed(detailed, gears)).pair
    return min(final.stands((usual, placed)), key=lambda at: at.cost).pair
