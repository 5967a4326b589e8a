"""Grid pairs judged in full on a plant: cost and parts with intervals, for all gears and gear by gear."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.estimate import Estimate
from gridfit.grids import GridPair
from gridfit.recovery import PART_INDEX, Preference, episode_cost, pair_cost
from gridfit.simulate.batch import VERIFY_STEP_S, Simulator
from gridfit.simulate.parameters import Floats, Plant
from gridfit.simulate.scenarios import Scenarios
from pipelines.partnames import COST, PART_LABELS


@dataclass(frozen=True, slots=True)
class Judged:
    """Grid pairs on the same scenarios and draws.

    Parameters
    ----------
    names : tuple of str
    parts : float64[C, N, D, M]
    gear : int64[N]
    weights : Preference
    """

    names: tuple[str, ...]
    parts: Floats
    gear: Floats
    weights: Preference

    def scores(self, gear: int = 0) -> dict[str, dict[str, Estimate]]:
        """Return cost and parts of every pair, over all scenarios (gear 0) or those of one gear."""
        own = np.ones(self.gear.size, dtype=bool) if gear == 0 else self.gear == gear
        return {name: self._of(self.parts[index, own]) for index, name in enumerate(self.names)}

    def gears(self) -> tuple[int, ...]:
        """Gears that have scenarios."""
        return tuple(int(gear) for gear in np.unique(self.gear))

    def cost_draws(self, index: int) -> Floats:
        """Cost of one pair under each draw, float64[D]."""
        return pair_cost(episode_cost(self.parts[index], self.weights), self.weights, axis=0)

    def _of(self, parts: Floats) -> dict[str, Estimate]:
        cost = pair_cost(episode_cost(parts, self.weights), self.weights, axis=0)
        shown = [name for name in PART_LABELS if name != COST]
        means = {name: parts[..., PART_INDEX[name]].mean(axis=0) for name in shown}
        return {name: Estimate.from_draws(draws) for name, draws in {COST: cost, **means}.items()}


def judge(
    sheet: CarSheet,
    scenarios: Scenarios,
    plant: Plant,
    pairs: Mapping[str, GridPair],
    weights: Preference,
) -> Judged:
    """Play grid pairs on every scenario and draw at the fine time step.

    Parameters
    ----------
    sheet : CarSheet
    scenarios : Scenarios
    plant : Plant
    pairs : mapping of str to GridPair
    weights : Preference

    Returns
    -------
    Judged
    """
    parts = Simulator(sheet, scenarios, plant, step_s=VERIFY_STEP_S).parts(list(pairs.values()))
    return Judged(tuple(pairs), parts, scenarios.gear.astype(np.float64), weights)
