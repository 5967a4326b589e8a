"""The search for a grid pair: shaped starts, rounds, polish, settlement, and the verdict in full."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.grids import CutGrid, GridPair, common_practice
from gridfit.recovery import Preference
from gridfit.search.blocks import Bench, Incumbent
from gridfit.search.budget import Budget
from gridfit.search.calm import EQUAL, calm, calmest
from gridfit.search.moves import Resolution
from gridfit.search.objective import IndexArray, Judge
from gridfit.search.placing import freedom_of, moved
from gridfit.search.polish import curves_of, polish
from gridfit.search.result import SearchResult, assemble
from gridfit.search.rounds import Course, Progress, distinct, mixtures
from gridfit.search.scaled import figures, scaled
from gridfit.search.settle import fill_untested, settle
from gridfit.search.space import blend, generic, on_axes, scanned
from gridfit.search.support import Support
from gridfit.search.task import Task
from gridfit.simulate.batch import Simulator
from gridfit.simulate.kernel import S_V0
from gridfit.simulate.parameters import Plant
from gridfit.simulate.scenarios import Scenarios, catalogue, join
from gridfit.units import KMH_PER_MPS

FloatArray = NDArray[np.float64]

EXTRA_CATALOGUES = 28
"""Seed of the extra catalogues: the problem is the same for every seed of the search."""

BLENDS = (0.25, 0.5, 0.75)
"""Shares of the found pair in blends with the generic one that are looked at in the end: what a search tunes to its own
draws and scenarios it would not find on others [1]."""

SURE = 2.0
"""Standard errors by which a known pair has to be cheaper under the verdict to overrule what the jury chose [1]."""

__all__ = ["Budget", "SearchResult", "axes_for", "search", "solve", "speed_range_kmh"]


def search(
    sheet: CarSheet,
    plant: Plant,
    scenarios: Scenarios,
    start: GridPair,
    *,
    preference: Preference | None = None,
    budget: Budget | None = None,
    support: Support | None = None,
    seed: int = 0,
    progress: Progress | None = None,
) -> SearchResult:
    """Search a grid pair for a car on the simulator.

    Parameters
    ----------
    sheet : CarSheet
        The car; its controller gives breakpoints and resolution.
    plant : Plant
        Draws of the response, from the prior or from a fit.
    scenarios : Scenarios
        What the pair is judged on.
    start : GridPair
        Grids in force, or the common-practice start.
    preference : Preference, optional
        Weights of the parts; the default if left out.
    budget : Budget, optional
        How much to try.
    support : Support, optional
        Episodes behind each cell of the grids in force; None without logs.
    seed : int
        Same seed, same grids.
    progress : callable, optional
        Told what is going on and the share done, 0 to 1.

    Returns
    -------
    SearchResult
        On the draws of the verdict the proposal costs no more on average than the start, and by the robust cost not
        surely more than the generic pair: by more than 2 % and two standard errors.
    """
    gears = np.unique(scenarios.gear).size
    logs, budget = support is not None, budget or Budget()
    budget = (budget.for_logs() if logs else budget).for_draws(len(plant)).for_gears(gears)
    rng = np.random.default_rng(EXTRA_CATALOGUES)
    extra = [catalogue(sheet, plant, rng) for _ in range(budget.catalogues - 1)]
    played = join([scenarios, *extra])
    simulator = Simulator(sheet, played, plant)

    def evaluate(grids: Sequence[GridPair], scenarios: IndexArray, draws: IndexArray) -> FloatArray:
        return simulator.play(grids, scenarios, draws)

    axes, used = axes_for(sheet, start), speed_range_kmh(scenarios)
    freedom = freedom_of(sheet, axes, used, scenarios, plant)
    own = axes if freedom is None else freedom.within(axes)
    task = Task(
        judge=Judge(evaluate, played.gear, preference or Preference(), budget.soft, pooled=logs),
        n_draws=len(plant),
        n_standard=len(scenarios),
        speed_range_kmh=used,
        axes=own,
        start=start,
        resolution=Resolution(sheet.controller.cut_step_pct, sheet.controller.cut_max_pct),
        common=common_practice(sheet),
        guess=scaled(own, figures(sheet, plant), sheet.controller.cut_max_pct),
        freedom=freedom,
    )
    return solve(task, budget=budget, support=support, seed=seed, progress=progress or _say_nothing)


def speed_range_kmh(scenarios: Scenarios) -> tuple[float, float]:
    """Lowest and highest speed that the scenarios visit [km/h]: entry, and half as much again at the end."""
    entry = KMH_PER_MPS * scenarios.values[:, S_V0]
    return float(entry.min()), 1.5 * float(entry.max())


def axes_for(sheet: CarSheet, start: GridPair) -> GridPair:
    """Pair whose breakpoints the proposal has: the car sheet's; where it gives none, the grids in force's.

    Where breakpoints are free, the ones that the proposal's have to beat.
    Every gear of the car has a row.
    """
    axes = common_practice(sheet)
    target = start.target if "controller.speed_breakpoints" in sheet.stood_in else axes.target
    error = start.cut if "controller.error_breakpoints" in sheet.stood_in else axes.cut
    rows = np.zeros((axes.cut.gear.size, error.slip_error_pct.size))
    cut = CutGrid(error.slip_error_pct, axes.cut.gear, rows)
    return GridPair(target, cut, start.extra)


def _say_nothing(what: str, share: float) -> None:
    pass


def solve(
    task: Task, *, budget: Budget, support: Support | None, seed: int, progress: Progress
) -> SearchResult:
    """Search under any evaluator; `search` is this with the simulator.

    Parameters
    ----------
    task : Task
        What is judged, on which axes, from where.
    budget, support, seed, progress
        As in `search`.
    """
    gears, step = task.gears, task.resolution
    shaped, course = _course(task, budget, support, seed, progress)
    known = [*shaped.values(), *_guessed(task)]
    stages = course.run(_starts(course, known, task) if budget.rounds else known)
    progress("polish", 0.9)
    rounded = [step.pair(pair) for pair in shaped.values()]
    if task.freedom is None:
        bench = course.polish()
        apart = distinct(_ranked(course, stages))[: budget.polish_starts] if budget.rounds else []
        if not budget.together:
            apart.append(min(bench.stands([*rounded, *_guessed(task)]), key=bench.mean_cost))
        paths = _polished(bench, [at.pair for at in apart], task, budget)
    else:
        task = task.on_chosen(course, _ranked(course, stages)[0].pair)
        shaped, own = _course(task, budget, support, seed, progress)
        course = replace(course, known=own.known, pull=own.pull)
        bench = course.bench(budget.search_draws, judge=course.judge.hard())
        rounded = [step.pair(pair) for pair in shaped.values()]
        paths = [[bench.stand(task.axes)]]
    polished = min((path[-1] for path in paths), key=lambda at: at.cost)
    found = [at.pair for path in paths for at in (path[0], *path[1:-1:2], path[-1])]
    found += _guessed(task)
    found += [step.pair(blend(shaped["generic"], polished.pair, share)) for share in BLENDS]
    progress("judge", 0.97)
    jury = course.jury()
    final = course.verdict()
    at = _unless_dearer(final, _choice(jury, bench, found, rounded, task, budget), rounded)
    seen = None if support is None else support.on(at.pair)
    at, cells = settle(final, at, task.start, seen, gears, jury)
    untouched = final.stand(task.start)
    if final.mean_cost(untouched) < final.mean_cost(at):
        at, cells = untouched, ()
    named = {"start": task.start, "generic": shaped["generic"], "common practice": task.common}
    proposal = fill_untested(at.pair, gears)
    result = assemble(course, final, proposal, named, step, gears, cells, task.axes)
    if task.freedom is None:
        return result
    return replace(result, findings=(*result.findings, *moved(task.start, proposal)))


def _starts(course: Course, known: Sequence[GridPair], task: Task) -> list[GridPair]:
    """Return the best mixtures of known targets and rows with those of a scan, as many as the rounds start from."""
    targets, rows = scanned(task.axes, task.resolution.cut_max_pct)
    screen = course.bench(course.budget.screen_draws)
    mixed = mixtures(screen, [*known, *targets], [*known, *rows], task.gears)
    return mixed[: course.budget.starts]


def _ranked(course: Course, pairs: Sequence[GridPair]) -> list[Incumbent]:
    """Return the pairs as the jury sees them, the cheapest first."""
    return sorted(course.jury().stands(pairs), key=lambda at: at.cost)


def _guessed(task: Task) -> list[GridPair]:
    """Return the task's guess, if it has one, on its breakpoints and the controller's steps."""
    return [] if task.guess is None else [task.resolution.pair(on_axes(task.guess, task.axes))]


def _polished(bench: Bench, pairs: Sequence[GridPair], task: Task, budget: Budget) -> list[list[Incumbent]]:
    """Polish each pair once and the cheapest then as often as is left; the steps on the way of each polish.

    Without passes pairs are only put on the controller's steps and straightened.
    """
    once = min(1, budget.polish_passes)

    def polished(pair: GridPair, passes: int) -> list[Incumbent]:
        used = task.speed_range_kmh
        return polish(bench, pair, task.gears, task.resolution, used, passes=passes, wide=budget.wide)

    paths = [polished(pair, once) for pair in pairs]
    ahead = min((path[-1] for path in paths), key=lambda at: at.cost)
    left = budget.polish_passes - once
    return [*paths, polished(ahead.pair, left)] if left else paths


def _choice(
    jury: Bench,
    bench: Bench,
    found: Sequence[GridPair],
    known: Sequence[GridPair],
    task: Task,
    budget: Budget,
) -> GridPair:
    """Return the calmest of the jury's best, its calmer neighbours and the known pairs that cost as good as the same.

    Other pairs that were found stand for it too, but not with logs: which of them happens to be calmer is each seed's
    own chance.
    """
    at_hand, others = jury.stands(known), jury.stands(found)
    ahead = min(others, key=lambda at: at.cost)
    curves = curves_of(ahead.pair, task.gears, task.resolution, task.speed_range_kmh)
    few = bench if budget.together else bench.first(budget.search_draws)
    calmer = jury.stands([one.pair for one in calm(few, few.stand(ahead.pair), curves)])
    rivals = _no_dearer([*([ahead] if budget.together else others), *calmer], at_hand)
    return calmest(rivals, ceiling=min(one.cost for one in at_hand)).pair


def _no_dearer(found: Sequence[Incumbent], known: Sequence[Incumbent]) -> list[Incumbent]:
    """Return the known pairs and those found that cost no more than the cheapest of them."""
    least = min(at.cost for at in known)
    return [*(at for at in found if at.cost <= least), *known]


def _unless_dearer(final: Bench, chosen: GridPair, known: Sequence[GridPair]) -> Incumbent:
    """Return the chosen pair, or the cheapest of the known ones where that surely costs less by more than is equal.

    The jury knows more draws and scenarios than the verdict, so what the verdict's few might tell by chance is no
    reason.
    """
    at = final.stand(chosen)
    rival = min(final.stands(known), key=lambda one: one.cost)
    apart, error = final.dearer(at, rival)
    return rival if apart > max(EQUAL * rival.cost, SURE * error) else at


def _course(
    task: Task, budget: Budget, support: Support | None, seed: int, progress: Progress
) -> tuple[dict[str, GridPair], Course]:
    """Return the known pairs on the task's breakpoints, by name, and a search among them."""
    axes, step = task.axes, task.resolution
    shaped = {
        "start": on_axes(task.start, axes),
        "generic": fill_untested(step.pair(generic(axes, step.cut_max_pct)), task.gears),
        "common practice": on_axes(task.common, axes),
    }
    return shaped, task.course(budget, support, list(shaped.values()), seed, progress)
