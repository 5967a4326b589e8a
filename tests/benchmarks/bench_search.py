"""Proposals for invented cars whose truth is known exactly: against the one pair for all cars, and against the best.

    python tests/benchmarks/bench_search.py --cars 24      propose from a wrong sheet, judged on the true car
        --untold 0     the same where cars differ from their sheets by the sheets' own errors alone
    python tests/benchmarks/bench_search.py --exact 12     the default search on the true car against 20 times its time
    python tests/benchmarks/bench_search.py --places 8     breakpoints chosen against breakpoints kept

`propose` sees the sheet of an invented car (inventedcars.py), the judge its true plant, on a catalogue that no search
saw. The common-practice start is 15 km/h of slip and 25 % of cut; the one pair was searched for on other invented cars
(one_pair.py).
"""

import argparse
import statistics
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[n]) for n in (1, 2)]

from benchmarks.inventedcars import invented

from gridfit.cartables import thinned
from gridfit.grids import common_practice
from gridfit.plant.prior import from_carsheet
from gridfit.recovery import episode_cost, pair_cost
from gridfit.search.budget import DRAWS, Budget
from gridfit.search.objective import robust
from gridfit.search.space import generic
from gridfit.search.study import EXTRA_CATALOGUES, search
from gridfit.simulate.batch import VERIFY_STEP_S, Simulator
from gridfit.simulate.scenarios import catalogue, join
from pipelines.proposal import PROBLEM_SEED, first_budget

TIMES = 20.0
"""How many times the default search's time all longer searches of a known car have together."""

RIVALS = ((2, "cmaes"), (3, "cmaes"), (4, "nsga2"), (5, "tpe"))
"""Seed and sampler of each longer search."""

LONG = Budget(rounds=1000)
"""A search that goes on until its time is up."""


def true_cost(sheet, true, scenarios, pairs):
    """Cost of each pair on the true car, jumps and all, at the fine step."""
    parts = Simulator(sheet, scenarios, true, step_s=VERIFY_STEP_S).parts(pairs)[:, :, 0]
    return pair_cost(episode_cost(parts))


def fresh(sheet, plant, number, count=6):
    """Catalogues that no search saw."""
    return join([catalogue(sheet, plant, np.random.default_rng([77, number, i])) for i in range(count)])


def posed(sheet, true, scenarios):
    """All scenarios that a search with these standard ones plays."""
    rng = np.random.default_rng(EXTRA_CATALOGUES)
    return join([scenarios, *[catalogue(sheet, true, rng) for _ in range(Budget().catalogues - 1)]])


def problem(sheet):
    """Plant and scenarios that `propose` searches on."""
    plant_seed, scenario_seed = np.random.SeedSequence(PROBLEM_SEED).spawn(2)
    plant = from_carsheet(sheet, np.random.default_rng(plant_seed), n_draws=DRAWS, wheels_set=True)
    return plant, catalogue(sheet, plant, np.random.default_rng(scenario_seed))


def proposed(sheet, seed):
    """What `propose` does with a sheet: the pair, and the seconds it took."""
    began = time.perf_counter()
    plant, scenarios = problem(sheet)
    result = search(sheet, plant, scenarios, common_practice(sheet), budget=first_budget("normal"), seed=seed)
    return result.best, time.perf_counter() - began


def against_one_pair(cars, untold):
    """Print each car's costs, and how often the proposal beats the one pair.

    Judged on six catalogues of the car, since 28 scenarios a gear tell two pairs apart by luck as well; what the car's
    first one alone says stands in the last line.
    """
    rows, alone, seconds = [], [], []
    print("car  start  one pair  proposal  seconds")
    for number in range(cars):
        sheet, true, scenarios = invented(number, untold)
        start = common_practice(sheet)
        pair, taken = proposed(sheet, 1)
        pairs = [start, generic(start, sheet.controller.cut_max_pct), pair]
        rows.append(true_cost(sheet, true, fresh(sheet, true, number), pairs))
        alone.append(true_cost(sheet, true, scenarios, pairs))
        seconds.append(taken)
        print(f"{number:3d}" + "".join(f" {cost:8.2f}" for cost in rows[-1]) + f"  {taken:5.1f}", flush=True)
    print(
        f"{_wins(rows)}; median time {statistics.median(seconds):.1f} s\non the first catalogue: {_wins(alone)}"
    )


def _wins(rows):
    """Words on how the proposals of many cars do, from rows of start, one pair, proposal."""
    start, one, own = np.array(rows).T
    return (
        f"proposal beats the one pair on {(own < one).sum()} of {own.size}, is the one pair on {(own == one).sum()}; "
        f"costs more than the start on {(own > start).sum()} (the one pair: {(one > start).sum()}); median cost over "
        f"the one pair's {np.median(own / one):.3f}, mean {np.mean(own / one):.3f}"
    )


def exact_search(sheet, true, scenarios, budget, seed):
    """Search on the true car alone; the pair, and the seconds."""
    began = time.perf_counter()
    result = search(sheet, true, scenarios, common_practice(sheet), budget=budget, seed=seed)
    return result.best, time.perf_counter() - began


def against_long(cars):
    """Print the default search on known cars beside the best of several longer ones.

    Judged on all the scenarios that they searched on, and beside that on catalogues that none of them saw.
    """
    over, closed, anew = [], [], []
    print(
        "car  start   default     best  by         over best  gap closed  on new scenarios  seconds  of the longer ones"
    )
    for number in range(cars):
        sheet, true, scenarios = invented(number)
        own, taken = exact_search(sheet, true, scenarios, Budget(), 1)
        seconds = TIMES * taken / len(RIVALS)
        rivals, long_taken = [], 0.0
        for seed, sampler in RIVALS:
            budget = replace(LONG, seconds=0.8 * seconds, sampler=sampler)
            pair, lasted = exact_search(sheet, true, scenarios, budget, seed)
            rivals.append(pair)
            long_taken += lasted
        pairs = [common_practice(sheet), own, *rivals]
        start, cost, *others = true_cost(sheet, true, posed(sheet, true, scenarios), pairs)
        by = int(np.argmin([cost, *others]))
        new = true_cost(sheet, true, fresh(sheet, true, number), [own, pairs[1 + by]])
        anew.append(new[0] / new[1] - 1.0)
        best = min([cost, *others])
        over.append(cost / best - 1.0)
        closed.append((start - cost) / (start - best))
        name = "default" if by == 0 else "{1} {0}".format(*RIVALS[by - 1])
        print(f"{number:3d} {start:7.2f} {cost:8.3f} {best:8.3f}  {name:9s}  {100 * over[-1]:6.2f} %  {closed[-1]:8.3f}"
              f"  {100 * anew[-1]:12.2f} %  {taken:8.1f}  {long_taken:8.1f}", flush=True)  # fmt: skip
    print(f"over the best: median {100 * statistics.median(over):.2f} %, worst {100 * max(over):.2f} %; gap closed: "
          f"median {statistics.median(closed):.3f}, least {min(closed):.3f}; over the same pair on new scenarios: "
          f"median {100 * statistics.median(anew):.2f} %, worst {100 * max(anew):.2f} %")  # fmt: skip


def table_of(sheet, speeds, errors, free):
    """The sheet of a controller whose tables have these breakpoints, kept or free."""
    controller = sheet.controller.model_copy(
        update={
            "speed_breakpoints": tuple(speeds), "error_breakpoints": tuple(errors), "free_breakpoints": free,
            "speed_columns": len(speeds), "error_columns": len(errors),
        }
    )  # fmt: skip
    return replace(sheet, controller=controller)


def over_places(cars):
    """Print the costs of proposals with breakpoints kept and chosen, on catalogues that no search saw.

    Three tables: the usual breakpoints, 5 x 6 of them, and 5 x 6 evenly spaced ones. Under the sheet's plant (robust
    over its draws) and on the true car.
    """
    base = invented(0)[0].controller
    speeds, errors = base.speed_breakpoints, base.error_breakpoints
    tables = {
        "usual 10 x 7": (speeds, errors),
        "usual 5 x 6": (thinned(speeds, 5), thinned(errors, 6)),
        "even 5 x 6": (np.linspace(0.0, 240.0, 5).tolist(), np.linspace(0.0, 50.0, 6).tolist()),
    }
    ratios = {}
    print(
        "car  table          kept: plant, true, s       chosen: plant, true, s     chosen speeds; slip errors"
    )
    for number in range(cars):
        sheet, true, _ = invented(number)
        plant, _ = problem(sheet)
        judged = fresh(sheet, plant, number, 3)
        for name, table in tables.items():
            row = []
            for free in (False, True):
                pair, taken = proposed(table_of(sheet, *table, free), 1)
                under = pair_cost(episode_cost(Simulator(sheet, judged, plant).parts([pair])), axis=1)
                row += [float(robust(under)[0]), float(true_cost(sheet, true, judged, [pair])[0]), taken]
            ratios.setdefault(name, []).append((row[3] / row[0], row[4] / row[1], row[5] / row[2]))
            places = " ".join(f"{x:g}" for x in pair.target.speed_kmh), pair.cut.slip_error_pct
            print(f"{number:3d}  {name:13s}" + "".join(f" {x:8.3f}" for x in row)
                  + f"  {places[0]}; {' '.join(f'{x:g}' for x in places[1])}", flush=True)  # fmt: skip
    for name, rows in ratios.items():
        median, worst = np.median(rows, axis=0), np.max(rows, axis=0)
        print(f"{name}: chosen over kept, median {median[0]:.3f} under the plant (worst {worst[0]:.3f}), "
              f"{median[1]:.3f} on the true car (worst {worst[1]:.3f}), {median[2]:.2f} of the time")  # fmt: skip


def main():
    """Read the call."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cars", type=int, default=0)
    parser.add_argument("--untold", type=float, default=1.0)
    parser.add_argument("--exact", type=int, default=0)
    parser.add_argument("--places", type=int, default=0)
    call = parser.parse_args()
    if call.cars:
        against_one_pair(call.cars, call.untold)
    if call.exact:
        against_long(call.exact)
    if call.places:
        over_places(call.places)


if __name__ == "__main__":
    main()
