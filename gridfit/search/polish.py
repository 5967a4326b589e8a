"""From the search's best shape to a grid that a controller can hold: rounded, moved cell by cell, unkinked.

Never ends worse than it began under the same judge, and never moves a row out of order.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.grids import GridPair, TargetGrid
from gridfit.search.blocks import Bench, Incumbent
from gridfit.search.moves import (
    LEAPS,
    WIDE_LEAPS,
    Resolution,
    first_free,
    level_moves,
    row_moves,
    shifted,
    straightened,
    target_moves,
    together,
)
from gridfit.search.space import with_row, with_target

FloatArray = NDArray[np.float64]

KINK_ALLOWANCE = 5e-4
"""Share of the cost that straightening one kink may give back [1]."""

KINK_BUDGET = 3e-3
"""Share of the cost that all straightening may give back, within the cost before polishing [1]."""


LOOK = 16
"""Draws of a first look at many candidates; taken where all are four times as many."""

KEEP = 4
"""Candidates that are left after it: with four scenarios of a gear for each draw they fill the kernel's lanes."""


def _promising(bench: Bench, pairs: list[GridPair], gear: int | None, at: Incumbent) -> list[int]:
    """Places of the candidates that are worth a full look, the cheapest after a first one."""
    if len(pairs) <= KEEP or np.unique(bench.at.draws).size < 4 * LOOK:
        return list(range(len(pairs)))
    glance = Incumbent(at.pair, at.played.first(LOOK), at.cost)
    _, cost = bench.first(LOOK).costs(pairs, gear, glance)
    return sorted(np.argsort(cost, kind="stable")[:KEEP].tolist())


def _best_of(bench: Bench, pairs: list[GridPair], gear: int | None, at: Incumbent) -> Incumbent | None:
    """Cheapest of the candidates, None if there are none."""
    if not pairs:
        return None
    played, cost = bench.costs(pairs, gear, at)
    i = int(np.argmin(cost))
    return Incumbent(pairs[i], played.one(i), float(cost[i]))


@dataclass(frozen=True, slots=True)
class Curve:
    """One curve of a pair that moves cell by cell: a gear's row, or the target.

    Parameters
    ----------
    gear : int or None
        The only gear whose scenarios it changes; None for the target.
    values : callable
        Pair -> values at the breakpoints.
    moves : callable
        Values -> neighbours.
    shape : callable
        Pair, values -> pair with them.
    """

    gear: int | None
    values: Callable[[GridPair], FloatArray]
    moves: Callable[[FloatArray], list[FloatArray]]
    shape: Callable[[GridPair, FloatArray], GridPair]


def row_curve(gear: int, resolution: Resolution, first: int, leaps: Sequence[int] = LEAPS) -> Curve:
    """Return the curve of a gear's row, movable from its cell `first` on."""
    return Curve(
        gear,
        lambda pair: pair.cut.row(gear),
        lambda row: row_moves(row, resolution, first, leaps),
        lambda pair, row: with_row(pair, gear, row),
    )


def used_cells(speed_kmh: FloatArray, used_kmh: tuple[float, float]) -> NDArray[np.intp]:
    """Return the cells of a target that the speeds in use, with a quarter more, reach; all if none."""
    used = np.flatnonzero((speed_kmh >= used_kmh[0] / 1.25) & (speed_kmh <= used_kmh[1] * 1.25))
    return used if used.size else np.arange(speed_kmh.size)


def target_curve(used: NDArray[np.intp], resolution: Resolution) -> Curve:
    """Return the curve of the target, movable in the used cells."""
    return Curve(
        None,
        lambda pair: pair.target.slip_pct,
        lambda slip: target_moves(slip, resolution, used),
        lambda pair, slip: with_target(pair, TargetGrid(pair.target.speed_kmh, slip)),
    )


def level_curve(used: NDArray[np.intp], gears: Sequence[int], resolution: Resolution, first: int) -> Curve:
    """Return the curve of the target as a whole, the rows of these gears sliding along: they cut at the same slip.

    Cost has valleys along it, which no cell by itself leads out of.
    """

    def shape(pair: GridPair, slip: FloatArray) -> GridPair:
        by = float(np.mean((slip - pair.target.slip_pct)[used]))
        moved = with_target(pair, TargetGrid(pair.target.speed_kmh, slip))
        for gear in gears:
            row = shifted(pair.cut.row(gear), pair.cut.slip_error_pct, by, resolution, first)
            moved = with_row(moved, gear, row)
        return moved

    return Curve(None, lambda pair: pair.target.slip_pct, lambda slip: level_moves(slip, resolution), shape)


def curves_of(
    pair: GridPair,
    gears: Sequence[int],
    resolution: Resolution,
    used_kmh: tuple[float, float],
    *,
    wide: bool = False,
) -> list[Curve]:
    """Return all curves of a pair that may move: the rows of these gears, the target, and if `wide` both together."""
    first = first_free(pair.cut.slip_error_pct)
    rows = [row_curve(gear, resolution, first, WIDE_LEAPS if wide else LEAPS) for gear in gears]
    used = used_cells(pair.target.speed_kmh, used_kmh)
    cells = [*rows, target_curve(used, resolution)]
    return [*cells, level_curve(used, gears, resolution, first)] if wide else cells


def descend(bench: Bench, at: Incumbent, curve: Curve, limit: int) -> list[Incumbent]:
    """Take the best move, or several that help together, until none helps, at most `limit` times; every step."""
    path: list[Incumbent] = []
    for _ in range(limit):
        here = curve.values(at.pair)
        tried = curve.moves(here)
        if not tried:
            break
        pairs = [curve.shape(at.pair, move) for move in tried]
        places = _promising(bench, pairs, curve.gear, at)
        tried, pairs = [tried[i] for i in places], [pairs[i] for i in places]
        played, cost = bench.costs(pairs, curve.gear, at)
        i = int(np.argmin(cost))
        found = Incumbent(pairs[i], played.one(i), float(cost[i]))
        joined = [curve.shape(at.pair, move) for move in together(here, tried, at.cost - cost)]
        several = _best_of(bench, joined, curve.gear, at)
        if several is not None and several.cost < found.cost:
            found = several
        if found.cost >= at.cost:
            break
        at = found
        path.append(at)
    return path


def _unkink(bench: Bench, at: Incumbent, gears: Sequence[int], step: Resolution, ceiling: float) -> Incumbent:
    """Straighten kinks that buy next to nothing, while the cost stays below the ceiling."""
    first = first_free(at.pair.cut.slip_error_pct)
    for gear in (*gears, None):
        while True:
            if gear is None:
                axis, values = at.pair.target.speed_kmh, at.pair.target.slip_pct
                flats = straightened(values, axis, step.target_step_pct)
                pairs = [with_target(at.pair, TargetGrid(axis, flat)) for flat in flats]
            else:
                axis, values = at.pair.cut.slip_error_pct, at.pair.cut.row(gear)
                flats = straightened(values, axis, step.cut_step_pct, first)
                pairs = [with_row(at.pair, gear, flat) for flat in flats]
            found = _best_of(bench, pairs, gear, at)
            if found is None or found.cost > min(ceiling, at.cost * (1.0 + KINK_ALLOWANCE)):
                break
            at = found
    return at


def polish(
    bench: Bench,
    pair: GridPair,
    gears: Sequence[int],
    resolution: Resolution,
    used_kmh: tuple[float, float],
    *,
    passes: int,
    wide: bool = False,
    limit: int = 3,
) -> list[Incumbent]:
    """Round a pair, move it cell by cell while that helps, then take out kinks that buy nothing.

    Parameters
    ----------
    bench : Bench
        Judge, fidelity and pull.
    pair : GridPair
        The search's best.
    gears : sequence of int
        Gears whose rows may move.
    resolution : Resolution
        Steps of the controller.
    used_kmh : tuple of float
        Lowest and highest speed in use; target cells far outside do not move [km/h].
    passes : int
        Rounds over all gears and the target.
    wide : bool
        Moves go far, and target and rows move together too. On many draws that only finds more that others do not bear
        out.
    limit : int
        Moves of one gear or of the target in a pass.

    Returns
    -------
    list of Incumbent
        Every step on the way, on the controller's steps, the first being the rounded `pair`; none costs more than that.
        A judge with other draws may find the last steps too dear.
    """
    at = bench.stand(resolution.pair(pair))
    path = [at]
    curves = curves_of(at.pair, gears, resolution, used_kmh, wide=wide)
    for _ in range(passes):
        before = at.cost
        for curve in curves:
            path += descend(bench, at, curve, limit)
            at = path[-1]
        if at.cost >= before:
            break
    ceiling = min(path[0].cost, at.cost * (1.0 + KINK_BUDGET))
    return [*path, _unkink(bench, at, gears, resolution, ceiling)]
