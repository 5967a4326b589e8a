"""What to run next: a randomised, interleaved order of runs.

In each block every compound is driven once. Positions within the block go round as in a Latin square whose rows and
names are dealt out at random, so that none has the cold track or the tired driver more often than another.

Source: Fisher, The Design of Experiments, 1935, randomised blocks and Latin squares (from memory).
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np

from gridfit.comparison import Comparison

AIM_PCT = 3.0
"""Difference of peak friction that the plan is to decide [%], where the pair is undecided."""
LEAST_BLOCKS, MOST_BLOCKS = 2, 8
"""Shortest and longest plan [blocks]: more than that is planned anew after a look at the first results."""
AFRESH = 4
"""Blocks to plan where the runs at hand are spoilt by something else that differed."""
NOT_SPOILT = ("temperature known", "spread alike", "size alike", "runs")
"""Failed checks that new runs in mixed order do not mend by themselves, or that the count of runs covers."""


@dataclass(frozen=True, slots=True)
class PlannedRun:
    """One run to drive.

    Parameters
    ----------
    order : int
        Place in the whole plan, from 1.
    block : int
        Block, from 1: drive one block without a break in conditions, best in half a day.
    compound : str
        Tyre to fit.
    driver, grids : str
        Who drives and which grid pair is in force; empty where it does not matter.
    """

    order: int
    block: int
    compound: str
    driver: str = ""
    grids: str = ""

    def to_dict(self) -> dict[str, object]:
        """Return the run as plain values."""
        return asdict(self)


def run_plan(
    names: Sequence[str],
    each: int,
    rng: np.random.Generator,
    *,
    drivers: Sequence[str] = (),
    grids: Sequence[str] = (),
) -> tuple[PlannedRun, ...]:
    """Plan runs in random, balanced blocks.

    Parameters
    ----------
    names : sequence of str
        Compounds K, at least one.
    each : int
        Runs of each, at least 1: so many blocks.
    rng : numpy.random.Generator
        Deals out the order.
    drivers, grids : sequence of str
        To be held within a block and to change from block to block, where there are several.

    Returns
    -------
    tuple of PlannedRun
        K times `each` runs in the order to drive them. Over any K blocks from a multiple of K on, each compound has
        each position once.
    """
    count = len(names)
    planned: list[PlannedRun] = []
    square: list[list[int]] = []
    turn_drivers, turn_grids = (_turns(choice, each, rng) for choice in (drivers, grids))
    for block in range(each):
        if not square:
            order = rng.permutation(count)
            square = [
                [int(order[(place + row) % count]) for place in range(count)]
                for row in rng.permutation(count)
            ]
        for one in square.pop():
            planned.append(
                PlannedRun(len(planned) + 1, block + 1, names[one], turn_drivers[block], turn_grids[block])
            )
    return tuple(planned)


def _turns(choice: Sequence[str], blocks: int, rng: np.random.Generator) -> list[str]:
    """One of the choices for each block, each as often as the others but for one; empty where there is none to make."""
    if not choice:
        return [""] * blocks
    turns: list[str] = []
    while len(turns) < blocks:
        turns += [choice[int(k)] for k in rng.permutation(len(choice))]
    return turns[:blocks]


def blocks_to_plan(comparison: Comparison) -> int:
    """Return how many runs of each compound to plan next.

    Parameters
    ----------
    comparison : Comparison
        What the runs at hand say.

    Returns
    -------
    int
        What a difference of `AIM_PCT` still needs in the undecided pairs, and `AFRESH` where a confounder spoils a
        pair, between `LEAST_BLOCKS` and `MOST_BLOCKS`; 0 when every pair is decided and none is spoilt.
    """
    wanted = 0
    for pair in comparison.pairs:
        if any(not one.passed and one.check not in NOT_SPOILT for one in pair.findings):
            wanted = max(wanted, AFRESH)
        if pair.verdict == "undecided":
            wanted = max(wanted, LEAST_BLOCKS, *pair.runs_still_needed_for_pct[AIM_PCT])
    return min(wanted, MOST_BLOCKS)
