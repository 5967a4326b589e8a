"""What the search tried: every trial as a row, and the Pareto front of drive lost against roughness."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit.grids import GridPair
from gridfit.recovery import PART_INDEX, PARTS, Preference
from gridfit.search.objective import Played

FloatArray = NDArray[np.float64]

PART_NAMES: tuple[str, ...] = tuple(part.name for part in PARTS)


def roughness(parts: FloatArray) -> FloatArray:
    """Roughness of parts float64[..., M]: re-slips and jerk at their default weights [1]."""
    weights = Preference()
    jerk, reslips = parts[..., PART_INDEX["jerk_rms"]], parts[..., PART_INDEX["reslips"]]
    return np.asarray(weights.jerk * jerk + weights.reslips * reslips, dtype=np.float64)


def nondominated(points: FloatArray) -> NDArray[np.bool_]:
    """Which points no other point beats, float64[C, 2] -> bool[C]; lower is better, equal points all stay.

    A point is beaten by one that is at least as good in both columns and better in one.
    """
    points = np.asarray(points, dtype=np.float64)
    order = np.lexsort((points[:, 1], points[:, 0]))
    keep = np.zeros(len(points), dtype=bool)
    best = np.inf
    last: FloatArray | None = None
    for i in order:
        same = last is not None and bool(np.array_equal(points[i], last))
        if points[i, 1] < best or same:
            keep[i] = True
            best, last = float(points[i, 1]), points[i]
    return keep


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
        draws = sum(part.shape[2] for part in played.parts)
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
        points = np.array([self._point(self.rows[i]) for i in at])
        best = at[nondominated(points)]
        order = best[np.argsort([self._point(self.rows[i])[0] for i in best], kind="stable")]
        picks = np.unique(np.linspace(0, len(order) - 1, min(most, len(order))).round().astype(int))
        return [self.pairs[order[i]] for i in picks]

    @staticmethod
    def _point(row: dict[str, object]) -> tuple[float, float]:
        means = np.array([row[name] for name in PART_NAMES], dtype=np.float64)
        return float(means[PART_INDEX["drive_lost_kmh"]]), float(roughness(means))


@dataclass(frozen=True, slots=True)
class Front:
    """Pareto front of drive lost against roughness, from pairs that were played in full.

    Parameters
    ----------
    table : DataFrame
        One row per pair, by drive lost: drive_lost_kmh, roughness, jerk_rms, reslips, cost, on_front,
        chosen, label.
    pairs : tuple of GridPair
        The pair of each row.
    """

    table: pd.DataFrame
    pairs: tuple[GridPair, ...]


def front(
    pairs: Sequence[GridPair], labels: Sequence[str], means: FloatArray, cost: FloatArray, chosen: int
) -> Front:
    """Front of pairs played at one fidelity; beaten pairs are left out unless they have a label.

    Parameters
    ----------
    pairs : sequence of GridPair[C]
    labels : sequence of str[C]
        Name to show ("start", "generic", "proposal"); "" for a nameless pair.
    means : float64[C, M]
        Mean of each part.
    cost : float64[C]
    chosen : int
        Index of the proposal.
    """
    points = np.column_stack((means[:, PART_INDEX["drive_lost_kmh"]], roughness(means)))
    on_front = nondominated(points)
    table = pd.DataFrame(
        {
            "drive_lost_kmh": points[:, 0],
            "roughness": points[:, 1],
            "jerk_rms": means[:, PART_INDEX["jerk_rms"]],
            "reslips": means[:, PART_INDEX["reslips"]],
            "cost": cost,
            "on_front": on_front,
            "chosen": np.arange(len(pairs)) == chosen,
            "label": list(labels),
        }
    )
    kept = table.index[(table["on_front"] | (table["label"] != "")).to_numpy()]
    order = table.loc[kept].sort_values(["drive_lost_kmh", "roughness"], kind="stable").index
    return Front(table.loc[order].reset_index(drop=True), tuple(pairs[int(i)] for i in order))
