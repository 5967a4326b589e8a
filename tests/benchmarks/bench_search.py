"""Proposals for invented cars whose truth is known exactly: against the one pair for all cars, and against the best.

    python tests/benchmarks/bench_search.py --cars 24      propose from a wrong sheet, judged on the true car
    python tests/benchmarks/bench_search.py --exact 12     the default search on the true car against a long one
    python tests/benchmarks/bench_search.py --seeds 5      the same search under other seeds

`propose` sees the sheet of an invented car (inventedcars.py), the judge its true plant, on a catalogue that no search
saw. The common-practice start is 15 km/h of slip and 25 % of cut; the one pair is searched for on other invented cars.
"""

import argparse
import statistics
import sys
import time
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[n]) for n in (1, 2)]

from benchmarks.inventedcars import invented

from gridfit.grids import common_practice
from gridfit.plant.prior import from_carsheet
from gridfit.recovery import episode_cost, pair_cost
from gridfit.search.budget import DRAWS, Budget
from gridfit.search.space import generic
from gridfit.search.study import search
from gridfit.simulate.batch import VERIFY_STEP_S, Simulator
from gridfit.simulate.scenarios import catalogue

LONG = Budget(
    rounds=10, trials_per_gear=192, trials_target=192, joint_trials=320, per_gear=1000, polish_passes=8,
    screen_draws=1, search_draws=1, final_draws=1,
)  # fmt: skip
"""A search of a known car that lasts several times as long as the default one; the table tells both times."""


def true_cost(sheet, true, scenarios, pairs):
    """Cost of each pair on the true car, jumps and all, at the fine step."""
    parts = Simulator(sheet, scenarios, true, step_s=VERIFY_STEP_S).parts(pairs)[:, :, 0]
    return pair_cost(episode_cost(parts))


def proposed(sheet, seed):
    """What `propose` does with a sheet: the pair, and the seconds it took."""
    began = time.perf_counter()
    plant = from_carsheet(sheet, np.random.default_rng([seed, 1]), n_draws=DRAWS)
    scenarios = catalogue(sheet, plant, np.random.default_rng([seed, 2]))
    result = search(sheet, plant, scenarios, common_practice(sheet), seed=seed)
    return result.best, time.perf_counter() - began


def against_one_pair(cars):
    """Print each car's costs, and how often the proposal beats the one pair."""
    wins, worse, gaps, seconds = 0, 0, [], []
    print(
        "car  start   one pair  proposal  gap closed by one pair  by proposal (start to cheapest of three)  seconds"
    )
    for number in range(cars):
        sheet, true, scenarios = invented(number)
        start = common_practice(sheet)
        pair, taken = proposed(sheet, 1)
        one = generic(start, sheet.controller.cut_max_pct)
        costs = true_cost(sheet, true, scenarios, [start, one, pair])
        wins, worse = wins + int(costs[2] < costs[1]), worse + int(costs[2] > costs[0])
        gaps.append(costs[2] / costs[1])
        seconds.append(taken)
        share = (costs[0] - costs[1:]) / (costs[0] - costs.min())
        figures = " ".join(f"{cost:8.2f}" for cost in costs)
        print(f"{number:3d} {figures}  {share[0]:6.2f} {share[1]:6.2f}  {taken:5.1f}", flush=True)
    print(f"proposal beats the one pair on {wins} of {cars}; costs more than the start on {worse}; median cost over "
          f"the one pair's {statistics.median(gaps):.3f}; median time {statistics.median(seconds):.1f} s")  # fmt: skip


def exact_search(sheet, true, scenarios, budget, seed):
    """Search on the true car alone; the pair's cost there, and the seconds."""
    began = time.perf_counter()
    result = search(sheet, true, scenarios, common_practice(sheet), budget=budget, seed=seed)
    return float(true_cost(sheet, true, scenarios, [result.best])[0]), time.perf_counter() - began


def against_long(cars):
    """Print the default search on known cars beside one that lasts several times as long."""
    over = []
    print("car  start   default    best  over best  gap closed  seconds  seconds of the long one")
    for number in range(cars):
        sheet, true, scenarios = invented(number)
        start = float(true_cost(sheet, true, scenarios, [common_practice(sheet)])[0])
        cost, taken = exact_search(sheet, true, scenarios, Budget(), 1)
        longest, long_taken = exact_search(sheet, true, scenarios, LONG, 2)
        best = min(cost, longest)
        over.append(cost / best - 1.0)
        print(f"{number:3d} {start:7.2f} {cost:8.3f} {best:8.3f}  {100 * over[-1]:6.2f} %  "
              f"{(start - cost) / (start - best):6.3f}  {taken:6.1f}  {long_taken:6.1f}", flush=True)  # fmt: skip
    print(f"over the best: median {100 * statistics.median(over):.2f} %, worst {100 * max(over):.2f} %")


def over_seeds(seeds, number=0):
    """Print the cost of proposals for one car under several seeds, on the true car."""
    sheet, true, scenarios = invented(number)
    costs = [float(true_cost(sheet, true, scenarios, [proposed(sheet, seed)[0]])[0]) for seed in range(seeds)]
    print(f"car {number}: " + ", ".join(f"{cost:.3f}" for cost in costs))
    print(f"largest over smallest: {100 * (max(costs) / min(costs) - 1):.1f} %")


def main():
    """Read the call."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cars", type=int, default=0)
    parser.add_argument("--exact", type=int, default=0)
    parser.add_argument("--seeds", type=int, default=0)
    call = parser.parse_args()
    if call.cars:
        against_one_pair(call.cars)
    if call.exact:
        against_long(call.exact)
    if call.seeds:
        over_seeds(call.seeds)


if __name__ == "__main__":
    main()
