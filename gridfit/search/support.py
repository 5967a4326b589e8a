"""How much of the logs stands behind each cell, and a pull towards the grids in force where nothing does."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.grids import GridPair
from gridfit.search.space import on_axes

FloatArray = NDArray[np.float64]

ENOUGH_EPISODES = 3
"""A cell that at least this many episodes passed through is supported by data."""

PULL = 0.02
"""Cost of moving every unsupported cell as far as can be, as a share of a good pair's cost [1]."""

CUT_SPREAD_PCT = 30.0
"""Change of a cut cell that has half the full pull [percentage points]."""

TARGET_SPREAD_LOG = 0.7
"""Change of a target cell that has half the full pull: a factor of two, as a logarithm [1]."""


@dataclass(frozen=True, slots=True)
class Support:
    """Episodes and time that passed through each cell of the grids in force.

    Parameters
    ----------
    pair : GridPair
        Grids in force; the cells are theirs.
    cut_episodes : int64[G, E]
        Episodes that spent time in each cell of the cut grid.
    cut_time_s : float64[G, E]
        Time in each cell, shared between the two breakpoints on either side [s].
    target_episodes : int64[K]
        Episodes that spent time at each breakpoint of the target.
    target_time_s : float64[K]
        Time at each breakpoint [s].
    """

    pair: GridPair
    cut_episodes: NDArray[np.int64]
    cut_time_s: FloatArray
    target_episodes: NDArray[np.int64]
    target_time_s: FloatArray

    def __post_init__(self) -> None:
        """Check the shapes against the grids."""
        cells, knots = self.pair.cut.cut_pct.shape, self.pair.target.speed_kmh.shape
        for name, shape in (("cut_episodes", cells), ("cut_time_s", cells)):
            self._check(name, shape)
        for name, shape in (("target_episodes", knots), ("target_time_s", knots)):
            self._check(name, shape)

    def _check(self, name: str, shape: tuple[int, ...]) -> None:
        given = getattr(self, name).shape
        if given != shape:
            raise ValueError(
                f"Support.{name} has shape {given}: must be {shape}, the shape of the grids in force. "
                f"Count it with gridfit.evidence.support."
            )

    def on(self, axes: GridPair) -> "Support":
        """Support seen on other breakpoints: each new cell takes the counts of the nearest old one."""
        error = nearest_index(self.pair.cut.slip_error_pct, axes.cut.slip_error_pct)
        gear = nearest_index(self.pair.cut.gear.astype(float), axes.cut.gear.astype(float))
        speed = nearest_index(self.pair.target.speed_kmh, axes.target.speed_kmh)
        cells = np.ix_(gear, error)
        return Support(
            on_axes(self.pair, axes),
            self.cut_episodes[cells],
            self.cut_time_s[cells],
            self.target_episodes[speed],
            self.target_time_s[speed],
        )


def nearest_index(axis: FloatArray, at: FloatArray) -> NDArray[np.intp]:
    """Index of the breakpoint of `axis` nearest to each value of `at`; the lower of two equally near."""
    return np.asarray(np.abs(axis[None, :] - at[:, None]).argmin(axis=1), dtype=np.intp)


def doubt(episodes: NDArray[np.int64]) -> FloatArray:
    """Weight of the pull on a cell: 1 without an episode, a half at `ENOUGH_EPISODES`, towards 0 beyond."""
    return np.asarray(1.0 / (1.0 + episodes / ENOUGH_EPISODES), dtype=np.float64)


def level_off(move: FloatArray) -> FloatArray:
    """Quadratic for small moves, a half at 1, towards 1 for large ones."""
    return np.asarray(move**2 / (1.0 + move**2), dtype=np.float64)


def pull(pair: GridPair, support: Support | None, scale: float) -> float:
    """Cost added to a pair for leaving the grids in force where no data stand behind it.

    The pull of a cell levels off, so that grids in force that are far from good do not hold the search.

    Parameters
    ----------
    pair : GridPair
        A candidate on the axes of `support.pair`.
    support : Support or None
        None (no logs) adds nothing.
    scale : float
        Cost of a good pair.
    """
    if support is None:
        return 0.0
    cut_move = (pair.cut.cut_pct - support.pair.cut.cut_pct) / CUT_SPREAD_PCT
    ratio = np.maximum(pair.target.slip_pct, 0.1) / np.maximum(support.pair.target.slip_pct, 0.1)
    target_move = np.log(ratio) / TARGET_SPREAD_LOG
    cut_term = float(np.mean(doubt(support.cut_episodes) * level_off(cut_move)))
    target_term = float(np.mean(doubt(support.target_episodes) * level_off(target_move)))
    return PULL * scale * 0.5 * (cut_term + target_term)
