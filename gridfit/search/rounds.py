"""The course of a search: gear by gear and target in turn, then all at once, then along the front."""

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import count, pairwise

import numpy as np
import optuna
from numpy.typing import NDArray

from gridfit.grids import GridPair
from gridfit.search.blocks import Bench, Block, Incumbent, Pull, joint_block, run_block
from gridfit.search.budget import Budget
from gridfit.search.ledger import Ledger
from gridfit.search.objective import Judge, deal, everything
from gridfit.search.population import best_point, explore, middle
from gridfit.search.space import blend

FloatArray = NDArray[np.float64]
Progress = Callable[[str, float], None]

LEAN = 3.0
"""Factor on the weights of jerk and re-slips for the calm end of the front; its inverse for the sharp end."""


NEARER = 2.0
"""Times as near the last study of everything looks as the ones before it."""


def distinct(stands: Sequence[Incumbent]) -> list[Incumbent]:
    """Return one of each cost, in their order: a round that finds nothing hands back what it was given."""
    return [
        at
        for at, before in zip(stands, [None, *stands], strict=False)
        if before is None or at.cost != before.cost
    ]


def block_seed(seed: int, *place: int) -> int:
    """Seed of one study, from the search's seed and the study's place in it."""
    return int(np.random.SeedSequence([seed, *place]).generate_state(1)[0])


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
    n_standard : int
        The first so many scenarios are the ones of the verdict.
    pull : Pull
    seed : int
    progress : Progress
    known : tuple of GridPair
        What one would drive otherwise: harm against the cheapest of them is counted, draw by draw.
    ledger : Ledger
        Fills as the search goes.
    studies : dict of str to optuna.Study
        Fills as the search goes.
    """

    judge: Judge
    blocks: list[Block]
    budget: Budget
    n_draws: int
    n_standard: int
    pull: Pull
    seed: int
    progress: Progress
    known: tuple[GridPair, ...] = ()
    ledger: Ledger = field(default_factory=Ledger)
    studies: dict[str, optuna.Study] = field(default_factory=dict)
    _began: float = field(default_factory=time.monotonic)
    _done: int = 0

    def bench(
        self, draws: int, turn: int = 0, judge: Judge | None = None, per_gear: int | None = None
    ) -> Bench:
        """Return a place to search: the first draws, dealt as in `objective.deal`."""
        at = deal(self.judge.gear, min(draws, self.n_draws), per_gear or self.budget.per_gear, turn)
        return Bench(judge or self.judge, at, self.pull, self.ledger).against(self.known)

    def polish(self) -> Bench:
        """Return the place to polish: enough meetings that single cells can be told apart, jumps and all."""
        return self.bench(self.budget.polish_draws, 0, self.judge.hard(), self.budget.polish_per_gear)

    def jury(self) -> Bench:
        """Return the place to choose among a few pairs: draws and meetings that the search has not seen, and many."""
        b = self.budget
        return self.bench(b.jury_draws, 1, self.judge.hard(), b.jury_per_gear)

    def verdict(self) -> Bench:
        """Return the place to judge in full: the standard scenarios on many draws, jumps and all."""
        at = everything(self.n_standard, min(self.budget.final_draws, self.n_draws))
        judge = replace(self.judge.hard(), pooled=False)
        return Bench(judge, at, self.pull, self.ledger).against(() if self.judge.pooled else self.known)

    def run(self, starts: Sequence[GridPair]) -> list[GridPair]:
        """Search from several pairs, best first; the best pair of every stage, in order.

        The first round is gone through from every start, since costs have more than one valley: a target and the rows
        that suit it go down together. What is best then is gone on with. Without rounds that is the best start.
        """
        stages = list(starts)
        if self.budget.rounds and not self._out_of_time():
            stages += [self._round(0, start, turn) for turn, start in enumerate(starts)]
        stages.append(self._cheapest(stages))
        for round_ in range(1, self.budget.rounds):
            if self._out_of_time():
                break
            stages.append(self._round(round_, stages[-1]))
        if self.budget.together:
            stages += self._together(stages)
        for name, factor in (("sharp", 1.0 / LEAN), ("calm", LEAN)):
            if self.budget.front_trials:
                judge = leaning(self.judge, factor)
                self._joint(f"front {name}", stages[-1], self.budget.front_trials, judge)
        return stages

    def _cheapest(self, pairs: Sequence[GridPair]) -> GridPair:
        bench = self.bench(self.budget.search_draws)
        return min(bench.stands(pairs), key=lambda at: at.cost).pair

    def _round(self, round_: int, pair: GridPair, start: int = 0) -> GridPair:
        b = self.budget
        draws = b.screen_draws if round_ == 0 else b.search_draws
        bench = self.bench(draws, round_)
        at = bench.stand(pair)
        for place, block in enumerate(self.blocks):
            trials = b.trials_target if block.gear is None else b.trials_per_gear
            self._say(f"round {round_ + 1}: {block.name}", trials)
            seed = block_seed(self.seed, round_, place, *([start] if start else []))
            if start:
                block = replace(block, name=f"{block.name}, start {start + 1}")
            at = self._study(bench, block, at, round_, trials, b.population, b.reach(round_), seed)
        return at.pair

    def _together(self, stages: Sequence[GridPair]) -> list[GridPair]:
        """Return where studies of everything at once settle, the best last.

        Rows and target follow each other down valleys that neither leads along by itself.
        """
        b, jury = self.budget, self.jury()
        ahead = distinct(sorted(jury.stands(stages), key=lambda at: at.cost))
        found: list[GridPair] = []
        for place in range(b.joint_starts):
            start = ahead[place % len(ahead)].pair
            name = f"everything {place + 1}"
            found += self._settled(name, start, b.search_draws, b.joint_trials, b.joint_reach)
        between = [blend(one, two, 0.5) for one, two in pairwise(found[::2])]
        best = min(jury.stands([ahead[0].pair, *found, *between]), key=lambda at: at.cost).pair
        near = b.joint_reach / NEARER
        found += self._settled("everything near", best, b.polish_draws, b.joint_trials, near)
        found.append(min(jury.stands([best, *found[-2:]]), key=lambda at: at.cost).pair)
        return found

    def _settled(self, name: str, pair: GridPair, draws: int, trials: int, reach: float) -> list[GridPair]:
        """Return where the populations of a study of everything settle, then its best trial.

        Each population is judged on other meetings of draws and scenarios: what is tuned to one deal loses on the next.
        """
        b, block = self.budget, replace(joint_block(self.blocks), name=name)
        deals = (self.bench(draws, turn, self.judge.hard()) for turn in count(1))
        self._say(name, trials)
        at = next(deals).stand(pair)

        def score(points: FloatArray) -> FloatArray:
            return next(deals).score(block, b.rounds, at, points)[2]

        start, seed = block.unit(pair), block_seed(self.seed, b.rounds, len(self.studies))
        study = explore(
            score, start, at.cost, block.names, name=name, trials=trials, population=b.joint_population, reach=reach,
            seed=seed, sampler=b.sampler, on_population=lambda study: self._out_of_time(),
        )  # fmt: skip
        self.studies[name] = study
        ends = middle(study, block.names, b.joint_population), best_point(study, block.names)
        return [block.apply(pair, end) for end in ends]

    def _joint(self, name: str, pair: GridPair, trials: int, judge: Judge) -> GridPair:
        b = self.budget
        block = replace(joint_block(self.blocks), name=name)
        bench = self.bench(b.search_draws, b.rounds, judge)
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
            sampler=self.budget.sampler, stop=lambda study: self._out_of_time(),
        )  # fmt: skip
        self.studies[study.study_name] = study
        return at

    def _out_of_time(self) -> bool:
        limit = self.budget.seconds
        return limit is not None and time.monotonic() - self._began > limit

    def _say(self, what: str, trials: int) -> None:
        gears = sum(block.gear is not None for block in self.blocks)
        b = self.budget
        per_round = gears * b.trials_per_gear + b.trials_target
        together = (b.joint_starts + 1) * b.joint_trials if b.together else 0
        total = max(1, (b.rounds + b.starts - 1) * per_round + together + 2 * b.front_trials)
        self.progress(f"search, {what}", 0.9 * self._done / total)
        self._done += trials


def mixtures(
    bench: Bench, targets: Sequence[GridPair], rows: Sequence[GridPair], gears: Sequence[int]
) -> list[GridPair]:
    """Return every target with, for each gear, the best row for it; the cheapest pair first.

    Every target meets every pair's rows once; the rows are then picked gear by gear, which is exact for the
    mean over scenarios because a scenario stays in its gear.

    Parameters
    ----------
    bench : Bench
    targets, rows : sequence of GridPair
        On the same axes; of the first only the targets are used, of the others only the rows.
    gears : sequence of int
        Gears that are judged.
    """
    crossed = [GridPair(t.target, r.cut, r.extra) for t in targets for r in rows]
    played = bench.judge.play(crossed, bench.at)
    costs = {gear: bench.judge.gear_cost(played, gear) for gear in gears}
    mixed = []
    for t in range(0, len(crossed), len(rows)):
        best = {gear: crossed[t + int(np.argmin(cost[t : t + len(rows)]))] for gear, cost in costs.items()}
        mixed.append(_mix(crossed[t], best))
    return [at.pair for at in sorted(bench.stands(mixed), key=lambda at: at.cost)]


def _mix(pair: GridPair, best: Mapping[int, GridPair]) -> GridPair:
    """Return the pair with the row of each gear from the pair that is best in it."""
    cut = pair.cut.cut_pct.copy()
    for gear, source in best.items():
        cut[pair.cut.gear == gear] = source.cut.row(gear)
    return GridPair(pair.target, replace(pair.cut, cut_pct=cut), pair.extra)
