"""The course of a search: gear by gear and target in turn, then all at once, then along the front."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import optuna
from numpy.typing import NDArray

from gridfit.grids import GridPair
from gridfit.search.blocks import Bench, Block, Incumbent, Pull, joint_block, run_block
from gridfit.search.budget import Budget
from gridfit.search.ledger import Ledger
from gridfit.search.objective import Fidelity, Judge

FloatArray = NDArray[np.float64]
Progress = Callable[[str, float], None]

LEAN = 3.0
"""Factor on the weights of jerk and re-slips for the calm end of the front; its inverse for the sharp end."""


def block_seed(seed: int, *place: int) -> int:
    """Seed of one study, from the search's seed and the study's place in it."""
    return int(np.random.SeedSequence([seed, *place]).generate_state(1)[0])


def every(gear: NDArray[np.int64], step: int) -> NDArray[np.intp]:
    """Positions of every n-th scenario of each gear."""
    picks = [np.flatnonzero(gear == g)[::step] for g in np.unique(gear)]
    return np.sort(np.concatenate(picks))


def leaning(judge: Judge, factor: float) -> Judge:
    """Return the judge with its weights of jerk and re-slips multiplied."""
    w = judge.weights
    return replace(judge, weights=replace(w, jerk=w.jerk * factor, reslips=w.reslips * factor))


@dataclass(slots=True)
class Course:
    """A search under way.

    Attributes
    ----------
    judge : Judge
    blocks : list of Block
        Rows first, target last.
    budget : Budget
    n_draws : int
    pull : Pull
    seed : int
    progress : Progress
    ledger : Ledger
        Fills as the search goes.
    studies : dict of str to optuna.Study
        Fills as the search goes.
    """

    judge: Judge
    blocks: list[Block]
    budget: Budget
    n_draws: int
    pull: Pull
    seed: int
    progress: Progress
    ledger: Ledger = field(default_factory=Ledger)
    studies: dict[str, optuna.Study] = field(default_factory=dict)
    _began: float = field(default_factory=time.monotonic)
    _done: int = 0

    def bench(self, draws: int, step: int = 1, judge: Judge | None = None) -> Bench:
        """Return a place to judge on the first draws and every n-th scenario."""
        at = Fidelity(every(self.judge.gear, step), min(draws, self.n_draws))
        return Bench(judge or self.judge, at, self.pull, self.ledger)

    def run(self, pair: GridPair) -> list[GridPair]:
        """Search from a pair; the best pair of every stage, in order."""
        stages = [pair]
        for round_ in range(self.budget.rounds):
            stages.append(self._round(round_, stages[-1]))
        if self.budget.joint_trials:
            stages.append(self._joint("joint", stages[-1], self.budget.joint_trials, self.judge))
        for name, factor in (("sharp", 1.0 / LEAN), ("calm", LEAN)):
            if self.budget.front_trials:
                judge = leaning(self.judge, factor)
                self._joint(f"front {name}", stages[-1], self.budget.front_trials, judge)
        return stages

    def _round(self, round_: int, pair: GridPair) -> GridPair:
        b = self.budget
        bench = self.bench(*((b.screen_draws, b.screen_every) if round_ == 0 else (b.search_draws, 1)))
        at = bench.stand(pair)
        for place, block in enumerate(self.blocks):
            trials = b.trials_target if block.gear is None else b.trials_per_gear
            self._say(f"round {round_ + 1}: {block.name}", trials)
            seed = block_seed(self.seed, round_, place)
            at = self._study(bench, block, at, round_, trials, b.population, b.reach(round_), seed)
        return at.pair

    def _joint(self, name: str, pair: GridPair, trials: int, judge: Judge) -> GridPair:
        b = self.budget
        block = replace(joint_block(self.blocks), name=name)
        bench = self.bench(b.search_draws, judge=judge)
        self._say(name, trials)
        seed = block_seed(self.seed, b.rounds, len(self.studies))
        at = bench.stand(pair)
        return self._study(bench, block, at, b.rounds, trials, b.joint_population, b.joint_reach, seed).pair

    def _study(
        self,
        bench: Bench,
        block: Block,
        at: Incumbent,
        round_: int,
        trials: int,
        population: int,
        reach: float,
        seed: int,
    ) -> Incumbent:
        at, study = run_block(
            bench, block, at, round_=round_, trials=trials, population=population, reach=reach, seed=seed,
            stop=self._out_of_time,
        )  # fmt: skip
        self.studies[study.study_name] = study
        return at

    def _out_of_time(self, study: optuna.Study) -> bool:
        limit = self.budget.seconds
        return limit is not None and time.monotonic() - self._began > limit

    def _say(self, what: str, trials: int) -> None:
        gears = sum(block.gear is not None for block in self.blocks)
        b = self.budget
        per_round = gears * b.trials_per_gear + b.trials_target
        total = max(1, b.rounds * per_round + b.joint_trials + 2 * b.front_trials)
        self.progress(f"search, {what}", 0.9 * self._done / total)
        self._done += trials


def best_mixture(bench: Bench, pairs: Sequence[GridPair], gears: Sequence[int]) -> GridPair:
    """Best target among the pairs with, for each gear, the best row among them.

    Every target meets every pair's rows once; the rows are then picked gear by gear, which is exact for the
    mean over scenarios because a scenario stays in its gear.

    Parameters
    ----------
    bench : Bench
    pairs : sequence of GridPair
        On the same axes.
    gears : sequence of int
        Gears that are judged.
    """
    crossed = [GridPair(t.target, r.cut, r.extra) for t in pairs for r in pairs]
    parts = bench.judge.play(crossed, bench.at)
    mixed = []
    for t in range(len(pairs)):
        own = slice(t * len(pairs), (t + 1) * len(pairs))
        mixed.append(_mix(bench, crossed[own], parts[own], gears))
    stands = [bench.stand(pair) for pair in (*mixed, *crossed)]
    return min(stands, key=lambda at: at.cost).pair


def _mix(bench: Bench, pairs: Sequence[GridPair], parts: FloatArray, gears: Sequence[int]) -> GridPair:
    """Best row per gear among pairs that share a target."""
    pair = pairs[0]
    cut = pair.cut.cut_pct.copy()
    for gear in gears:
        own = bench.judge.gear[bench.at.scenarios] == gear
        i = int(np.argmin(bench.judge.cost(parts[:, own])))
        cut[pair.cut.gear == gear] = pairs[i].cut.row(gear)
    return GridPair(pair.target, replace(pair.cut, cut_pct=cut), pair.extra)
