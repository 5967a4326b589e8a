"""What the search minimises: the robust cost of grid pairs under an evaluator that is passed in.

Generating candidates and judging them are kept apart: this file knows scenarios and draws only as indices,
and the evaluator only as a function, so that a search can be tested on a made-up landscape.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from gridfit.grids import GridPair
from gridfit.recovery import Preference, episode_cost, pair_cost

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]

DRAW_TAIL = 0.25
"""Weight of the worst quarter of the draws against their mean [1]."""

HARM = 1.0
"""Weight of what a pair costs above the known pairs, draw by draw [1]: whatever car it is, do no harm."""

WORST_DRAWS = 0.25
"""Share of the draws that makes the tail [1]."""


class Evaluate(Protocol):
    """Plays grid pairs on the scenarios and draws at these positions, every scenario on every draw."""

    def __call__(self, grids: Sequence[GridPair], scenarios: IndexArray, draws: IndexArray) -> FloatArray:
        """Return the parts of the score, float64[C, n, d, M], with the same disturbances for every pair."""
        ...


def robust(cost: FloatArray, known: FloatArray | None = None) -> FloatArray:
    """Cost over draws: mean, a share of what the worst quarter adds, and the harm against pairs that are known.

    Parameters
    ----------
    cost : float64[..., D]
        Cost of a grid pair under each draw of the plant.
    known : float64[D], optional
        Cost, under each draw, of the pair that one would drive otherwise.

    Returns
    -------
    float64[...]
        `mean + DRAW_TAIL * (mean of the worst quarter - mean) + HARM * mean of what exceeds the known`.
    """
    n = cost.shape[-1]
    worst = max(1, round(WORST_DRAWS * n))
    mean = cost.mean(axis=-1)
    upper = np.sort(cost, axis=-1)[..., n - worst :].mean(axis=-1)
    harm = 0.0 if known is None else np.maximum(cost - known, 0.0).mean(axis=-1)
    return np.asarray(mean + DRAW_TAIL * (upper - mean) + HARM * harm, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Deal:
    """Scenarios that are played on every one of some draws.

    Parameters
    ----------
    scenarios : intp[n]
        Positions in the catalogue.
    draws : intp[d]
        Positions among the plant's draws.
    """

    scenarios: IndexArray
    draws: IndexArray


Fidelity = tuple[Deal, ...]
"""What a judgement plays; no draw is in two deals."""


def deal(gear: NDArray[np.int64], n_draws: int, per_gear: int | None = None, turn: int = 0) -> Fidelity:
    """Deal scenarios and draws so that many draws are seen at little cost.

    With h hands, each has every h-th scenario of every gear and every h-th draw, so all scenarios and all
    draws are played but only one in h of their pairs.

    Parameters
    ----------
    gear : int64[N]
        Gear of every scenario.
    n_draws : int
        Draws to use, the first so many.
    per_gear : int, optional
        Scenarios of a gear that each draw meets, about; all of them if left out.
    turn : int
        Shifts which scenarios meet which draws.
    """
    least = int(np.unique(gear, return_counts=True)[1].min())
    hands = 1 if per_gear is None else max(1, min(least // per_gear, n_draws))
    deals = []
    for hand in range(hands):
        picks = [np.flatnonzero(gear == g)[(hand + turn) % hands :: hands] for g in np.unique(gear)]
        deals.append(Deal(np.sort(np.concatenate(picks)), np.arange(hand, n_draws, hands)))
    return tuple(one for one in deals if one.scenarios.size)


@dataclass(frozen=True, slots=True)
class Played:
    """Parts of the score of C grid pairs, one array per deal.

    Parameters
    ----------
    parts : tuple of float64[C, n, d, M]
    """

    parts: tuple[FloatArray, ...]

    def one(self, index: int) -> "Played":
        """Return one pair alone (C = 1)."""
        return Played(tuple(part[index : index + 1].copy() for part in self.parts))

    def means(self) -> FloatArray:
        """Mean of each part over all that was played, float64[C, M]."""
        total = sum(part.sum(axis=(1, 2)) for part in self.parts)
        count = sum(part.shape[1] * part.shape[2] for part in self.parts)
        return np.asarray(total / count, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Judge:
    """An evaluator with the preference that turns parts into one number.

    Parameters
    ----------
    evaluate : Evaluate
        The simulator.
    gear : int64[N]
        Gear of every scenario of the catalogue.
    weights : Preference
        Weights of the parts.
    soft : bool
        Use the smooth twins of the parts that jump.
    """

    evaluate: Evaluate
    gear: NDArray[np.int64]
    weights: Preference
    soft: bool = True

    def hard(self) -> "Judge":
        """Return the same judge on the parts as defined, jumps and all."""
        return Judge(self.evaluate, self.gear, self.weights, soft=False)

    def play(self, grids: Sequence[GridPair], at: Fidelity) -> Played:
        """Play each pair on everything in `at`."""
        return Played(tuple(self.evaluate(grids, one.scenarios, one.draws) for one in at))

    def play_gear(self, grids: Sequence[GridPair], gear: int, at: Fidelity, incumbent: Played) -> Played:
        """Play pairs that differ from the incumbent only in one gear's row.

        Only that gear's scenarios are played; the rest is the incumbent's, which is exact because a
        scenario stays in its gear.

        Parameters
        ----------
        grids : sequence of GridPair[C]
        gear : int
            The gear whose row differs.
        at : Fidelity
        incumbent : Played
            The pair that the candidates were made from (C = 1), at the same fidelity.
        """
        played = []
        for one, known in zip(at, incumbent.parts, strict=True):
            own = self.gear[one.scenarios] == gear
            parts = np.repeat(known, len(grids), axis=0)
            parts[:, own] = self.evaluate(grids, one.scenarios[own], one.draws)
            played.append(parts)
        return Played(tuple(played))

    def cost_draws(self, played: Played) -> FloatArray:
        """Cost of each pair under each draw, float64[C, D], deal by deal."""
        costs = [
            pair_cost(episode_cost(parts, self.weights, soft=self.soft), self.weights, axis=-2)
            for parts in played.parts
        ]
        return np.concatenate(costs, axis=-1)

    def cost(self, played: Played, known: FloatArray | None = None) -> FloatArray:
        """Robust cost of each pair, float64[C]; infinite where the simulator could not play it.

        Parameters
        ----------
        played : Played
        known : float64[D], optional
            As in `robust`, deal by deal.
        """
        cost = robust(self.cost_draws(played), known)
        return np.where(np.isfinite(cost), cost, np.inf)

    def gear_cost(self, played: Played, gear: int, at: Fidelity) -> FloatArray:
        """Robust cost of each pair on one gear's scenarios alone, float64[C]."""
        own = tuple(
            parts[:, self.gear[one.scenarios] == gear] for one, parts in zip(at, played.parts, strict=True)
        )
        return self.cost(Played(tuple(parts for parts in own if parts.shape[1])))
