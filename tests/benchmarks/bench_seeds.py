"""How far the grids of several seeds lie apart in cost: of proposals for invented cars, and of refines of real logs.

    python tests/benchmarks/bench_seeds.py --cars 4 --seeds 3
    python tests/benchmarks/bench_seeds.py --refine CAR GRIDS RUN... --seeds 4

A seed moves the search alone; plant and scenarios are the same for all. Judged on catalogues that no search saw, under
the plant that was searched, and for an invented car on the true one as well.
"""

import argparse
import sys
import time
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[n]) for n in (1, 2)]

from benchmarks.bench_search import fresh, problem, proposed, true_cost
from benchmarks.inventedcars import invented

from gridfit.evidence import count_support
from gridfit.grids import read_grids
from gridfit.recovery import episode_cost, pair_cost
from gridfit.search.budget import DRAWS
from gridfit.search.objective import robust
from gridfit.search.study import search
from gridfit.simulate.batch import Simulator
from gridfit.simulate.scenarios import catalogue
from pipelines.identify import identify
from pipelines.ingest import Source, ingest
from pipelines.progress import silent
from pipelines.proposal import PROBLEM_SEED, budget
from pipelines.usability import usable

FRESH = 24
"""Catalogues to judge on: with two of them chance alone sets pairs of one cost 1 % apart."""


def spread(costs):
    """Dearest over cheapest [%]."""
    return 100.0 * (max(costs) / min(costs) - 1.0)


def under(sheet, plant, pairs, number):
    """Mean cost of each pair under a plant, on catalogues that no search saw."""
    judged = fresh(sheet, plant, number, FRESH)
    return robust(pair_cost(episode_cost(Simulator(sheet, judged, plant).parts(pairs)), axis=1))


def of_proposals(cars, seeds):
    """Print the spread of proposals for invented cars."""
    print("car  spread under the plant that was searched  spread on the true car  costs under the plant")
    for number in range(cars):
        sheet, true, scenarios = invented(number)
        plant, _ = problem(sheet)
        pairs = [proposed(sheet, seed)[0] for seed in range(seeds)]
        costs, on_car = under(sheet, plant, pairs, number), true_cost(sheet, true, scenarios, pairs)
        told = " ".join(f"{cost:.3f}" for cost in costs)
        print(f"{number:3d}  {spread(costs):6.2f} %  {spread(on_car):6.2f} %  {told}", flush=True)


def of_refine(car, grids, runs, seeds):
    """Print the spread of what refine makes of logs, and the grids in force beside it."""
    logs = usable(ingest(Source(car, runs, grids=grids), silent), "refine")
    fit_seed, scenario_seed = np.random.SeedSequence(PROBLEM_SEED).spawn(2)
    plant = identify(logs, np.random.default_rng(fit_seed), DRAWS, silent).plant
    stated, driven = logs.sheet.tyre.compound, logs.episodes["compound"].value_counts().index
    plant = plant.on_compound(stated if stated in driven else str(driven[0]))
    scenarios = catalogue(logs.sheet, plant, np.random.default_rng(scenario_seed))
    start = read_grids(grids)
    support = count_support(start, logs.signals, logs.episodes)
    pairs, verdicts, began = [], [], time.perf_counter()
    for seed in range(1, seeds + 1):
        result = search(
            logs.sheet, plant, scenarios, start, budget=budget("normal"), support=support, seed=seed
        )
        pairs.append(result.best)
        verdicts.append(result.cost_best.mean)
    taken = (time.perf_counter() - began) / seeds
    in_force, *costs = under(logs.sheet, plant, [start, *pairs], 0)
    told = " ".join(f"{cost:.3f}" for cost in costs)
    print(f"{logs.sheet.car.name}: spread {spread(costs):.2f} %, by the searches' own verdict "
          f"{spread(verdicts):.2f} %; costs {told}, in force {in_force:.3f}; {taken:.1f} s a search")  # fmt: skip


def main():
    """Read the call."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--cars", type=int, default=0)
    parser.add_argument("--refine", type=Path, nargs="+", metavar="FILE")
    call = parser.parse_args()
    if call.cars:
        of_proposals(call.cars, call.seeds)
    if call.refine:
        car, grids, *runs = call.refine
        of_refine(car, grids, tuple(runs), call.seeds)


if __name__ == "__main__":
    main()
