"""Directions of the fit's vector, and normal equations built from sensitivities along them.

A run's grip moves only that run's windows, a gear's inertia factor only that gear's: such entries share one
direction, which is another entry to each window. So the work grows with the windows, not with windows times runs.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.simulate.parameters import Floats


@dataclass(frozen=True, slots=True)
class Directions:
    """Directions in which the fit's vector is varied.

    Parameters
    ----------
    moves : float64[C, X]
        Entries that each direction moves, marked with 1.
    entry : int64[W, C]
        Entry of the vector that a direction is to a window, 0 where it is none.
    known : bool[W, C]
        Whether it is one.
    """

    moves: Floats
    entry: NDArray[np.int64]
    known: NDArray[np.bool_]

    @property
    def size(self) -> int:
        """Length of the vector X."""
        return int(self.moves.shape[1])

    def gather(self, slope: Floats) -> Floats:
        """Curvature of half the sum of squares, from sensitivities[W, n, C]: float64[X, X]."""
        blocks = np.matmul(slope.transpose(0, 2, 1), slope)
        at = self.entry[:, :, None] * self.size + self.entry[:, None, :]
        blocks *= self.known[:, :, None] & self.known[:, None, :]
        flat = np.bincount(at.ravel(), weights=blocks.ravel(), minlength=self.size**2)
        return flat.reshape(self.size, self.size).astype(np.float64)

    def spread(self, values: Floats, rows: NDArray[np.int64], count: int) -> Floats:
        """Sum of windows' values[W, C] by the row each window belongs to: float64[count, X]."""
        at = rows[:, None] * self.size + self.entry
        flat = np.bincount(at.ravel(), weights=(values * self.known).ravel(), minlength=count * self.size)
        return flat.reshape(count, self.size).astype(np.float64)


def directions(
    wanted: NDArray[np.int64],
    groups: Sequence[tuple[int, NDArray[np.int64]]],
    sizes: Sequence[int],
    length: int,
) -> Directions:
    """Lay out directions for some entries of a vector.

    Parameters
    ----------
    wanted : int64[F]
        Entries to vary.
    groups : sequence of (int, int64[W])
        First entry of each group that shares a direction, and each window's place in the group (negative where it
        has none).
    sizes : sequence of int
        Entries of each group.
    length : int
        Length of the vector X.

    Returns
    -------
    Directions
    """
    windows = groups[0][1].size
    chosen = np.zeros(length, dtype=bool)
    chosen[wanted] = True
    alone = chosen.copy()
    moves, entry, known = [], [], []
    for (first, place), size in zip(groups, sizes, strict=True):
        mine = np.arange(length) - first
        inside = chosen & (mine >= 0) & (mine < size)
        alone &= ~inside
        if inside.any():
            at = np.clip(first + place, 0, length - 1)
            moves.append(inside.astype(np.float64))
            known.append((place >= 0) & inside[at])
            entry.append(np.where(known[-1], at, 0))
    for i in np.flatnonzero(alone):
        moves.append((np.arange(length) == i).astype(np.float64))
        known.append(np.ones(windows, dtype=bool))
        entry.append(np.full(windows, i))
    return Directions(np.array(moves), np.stack(entry, axis=1).astype(np.int64), np.stack(known, axis=1))
