"""The law from a car's own figures to its first grid pair, fitted on invented cars that no comparison uses.

    python tests/benchmarks/scaled_pair.py --cars 1600 --seconds 900 --out law.txt

What is minimised is how much dearer than the one pair for every car the drawn pair is, and how often. Each generation
of CMA-ES sees other cars, so that the law does not learn them by heart; the mean of the last generations is the law.
`--check` tells how the law in the product does on cars 24 to 71, each on several true plants.
"""

import argparse
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from cmaes import CMA
from scipy.special import expit

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[n]) for n in (1, 2)]

from benchmarks.inventedcars import another_truth, invented

from gridfit.grids import GridPair, common_practice
from gridfit.plant.prior import from_carsheet
from gridfit.recovery import episode_cost, pair_cost
from gridfit.search.objective import LEAST_SCALE
from gridfit.search.scaled import LAW, Law, figures, scaled
from gridfit.search.space import generic
from gridfit.simulate.batch import Simulator

FIRST = 2000
"""Number of the first car that the law is fitted on; comparisons use those from 0 on, the one pair those from 1000."""

SEEN, POPULATION, STEP, LAST = 400, 16, 0.1, 40
"""Cars of a generation, its points, the first step, and the generations whose mean is taken."""

BLUR = 0.04
"""Relative difference of cost over which costing more fades into costing less [1]."""


@dataclass(frozen=True)
class Car:
    """Axes, figures and largest cut of a car, its true plants, and what the one pair costs on each."""

    axes: GridPair
    told: np.ndarray
    cut_max_pct: float
    players: tuple
    known: np.ndarray

    def costs(self, laws):
        """Cost of the pair of each law on each true plant, float64[laws, players]."""
        return costs(self.players, [scaled(self.axes, self.told, self.cut_max_pct, law) for law in laws])


def costs(players, pairs):
    return np.array([pair_cost(episode_cost(player.parts(pairs)[:, :, 0])) for player in players]).T


def car(number, truths=1):
    """Invented car of that number with its own true plant and, for more, others that fit its sheet."""
    sheet, true, scenarios = invented(number)
    problems = [(true, scenarios)]
    rng = np.random.default_rng([777, number])
    problems += [another_truth(sheet, rng) for _ in range(truths - 1)]
    players = tuple(Simulator(sheet, scenarios, true, threads=1) for true, scenarios in problems)
    plant = from_carsheet(sheet, np.random.default_rng(0), n_draws=2)
    axes, most = common_practice(sheet), sheet.controller.cut_max_pct
    return Car(axes, figures(sheet, plant), most, players, costs(players, [generic(axes, most)])[0])


def relative(cars, cost):
    """Cost over the one pair's, less 1: float64[cars, laws, players]."""
    known = np.array([one.known for one in cars])
    scale = np.maximum(known, LEAST_SCALE * known.mean())
    return (cost - known[:, None]) / scale[:, None]


def told(cars, law, pool):
    """Words on how a law does."""
    rel = relative(cars, np.array(list(pool.map(lambda one: one.costs([law]), cars))))
    return (
        f"dearer by {100 * rel.mean():+.1f} % on average, {100 * np.median(rel):+.1f} % in the median; beats the one "
        f"pair on {100 * (rel < 0).mean():.0f} % of {rel.size} true cars, on {(rel[:, 0, 0] < 0).sum()} of {len(cars)} "
        "own ones"
    )


def fitted(cars, seconds, pool, say):
    """Law that CMA-ES ends with."""
    start = np.concatenate([np.ravel(part) for part in (LAW.cut_logit, LAW.cut_bend, LAW.target_log, LAW.target_fall,
                                                        LAW.target_bend)])  # fmt: skip
    search = CMA(mean=start, sigma=STEP, population_size=POPULATION, seed=2)
    rng, means, end = np.random.default_rng(0), [], time.monotonic() + seconds
    while time.monotonic() < end:
        seen = [cars[i] for i in rng.choice(len(cars), min(len(cars), SEEN), replace=False)]
        points = [search.ask() for _ in range(POPULATION)]
        laws = [Law.of(point) for point in points]
        rel = relative(seen, np.array(list(pool.map(lambda one, laws=laws: one.costs(laws), seen))))[:, :, 0]
        loss = np.clip(rel, -0.5, 1.0).mean(axis=0) + expit(rel / BLUR).mean(axis=0)
        search.tell(list(zip(points, loss, strict=True)))
        means.append(search.mean)
        if len(means) % 25 == 0:
            say(f"generation {len(means)}: loss {loss.mean():.4f}")
    return np.mean(means[-LAST:], axis=0)


def main():
    """Read the call."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cars", type=int, default=1600)
    parser.add_argument("--seconds", type=float, default=900.0)
    parser.add_argument("--out", type=Path, default=Path("law.txt"))
    parser.add_argument("--check", action="store_true")
    call = parser.parse_args()
    with ThreadPoolExecutor(2) as pool:
        others = list(pool.map(lambda number: car(number, 10), range(24, 72)))
        print("law of the product:", told(others, LAW, pool), flush=True)
        if call.check:
            return
        cars = list(pool.map(car, range(FIRST, FIRST + call.cars)))
        found = fitted(cars, call.seconds, pool, lambda text: print(text, flush=True))
        print("law found:", told(others, Law.of(found), pool))
    call.out.write_text(np.array2string(found.round(3), separator=", ", max_line_width=100) + "\n")


if __name__ == "__main__":
    main()
