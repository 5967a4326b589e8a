"""Of pairs that cost as good as the same, the calmer one, by the cut's swing above 5 Hz.

Chatter of the cut shakes the driveline and heats the exhaust, and a cost that two plants would order differently is
no reason to live with it.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gridfit.recovery import PART_INDEX
from gridfit.search.blocks import Bench, Incumbent
from gridfit.search.objective import Played
from gridfit.search.polish import Curve

EQUAL = 0.02
"""Pairs within this share of the cheapest cost count as equal [1]."""

CALMING = 0.005
"""Share of the cost that moves towards a calmer pair may give up [1]."""

WORTH = 0.01
"""Share of the swing that a calming move must take away [1]."""


def swing_pct(played: Played) -> NDArray[np.float64]:
    """Mean swing of the cut above 5 Hz of each pair, float64[C] [percentage points]."""
    return np.asarray(played.means()[:, PART_INDEX["cut_swing_pct"]], dtype=np.float64)


def calmest(rivals: Sequence[Incumbent], ceiling: float = np.inf) -> Incumbent:
    """Return the calmest of those that cost as good as the same as the cheapest.

    Parameters
    ----------
    rivals : sequence of Incumbent
        Judged at one fidelity.
    ceiling : float
        Cost that a dearer pair may not have, such as that of the grids in force [1].
    """
    least = min(at.cost for at in rivals)
    equal = [at for at in rivals if at.cost <= max(least, min(least * (1.0 + EQUAL), ceiling))]
    return min(equal, key=lambda at: (float(swing_pct(at.played)[0]), at.cost))


def calm(bench: Bench, at: Incumbent, curves: Sequence[Curve], limit: int = 3) -> list[Incumbent]:
    """Take the moves that calm the cut most, while the cost stays within `CALMING` of where it began.

    Every step on the way is returned, since a judge with other draws may find the last one too dear.

    Parameters
    ----------
    bench : Bench
    at : Incumbent
        The polished pair, at the bench's fidelity.
    curves : sequence of Curve
        What may move.
    limit : int
        Moves of each curve.

    Returns
    -------
    list of Incumbent
        Each calmer than the one before; empty if nothing calms.
    """
    path: list[Incumbent] = []
    ceiling = at.cost * (1.0 + CALMING)
    for curve in curves:
        for _ in range(limit):
            pairs = [curve.shape(at.pair, move) for move in curve.moves(curve.values(at.pair))]
            if not pairs:
                break
            played, cost = bench.costs(pairs, curve.gear, at)
            swing = np.where(cost <= ceiling, swing_pct(played), np.inf)
            i = int(np.argmin(swing))
            if swing[i] >= (1.0 - WORTH) * float(swing_pct(at.played)[0]):
                break
            at = Incumbent(pairs[i], played.one(i), float(cost[i]))
            path.append(at)
    return path
