"""The Pareto front: drive lost against roughness against excess slip, and how much of the space it commands."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit.grids import GridPair
from gridfit.recovery import PART_INDEX, Preference

FloatArray = NDArray[np.float64]

AIMS = ("drive_lost_kmh", "roughness", "excess_slip_m")
"""What a pair on the front is not beaten in; lower is better in each."""


def roughness(parts: FloatArray) -> FloatArray:
    """Roughness of parts float64[..., M]: re-slips and jerk at their default weights [1]."""
    weights = Preference()
    jerk, reslips = parts[..., PART_INDEX["jerk_rms"]], parts[..., PART_INDEX["reslips"]]
    return np.asarray(weights.jerk * jerk + weights.reslips * reslips, dtype=np.float64)


def aims(parts: FloatArray) -> FloatArray:
    """Figures of `AIMS` from parts float64[..., M]: float64[..., 3]."""
    drive, excess = parts[..., PART_INDEX["drive_lost_kmh"]], parts[..., PART_INDEX["excess_slip_m"]]
    return np.stack((drive, roughness(parts), excess), axis=-1)


def nondominated(points: FloatArray) -> NDArray[np.bool_]:
    """Which points no other point beats, float64[C, K] -> bool[C]; lower is better, equal points all stay.

    A point is beaten by one that is at least as good in every column and better in one.
    """
    points = np.asarray(points, dtype=np.float64)
    as_good = (points[:, None] <= points[None]).all(axis=2)
    better = (points[:, None] < points[None]).any(axis=2)
    return np.asarray(~(as_good & better).any(axis=0))


def hypervolume(points: FloatArray, reference: FloatArray) -> float:
    """Volume between a reference and the points that beat it in everything.

    The space is cut into slabs at the points' last figures; in each slab the rest is the same with one figure less.

    Parameters
    ----------
    points : float64[C, K]
        Lower is better.
    reference : float64[K]
        What the volume is counted from.

    Returns
    -------
    float
        In the product of the columns' units; 0 if no point beats the reference in everything.
    """
    points = np.asarray(points, dtype=np.float64)
    points = points[(points < reference).all(axis=1)]
    if not points.size:
        return 0.0
    if points.shape[1] == 1:
        return float(reference[0] - points.min())
    points = points[np.argsort(points[:, -1], kind="stable")]
    tops = np.append(points[1:, -1], reference[-1])
    slabs = tops - points[:, -1]
    return float(sum(
        slab * hypervolume(points[: i + 1, :-1], reference[:-1]) for i, slab in enumerate(slabs) if slab > 0.0
    ))  # fmt: skip


@dataclass(frozen=True, slots=True)
class Front:
    """Pareto front of drive lost, roughness and excess slip, from pairs that were played in full.

    Parameters
    ----------
    table : DataFrame
        One row per pair, by drive lost: drive_lost_kmh, roughness, excess_slip_m, jerk_rms, reslips, cost, on_front,
        chosen, label.
    pairs : tuple of GridPair
        The pair of each row.
    hypervolume : float
        Share that the front commands of the box between the best and the worst of all pairs' figures, 0 to 1 [1].
    """

    table: pd.DataFrame
    pairs: tuple[GridPair, ...]
    hypervolume: float


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
    points = aims(means)
    columns: dict[str, object] = dict(zip(AIMS, points.T, strict=True))
    columns |= {name: means[:, PART_INDEX[name]] for name in ("jerk_rms", "reslips")}
    columns |= {"cost": cost, "on_front": nondominated(points), "chosen": np.arange(len(pairs)) == chosen}
    table = pd.DataFrame({**columns, "label": list(labels)})
    kept = table.index[(table["on_front"] | (table["label"] != "")).to_numpy()]
    order = table.loc[kept].sort_values(list(AIMS), kind="stable").index
    share = _share(points[order.to_numpy()])
    return Front(table.loc[order].reset_index(drop=True), tuple(pairs[int(i)] for i in order), share)


def _share(points: FloatArray) -> float:
    best, worst = points.min(axis=0), points.max(axis=0)
    box = float(np.prod(worst - best))
    return hypervolume(points, worst) / box if box > 0.0 else 0.0
