"""What the search minimises: the robust cost of grid pairs under an evaluator that is passed in.

Generating candidates and judging them are kept apart: this file knows scenarios and draws only as indices,
and the evaluator only as a function, so that a search can be tested on a made-up landscape.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from gridfit.grids import GridPair
from gridfit.recovery import Preference, episode_cost, pair_cost

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]

DOUBT = 2.0
"""What it counts to cost more than the pair that one would drive otherwise, whatever car it is, over that pair's cost.

The mean alone trades harm on some cars for gains on others. How often counts more than how much: what one draw of the
plant loses can be any number, and a mean follows the few worst."""

BLUR = 0.05
"""Relative difference of cost over which costing more fades into costing less [1]."""

LEAST_SCALE = 0.3
"""Differences are told against a draw's own cost, or this share of the mean draw's where that is more [1]: some are
near 0."""

MANY = 32
"""So many draws are many: not every scenario has to be played on them in one turn."""


class Evaluate(Protocol):
    """Plays grid pairs on scenarios and draws at these positions, one by one."""

    def __call__(self, grids: Sequence[GridPair], scenarios: IndexArray, draws: IndexArray) -> FloatArray:
        """Return the parts of the score, float64[C, P, M], with the same disturbances for every pair."""
        ...


def doubted(cost: FloatArray, known: FloatArray | None = None) -> FloatArray:
    """What each draw adds to the robust cost, of which that is the mean.

    Parameters
    ----------
    cost : float64[..., D]
        Cost of a grid pair under each draw of the plant.
    known : float64[D], optional
        Cost, under each draw, of the pair that one would drive otherwise.

    Returns
    -------
    float64[..., D]
        `cost + DOUBT * mean of known * logistic((cost - known) / (BLUR * scale))`.
    """
    if known is None:
        return cost
    middle = max(float(np.abs(known).mean()), np.finfo(float).tiny)
    scale = BLUR * np.maximum(known, LEAST_SCALE * middle)
    return np.asarray(cost + DOUBT * middle * expit((cost - known) / scale), dtype=np.float64)


def robust(cost: FloatArray, known: FloatArray | None = None) -> FloatArray:
    """How dear a pair is over the draws, and how likely dearer than a pair that is known.

    Parameters
    ----------
    cost, known
        As in `doubted`.

    Returns
    -------
    float64[...]
    """
    return np.asarray(doubted(cost, known).mean(axis=-1), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Plays:
    """What a judgement plays, one by one.

    Parameters
    ----------
    scenarios, draws : intp[P]
        Positions in the catalogue and among the plant's draws; draws rise, so those of one draw are together.
    """

    scenarios: IndexArray
    draws: IndexArray

    def among(self, chosen: NDArray[np.bool_]) -> "Plays":
        """Return the plays that are chosen, bool[P]."""
        return Plays(self.scenarios[chosen], self.draws[chosen])

    def first(self, count: int) -> "Plays":
        """Return the plays of the first so many draws."""
        return self.among(self.draws < count)

    def by_draw(self) -> list[tuple[IndexArray, IndexArray]]:
        """Return places of draws that have equally many plays, intp[d], and places of their plays, intp[d, n]."""
        begins = np.flatnonzero(np.diff(self.draws, prepend=-1))
        counts = np.diff(begins, append=self.draws.size)
        groups = []
        for n in np.unique(counts):
            places = np.flatnonzero(counts == n)
            groups.append((places, begins[places][:, None] + np.arange(n)))
        return groups


def everything(n_scenarios: int, n_draws: int) -> Plays:
    """Return all of the first scenarios on all of the first draws."""
    return Plays(np.tile(np.arange(n_scenarios), n_draws), np.repeat(np.arange(n_draws), n_scenarios))


def deal(gear: NDArray[np.int64], n_draws: int, per_gear: int | None = None, turn: int = 0) -> Plays:
    """Deal scenarios to draws so that many draws are seen at little cost.

    With h hands, each has every h-th scenario of every gear and goes to every h-th draw, so all scenarios and all
    draws are played but only one in h of their pairs. Where many draws are fewer than the hands, the hands between are
    left for another turn.

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
    hands = 1 if per_gear is None else max(1, least // per_gear)
    if n_draws < MANY:
        hands = min(hands, n_draws)
    apart = max(1.0, hands / n_draws)
    dealt = {}
    for hand in {int(draw * apart) % hands for draw in range(n_draws)}:
        picks = [np.flatnonzero(gear == g)[(hand + turn) % hands :: hands] for g in np.unique(gear)]
        dealt[hand] = np.sort(np.concatenate(picks))
    own = [dealt[int(draw * apart) % hands] for draw in range(n_draws)]
    return Plays(np.concatenate(own), np.repeat(np.arange(n_draws), [one.size for one in own]))


@dataclass(frozen=True, slots=True)
class Played:
    """Parts of the score of C grid pairs in P plays.

    Parameters
    ----------
    parts : float64[C, P, M]
    plays : Plays
    """

    parts: FloatArray
    plays: Plays

    def first(self, count: int) -> "Played":
        """Return what was played on the first so many draws."""
        return Played(self.parts[:, self.plays.draws < count], self.plays.first(count))

    def one(self, index: int) -> "Played":
        """Return one pair alone (C = 1)."""
        return Played(self.parts[index : index + 1].copy(), self.plays)

    def means(self) -> FloatArray:
        """Mean of each part over all that was played, float64[C, M]."""
        return np.asarray(self.parts.mean(axis=1), dtype=np.float64)


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
    pooled : bool
        The worst tenth is that of plants and scenarios together, whatever few each draw meets, and no draw's doubt
        counts.
    """

    evaluate: Evaluate
    gear: NDArray[np.int64]
    weights: Preference
    soft: bool = True
    pooled: bool = False

    def hard(self) -> "Judge":
        """Return the same judge on the parts as defined, jumps and all."""
        return replace(self, soft=False)

    def play(self, grids: Sequence[GridPair], at: Plays) -> Played:
        """Play each pair on everything in `at`."""
        return Played(self.evaluate(grids, at.scenarios, at.draws), at)

    def play_gear(self, grids: Sequence[GridPair], gear: int, incumbent: Played) -> Played:
        """Play pairs that differ from the incumbent only in one gear's row.

        Only that gear's scenarios are played; the rest is the incumbent's, which is exact because a
        scenario stays in its gear.

        Parameters
        ----------
        grids : sequence of GridPair[C]
        gear : int
            The gear whose row differs.
        incumbent : Played
            The pair that the candidates were made from (C = 1).
        """
        at = incumbent.plays
        own = self.gear[at.scenarios] == gear
        parts = np.repeat(incumbent.parts, len(grids), axis=0)
        parts[:, own] = self.play(grids, at.among(own)).parts
        return Played(parts, at)

    def cost_draws(self, played: Played) -> FloatArray:
        """Cost of each pair under each draw, float64[C, D], in the order of the draws."""
        episodes = episode_cost(played.parts, self.weights, soft=self.soft)
        groups = played.plays.by_draw()
        costs = np.empty((len(episodes), sum(places.size for places, _ in groups)))
        for places, plays in groups:
            # laid out alike for any number of pairs: a pair costs the same to the last digit whoever is beside it
            costs[:, places] = pair_cost(np.take(episodes, plays, axis=1), self.weights)
        return costs

    def cost(self, played: Played, known: FloatArray | None = None) -> FloatArray:
        """Robust cost of each pair, float64[C]; infinite where the simulator could not play it.

        Parameters
        ----------
        played : Played
        known : float64[D], optional
            As in `robust`, in the order of the draws.
        """
        if self.pooled:
            cost = pair_cost(episode_cost(played.parts, self.weights, soft=self.soft), self.weights)
        else:
            cost = robust(self.cost_draws(played), known)
        return np.where(np.isfinite(cost), cost, np.inf)

    def gear_cost(self, played: Played, gear: int) -> FloatArray:
        """Robust cost of each pair on one gear's scenarios alone, float64[C]."""
        own = self.gear[played.plays.scenarios] == gear
        return self.cost(Played(played.parts[:, own], played.plays.among(own)))
