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

WORST_DRAWS = 0.25
"""Share of the draws that makes the tail [1]."""


class Evaluate(Protocol):
    """Plays grid pairs on the scenarios at `scenarios` and on the first `draws` draws of the plant."""

    def __call__(self, grids: Sequence[GridPair], scenarios: IndexArray, draws: int) -> FloatArray:
        """Return the parts of the score, float64[C, n, d, M], with the same disturbances for every pair."""
        ...


def robust(cost: FloatArray) -> FloatArray:
    """Cost over draws: mean plus a share of what the worst quarter adds.

    Parameters
    ----------
    cost : float64[..., D]
        Cost of a grid pair under each draw of the plant.

    Returns
    -------
    float64[...]
        `mean + DRAW_TAIL * (mean of the worst quarter - mean)`.
    """
    n = cost.shape[-1]
    worst = max(1, round(WORST_DRAWS * n))
    mean = cost.mean(axis=-1)
    upper = np.sort(cost, axis=-1)[..., n - worst :].mean(axis=-1)
    return np.asarray(mean + DRAW_TAIL * (upper - mean), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Fidelity:
    """Which scenarios and draws a judgement uses.

    Parameters
    ----------
    scenarios : intp[N]
        Positions in the catalogue.
    draws : int
        The first so many draws of the plant.
    """

    scenarios: IndexArray
    draws: int


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

    def play(self, grids: Sequence[GridPair], at: Fidelity) -> FloatArray:
        """Parts of each pair, float64[C, N, D, M]."""
        return self.evaluate(grids, at.scenarios, at.draws)

    def cost_draws(self, parts: FloatArray) -> FloatArray:
        """Cost of each pair under each draw, float64[C, N, D, M] -> float64[C, D]."""
        return pair_cost(episode_cost(parts, self.weights, soft=self.soft), self.weights, axis=-2)

    def cost(self, parts: FloatArray) -> FloatArray:
        """Robust cost of each pair, float64[C, N, D, M] -> float64[C]."""
        return robust(self.cost_draws(parts))

    def play_gear(
        self, grids: Sequence[GridPair], gear: int, at: Fidelity, incumbent: FloatArray
    ) -> FloatArray:
        """Parts of pairs that differ from the incumbent only in one gear's row.

        Only that gear's scenarios are played; the rest is the incumbent's, which is exact because a
        scenario stays in its gear.

        Parameters
        ----------
        grids : sequence of GridPair[C]
        gear : int
            The gear whose row differs.
        at : Fidelity
        incumbent : float64[N, D, M]
            Parts of the pair that the candidates were made from, at the same fidelity.

        Returns
        -------
        float64[C, N, D, M]
        """
        own = self.gear[at.scenarios] == gear
        parts = np.repeat(incumbent[None], len(grids), axis=0)
        parts[:, own] = self.evaluate(grids, at.scenarios[own], at.draws)
        return parts
