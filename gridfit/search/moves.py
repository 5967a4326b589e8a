"""Small steps of a curve on the controller's resolution: neighbours, straightened kinks, moves joined."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.grids import CutGrid, GridPair, TargetGrid

FloatArray = NDArray[np.float64]

TARGET_STEP_PCT = 0.5
"""Resolution of the target grid [%]."""

LEAPS = (1, 4)
"""Sizes of the moves, in steps of the controller's resolution."""

WIDE_LEAPS = (1, 4, 12)
"""The same where moves may go far."""


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


def row_moves(
    row: FloatArray, resolution: Resolution, first: int, leaps: Sequence[int] = LEAPS
) -> list[FloatArray]:
    """Neighbours of a rising row: each cell up or down by some steps, its neighbours pushed along."""
    moves = []
    for i in range(first, row.size):
        for leap in leaps:
            for sign in (-1.0, 1.0):
                value = row[i] + sign * leap * resolution.cut_step_pct
                value = float(snap(np.array([value]), resolution.cut_step_pct, resolution.cut_max_pct)[0])
                moved = row.copy()
                moved[i] = value
                moved[first:i] = np.minimum(row[first:i], value)
                moved[i + 1 :] = np.maximum(row[i + 1 :], value)
                moves.append(moved)
    return distinct(moves, row)


def target_moves(
    slip_pct: FloatArray, resolution: Resolution, cells: NDArray[np.intp] | None = None
) -> list[FloatArray]:
    """Neighbours of a target that never rises: each of the cells (all if left out) up or down."""
    falling = bool(np.all(np.diff(slip_pct) <= 0.0))
    moves = []
    for i in np.arange(slip_pct.size) if cells is None else cells:
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


LEVELS = (0.7, 0.85, 0.95, 1.05, 1.2, 1.4)
"""Factors by which a target is moved as a whole [1]."""


def level_moves(slip_pct: FloatArray, resolution: Resolution) -> list[FloatArray]:
    """Neighbours of a target as a whole: each of `LEVELS`, and one step up and down."""
    step = resolution.target_step_pct
    moves = [factor * slip_pct for factor in LEVELS] + [slip_pct - step, slip_pct + step]
    return distinct([np.maximum(snap(one, step, np.inf), step) for one in moves], slip_pct)


def shifted(
    row: FloatArray, slip_error_pct: FloatArray, by_pct: float, resolution: Resolution, first: int
) -> FloatArray:
    """Return the row that cuts at the same slip as before when the target has moved by so much, on the steps."""
    moved = np.interp(slip_error_pct + by_pct, slip_error_pct, row)
    moved = snap(moved, resolution.cut_step_pct, resolution.cut_max_pct)
    moved[:first] = row[:first]
    return np.asarray(np.maximum.accumulate(moved), dtype=np.float64)


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


def together(values: FloatArray, moves: Sequence[FloatArray], gain: FloatArray) -> list[FloatArray]:
    """Take moves that help together: the best two, three, and so on, each cell by its best move.

    Parameters
    ----------
    values : float64[E]
        Where the moves start, in order of the axis and in order by size.
    moves : sequence of float64[E]
    gain : float64[len(moves)]
        What each move gains by itself.
    """
    rising = bool(np.all(np.diff(values) >= 0.0))
    order_kept = np.maximum if rising else np.minimum
    joined, taken = values.copy(), []
    for i in np.argsort(-gain, kind="stable"):
        cells = (moves[i] != values) & (joined == values)
        if gain[i] <= 0.0 or not cells.any():
            continue
        joined = order_kept.accumulate(np.where(cells, moves[i], joined))
        taken.append(joined.copy())
    return taken[1:]


def first_free(slip_error_pct: FloatArray) -> int:
    """Index of the first cell that may have a cut: none at a negative error, nor at the zero after it."""
    negative = bool(slip_error_pct[0] < 0.0)
    free = slip_error_pct > 0.0 if negative else slip_error_pct >= 0.0
    return int(np.argmax(free))
