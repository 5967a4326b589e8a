"""From the search's best shape to a grid that a controller can hold: rounded, moved cell by cell, unkinked.

Never ends worse than it began under the same judge, and never moves a row out of order.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.grids import CutGrid, GridPair, TargetGrid
from gridfit.search.blocks import Bench, Incumbent
from gridfit.search.space import with_row, with_target

FloatArray = NDArray[np.float64]

TARGET_STEP_PCT = 0.5
"""Resolution of the target grid [%]."""

LEAPS = (1, 4)
"""Sizes of the moves, in steps of the controller's resolution."""

KINK_ALLOWANCE = 5e-4
"""Share of the cost that straightening one kink may give back [1]."""

KINK_BUDGET = 3e-3
"""Share of the cost that all straightening may give back, within the cost before polishing [1]."""


@dataclass(frozen=True, slots=True)
class Resolution:
    """What the controller can hold.

    Parameters
    ----------
    cut_step_pct : float
        Step of the cut grid [%].
    cut_max_pct : float
        Largest cut [%].
    target_step_pct : float
        Step of the target grid [%].
    """

    cut_step_pct: float = 1.0
    cut_max_pct: float = 100.0
    target_step_pct: float = TARGET_STEP_PCT

    def pair(self, pair: GridPair) -> GridPair:
        """Return the pair on the controller's steps; rows still rise, the largest cut is kept."""
        cut = snap(pair.cut.cut_pct, self.cut_step_pct, self.cut_max_pct)
        target = np.maximum(snap(pair.target.slip_pct, self.target_step_pct, np.inf), self.target_step_pct)
        return GridPair(
            TargetGrid(pair.target.speed_kmh, target),
            CutGrid(pair.cut.slip_error_pct, pair.cut.gear, cut),
            pair.extra,
        )


def snap(values: FloatArray, step: float, top: float) -> FloatArray:
    """Return values on whole steps, not above the last whole step below `top`; order is kept."""
    whole = np.round(np.asarray(values, dtype=np.float64) / step)
    if np.isfinite(top):
        whole = np.minimum(whole, np.floor(top / step + 1e-9))
    # The second rounding takes off the 1e-16 that a step such as 0.1 leaves behind.
    return np.asarray(np.round(np.maximum(whole, 0.0) * step, 9), dtype=np.float64)


def row_moves(row: FloatArray, resolution: Resolution, first: int) -> list[FloatArray]:
    """Neighbours of a rising row: each cell up or down by 1 and 4 steps, its neighbours pushed along."""
    moves = []
    for i in range(first, row.size):
        for leap in LEAPS:
            for sign in (-1.0, 1.0):
                value = row[i] + sign * leap * resolution.cut_step_pct
                value = float(snap(np.array([value]), resolution.cut_step_pct, resolution.cut_max_pct)[0])
                moved = row.copy()
                moved[i] = value
                moved[first:i] = np.minimum(row[first:i], value)
                moved[i + 1 :] = np.maximum(row[i + 1 :], value)
                moves.append(moved)
    return distinct(moves, row)


def target_moves(slip_pct: FloatArray, resolution: Resolution) -> list[FloatArray]:
    """Neighbours of a target that never rises: each cell, and each stretch from a cell on, up or down."""
    falling = bool(np.all(np.diff(slip_pct) <= 0.0))
    moves = []
    for i in range(slip_pct.size):
        for leap in LEAPS:
            for sign in (-1.0, 1.0):
                value = max(
                    slip_pct[i] + sign * leap * resolution.target_step_pct, resolution.target_step_pct
                )
                moved = slip_pct.copy()
                moved[i] = value
                if falling:
                    moved[:i] = np.maximum(slip_pct[:i], value)
                    moved[i + 1 :] = np.minimum(slip_pct[i + 1 :], value)
                moves.append(moved)
    return distinct(moves, slip_pct)


def distinct(moves: Sequence[FloatArray], origin: FloatArray) -> list[FloatArray]:
    """Return the moves that differ from the origin and from each other, in their order."""
    seen = {origin.tobytes()}
    kept = []
    for move in moves:
        if move.tobytes() not in seen:
            seen.add(move.tobytes())
            kept.append(move)
    return kept


def straightened(values: FloatArray, axis: FloatArray, step: float, first: int = 0) -> list[FloatArray]:
    """Candidates with one inner cell on the line between its neighbours, worst kink first.

    Only kinks of more than one step are straightened.
    """
    inner = np.arange(first + 1, values.size - 1)
    lines = [np.interp(axis[i], axis[[i - 1, i + 1]], values[[i - 1, i + 1]]) for i in inner]
    flat = snap(np.array(lines), step, np.inf)
    kink = np.abs(values[inner] - flat) if inner.size else np.empty(0)
    moves = []
    for j in np.argsort(-kink, kind="stable"):
        if kink[j] > step * 1.001:
            moved = values.copy()
            moved[inner[j]] = flat[j]
            moves.append(moved)
    return moves


def _best_of(bench: Bench, pairs: list[GridPair], gear: int | None, at: Incumbent) -> Incumbent | None:
    """Cheapest of the candidates, None if there are none."""
    if not pairs:
        return None
    if gear is None:
        parts = bench.judge.play(pairs, bench.at)
    else:
        parts = bench.judge.play_gear(pairs, gear, bench.at, at.parts)
    cost = bench.judge.cost(parts) + np.array([bench.pull(pair) for pair in pairs])
    i = int(np.argmin(cost))
    return Incumbent(pairs[i], parts[i].copy(), float(cost[i]))


def descend(
    bench: Bench, at: Incumbent, gear: int | None, moves: Callable[[GridPair], list[GridPair]], limit: int
) -> Incumbent:
    """Take the best move until none helps, at most `limit` times."""
    for _ in range(limit):
        found = _best_of(bench, moves(at.pair), gear, at)
        if found is None or found.cost >= at.cost:
            break
        at = found
    return at


def first_free(slip_error_pct: FloatArray) -> int:
    """Index of the first cell that may have a cut: none at a negative error, nor at the zero after it."""
    negative = bool(slip_error_pct[0] < 0.0)
    free = slip_error_pct > 0.0 if negative else slip_error_pct >= 0.0
    return int(np.argmax(free))


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
    *,
    passes: int,
    limit: int = 12,
) -> Incumbent:
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
    passes : int
        Rounds over all gears and the target.
    limit : int
        Moves of one gear or of the target in a pass.

    Returns
    -------
    Incumbent
        A pair on the controller's steps whose cost is not above that of the rounded `pair`.
    """
    at = bench.stand(resolution.pair(pair))
    began = at.cost
    first = first_free(at.pair.cut.slip_error_pct)

    def of_gear(gear: int) -> Callable[[GridPair], list[GridPair]]:
        return lambda p: [with_row(p, gear, row) for row in row_moves(p.cut.row(gear), resolution, first)]

    def of_target(p: GridPair) -> list[GridPair]:
        speed = p.target.speed_kmh
        return [
            with_target(p, TargetGrid(speed, slip)) for slip in target_moves(p.target.slip_pct, resolution)
        ]

    for _ in range(passes):
        before = at.cost
        for gear in gears:
            at = descend(bench, at, gear, of_gear(gear), limit)
        at = descend(bench, at, None, of_target, limit)
        if at.cost >= before:
            break
    return _unkink(bench, at, gears, resolution, min(began, at.cost * (1.0 + KINK_BUDGET)))
