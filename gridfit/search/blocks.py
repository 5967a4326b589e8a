"""What one study varies: a gear's row, the target, or everything at once, from an incumbent pair."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import optuna
from numpy.typing import NDArray

from gridfit.errors import DataError
from gridfit.grids import GridPair
from gridfit.search.budget import SAMPLER
from gridfit.search.ledger import Ledger
from gridfit.search.objective import Judge, Played, Plays, deal, doubted
from gridfit.search.population import explore
from gridfit.search.space import RowSpace, TargetSpace, with_row, with_target

FloatArray = NDArray[np.float64]
Pull = Callable[[GridPair], float]
"""Cost added to a candidate for what the evidence does not support."""


@dataclass(frozen=True, slots=True)
class Incumbent:
    """The pair that a block starts from, with what it scored.

    Parameters
    ----------
    pair : GridPair
    played : Played
        Its parts at the fidelity in use (C = 1).
    cost : float
        Robust cost with the pull.
    """

    pair: GridPair
    played: Played
    cost: float


@dataclass(frozen=True, slots=True)
class Block:
    """Coordinates that one study varies, and the pair that they make of the incumbent.

    Parameters
    ----------
    name : str
        "gear 2", "target" or "joint".
    names : tuple of str
        Names of the coordinates.
    unit : callable
        Pair -> nearest point of the cube, float64[P].
    apply : callable
        Incumbent pair, point -> candidate pair.
    gear : int or None
        The only gear whose scenarios can change; None if all can.
    """

    name: str
    names: tuple[str, ...]
    unit: Callable[[GridPair], FloatArray]
    apply: Callable[[GridPair, FloatArray], GridPair]
    gear: int | None = None


def row_block(gear: int, space: RowSpace) -> Block:
    """Return the block of one gear's row of the cut grid."""
    return Block(
        f"gear {gear}",
        space.names,
        lambda pair: space.unit(pair.cut.row(gear)),
        lambda pair, point: with_row(pair, gear, space.row(point)),
        gear,
    )


def target_block(space: TargetSpace) -> Block:
    """Return the block of the target grid."""
    return Block(
        "target",
        space.names,
        lambda pair: space.unit(pair.target),
        lambda pair, point: with_target(pair, space.grid(point)),
    )


def joint_block(blocks: list[Block]) -> Block:
    """Return one block of all coordinates of several."""
    ends = np.cumsum([0] + [len(block.names) for block in blocks])

    def apply(pair: GridPair, point: FloatArray) -> GridPair:
        for block, low, high in zip(blocks, ends[:-1], ends[1:], strict=True):
            pair = block.apply(pair, point[low:high])
        return pair

    return Block(
        "joint",
        tuple(f"{block.name}: {name}" for block in blocks for name in block.names),
        lambda pair: np.concatenate([block.unit(pair) for block in blocks]),
        apply,
    )


def refuse_lost(played: Played) -> None:
    """Raise DataError when a draw of the plant gives numbers that are not finite."""
    fine = np.isfinite(played.parts).all(axis=(0, 2))
    lost = np.unique(played.plays.draws[~fine]).tolist()
    if lost:
        raise DataError.of(
            where=f"plant, draws {', '.join(map(str, lost[:5]))}",
            what="simulated score",
            value="not a number",
            allowed="finite for every draw of the plant",
            remedy="A parameter of these draws is beyond what the simulator can step; check the car sheet.",
        )


@dataclass(frozen=True, slots=True)
class Bench:
    """Where candidates are judged and recorded.

    Parameters
    ----------
    judge : Judge
    at : Plays
    pull : Pull
    ledger : Ledger
    known : float64[D], optional
        Cost under each draw of the pair that one would drive otherwise.
    """

    judge: Judge
    at: Plays
    pull: Pull
    ledger: Ledger
    known: FloatArray | None = None

    def against(self, pairs: Sequence[GridPair]) -> "Bench":
        """Return the bench that also counts where a pair costs more than the cheapest of these, if its judge does."""
        if not pairs or self.judge.pooled:
            return self
        played = self.judge.play(pairs, self.at)
        refuse_lost(played)
        draws = self.judge.cost_draws(played)
        return replace(self, known=draws[int(np.argmin(draws.mean(axis=-1)))])

    def first(self, count: int) -> "Bench":
        """Return the bench on the first so many draws, for a first look."""
        known = None if self.known is None else self.known[np.unique(self.at.draws) < count]
        return replace(self, at=self.at.first(count), known=known)

    def dealt(self, per_gear: int) -> "Bench":
        """Return the bench where each draw meets about so many of its scenarios of a gear; nothing else is known."""
        scenarios = np.unique(self.at.scenarios)
        at = deal(self.judge.gear[scenarios], np.unique(self.at.draws).size, per_gear)
        return replace(self, at=Plays(scenarios[at.scenarios], at.draws), known=None)

    def stand(self, pair: GridPair) -> Incumbent:
        """Play a pair at this fidelity; see `stands`."""
        return self.stands([pair])[0]

    def stands(self, pairs: Sequence[GridPair]) -> list[Incumbent]:
        """Play pairs at this fidelity, together: the simulator has no lanes left over.

        Raises
        ------
        DataError
            If the simulator gives no number for one of them.
        """
        if not pairs:
            return []
        played = self.judge.play(pairs, self.at)
        refuse_lost(played)
        costs = self.judge.cost(played, self.known)
        return [
            Incumbent(pair, played.one(i), float(costs[i]) + self.pull(pair)) for i, pair in enumerate(pairs)
        ]

    def dearer(self, at: Incumbent, than: Incumbent) -> tuple[float, float]:
        """How much more the robust cost of one pair is than that of another, and the standard error of it."""
        one, other = (doubted(self.judge.cost_draws(each.played)[0], self.known) for each in (at, than))
        apart = one - other
        error = float(apart.std(ddof=1)) / np.sqrt(apart.size) if apart.size > 1 else 0.0
        return float(apart.mean()), float(error)

    def mean_cost(self, at: Incumbent) -> float:
        """Return the mean over the draws of what a pair costs, without any doubt or pull."""
        return float(self.judge.cost_draws(at.played).mean())

    def costs(
        self, pairs: Sequence[GridPair], gear: int | None, incumbent: Incumbent
    ) -> tuple[Played, FloatArray]:
        """Parts and costs float64[C] of pairs that differ from the incumbent in one gear, or anywhere."""
        if gear is None:
            played = self.judge.play(pairs, self.at)
        else:
            played = self.judge.play_gear(pairs, gear, incumbent.played)
        return played, self.judge.cost(played, self.known) + np.array([self.pull(pair) for pair in pairs])

    def score(
        self, block: Block, round_: int, incumbent: Incumbent, points: FloatArray
    ) -> tuple[list[GridPair], Played, FloatArray]:
        """Candidates at points float64[C, P], their parts and costs float64[C], recorded."""
        pairs = [block.apply(incumbent.pair, point) for point in points]
        played, cost = self.costs(pairs, block.gear, incumbent)
        self.ledger.add(block.name, round_, pairs, played, cost, points)
        return pairs, played, cost


def run_block(
    bench: Bench,
    block: Block,
    incumbent: Incumbent,
    *,
    round_: int,
    trials: int,
    population: int,
    reach: float,
    seed: int,
    sampler: str = SAMPLER,
    stop: Callable[[optuna.Study], bool] | None = None,
) -> tuple[Incumbent, optuna.Study]:
    """Run one study from an incumbent; what comes back is never worse than the incumbent.

    Parameters
    ----------
    bench, block, incumbent
        Judge, coordinates and starting pair.
    round_ : int
        Round of the search, for the record.
    trials, population, reach, seed, sampler, stop
        As in `population.explore`.

    Returns
    -------
    Incumbent
        The best pair seen.
    optuna.Study
        The study.
    """
    best = incumbent

    def score(points: FloatArray) -> FloatArray:
        nonlocal best
        pairs, played, cost = bench.score(block, round_, incumbent, points)
        i = int(np.argmin(cost))
        if cost[i] < best.cost:
            best = Incumbent(pairs[i], played.one(i), float(cost[i]))
        return cost

    start = block.unit(incumbent.pair)
    study = explore(
        score,
        start,
        float(score(start[None])[0]),
        block.names,
        name=f"{block.name}, round {round_}",
        trials=trials,
        population=population,
        reach=reach,
        seed=seed,
        sampler=sampler,
        on_population=stop,
    )
    return best, study
