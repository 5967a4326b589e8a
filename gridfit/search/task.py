"""What a search is about: the judge, the axes of the proposal, and where it starts."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from gridfit.grids import GridPair
from gridfit.search.blocks import Block, Incumbent, row_block, target_block
from gridfit.search.budget import Budget
from gridfit.search.moves import Resolution
from gridfit.search.objective import Judge
from gridfit.search.placing import Freedom, choose
from gridfit.search.polish import polish
from gridfit.search.rounds import Course, Progress
from gridfit.search.space import row_space, same_axes, target_space
from gridfit.search.support import Support, pull


@dataclass(frozen=True, slots=True)
class Task:
    """A search to be done.

    Parameters
    ----------
    judge : Judge
        Evaluator, gears of its scenarios and weights.
    n_draws : int
        Draws of the plant that the evaluator has.
    n_standard : int
        The first so many scenarios are those of the verdict; the rest only serve the search.
    speed_range_kmh : tuple of float
        Lowest and highest speed that the scenarios visit [km/h].
    axes : GridPair
        Breakpoints and gears of the proposal.
    start : GridPair
        Grids in force, on whatever breakpoints.
    common : GridPair
        The common-practice start.
    resolution : Resolution
        What the controller can hold.
    guess : GridPair, optional
        A pair to look at beside those known, such as one from the car's own figures.
    freedom : Freedom, optional
        Where breakpoints may be chosen; then `axes` are the ones that have to be beaten.
    """

    judge: Judge
    n_draws: int
    n_standard: int
    speed_range_kmh: tuple[float, float]
    axes: GridPair
    start: GridPair
    common: GridPair
    resolution: Resolution
    guess: GridPair | None = None
    freedom: Freedom | None = None

    @property
    def gears(self) -> tuple[int, ...]:
        """Gears that have scenarios, lowest first."""
        return tuple(sorted({int(g) for g in self.judge.gear}))

    def on_chosen(self, course: Course, pair: GridPair) -> "Task":
        """Return the task on the breakpoints that suit a pair best, its axes being that pair, polished.

        Parameters
        ----------
        course : Course
            The finished search.
        pair : GridPair
            What it found.
        """
        if self.freedom is None:
            return self
        budget = course.budget
        bench, final = course.polish(), course.jury()

        def polished(one: GridPair) -> Incumbent:
            used = self.speed_range_kmh
            return polish(bench, one, self.gears, self.resolution, used, passes=budget.polish_passes)[-1]

        return replace(self, axes=choose(pair, self.freedom, self.gears, polished, final))

    def blocks(self) -> list[Block]:
        """Return what is varied: one block per gear, the target last."""
        rows = row_space(self.axes.cut.slip_error_pct, self.resolution.cut_max_pct)
        target = target_space(self.axes.target.speed_kmh, *self.speed_range_kmh)
        return [*(row_block(gear, rows) for gear in self.gears), target_block(target)]

    def course(
        self,
        budget: Budget,
        support: Support | None,
        known: Sequence[GridPair],
        seed: int,
        progress: Progress,
    ) -> Course:
        """Set a search up; the cheapest of the `known` pairs, on the task's axes, scales the pull.

        `support` is on the grids in force, and the pull takes pairs on any breakpoints.
        """
        bare = Course(
            self.judge, self.blocks(), budget, self.n_draws, self.n_standard, lambda pair: 0.0, seed, progress,
            tuple(known),
        )  # fmt: skip
        if support is None:
            return bare
        bench = bare.bench(budget.search_draws)
        scale = min(at.cost for at in bench.stands(known))
        own = support.on(self.axes)

        def held(pair: GridPair) -> float:
            return pull(pair, own if same_axes(pair, self.axes) else support.on(pair), scale)

        return replace(bare, pull=held)
