"""What the search tried: every trial as a row, and those worth playing in full for the Pareto front."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit.grids import GridPair
from gridfit.recovery import PARTS
from gridfit.search.objective import Played
from gridfit.search.pareto import aims, nondominated

FloatArray = NDArray[np.float64]

PART_NAMES: tuple[str, ...] = tuple(part.name for part in PARTS)


@dataclass(slots=True)
class Ledger:
    """Growing record of a search; the only thing in it that changes.

    Attributes
    ----------
    rows : list of dict
        One per trial: block, round, trial, cost and the mean of every part.
    pairs : list of GridPair
        The pair of each row.
    """

    rows: list[dict[str, object]] = field(default_factory=list)
    pairs: list[GridPair] = field(default_factory=list)
    _trials: dict[tuple[str, int], int] = field(default_factory=dict)

    def add(
        self,
        block: str,
        round_: int,
        pairs: Sequence[GridPair],
        played: Played,
        cost: FloatArray,
        points: FloatArray | None = None,
    ) -> None:
        """Record candidates.

        Parameters
        ----------
        block : str
            What was varied.
        round_ : int
            Round of the search.
        pairs : sequence of GridPair[C]
        played : Played
        cost : float64[C]
            What the search saw.
        points : float64[C, P], optional
            Coordinates in the block's cube.
        """
        means = played.means()
        draws = np.unique(played.plays.draws).size
        first = self._trials.get((block, round_), 0)
        for i, pair in enumerate(pairs):
            params = [] if points is None else [float(x) for x in points[i]]
            row: dict[str, object] = {"block": block, "round": round_, "trial": first + i}
            row |= {"cost": float(cost[i]), "params": params, "draws": draws}
            row |= dict(zip(PART_NAMES, map(float, means[i]), strict=False))
            self.rows.append(row)
            self.pairs.append(pair)
        self._trials[block, round_] = first + len(pairs)

    def history(self) -> pd.DataFrame:
        """All trials: block, round, trial, cost, params, draws and the mean of every part."""
        return pd.DataFrame(self.rows)

    def front_candidates(self, most: int) -> list[GridPair]:
        """Pairs worth playing in full for the front: trials that no other trial beats, thinned evenly.

        Only trials on the largest number of draws are compared, because fewer draws give other numbers.
        """
        if not self.rows:
            return []
        draws = np.array([row["draws"] for row in self.rows])
        at = np.flatnonzero(draws == draws.max())
        points = aims(np.array([[self.rows[i][name] for name in PART_NAMES] for i in at], dtype=np.float64))
        stands = np.flatnonzero(nondominated(points))
        order = at[stands[np.argsort(points[stands, 0], kind="stable")]]
        picks = np.unique(np.linspace(0, len(order) - 1, min(most, len(order))).round().astype(int))
        return [self.pairs[order[i]] for i in picks]
