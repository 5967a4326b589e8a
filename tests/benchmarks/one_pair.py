"""One good grid pair for every car, searched for on invented cars that no comparison uses.

    python tests/benchmarks/one_pair.py --cars 48

Every coordinate is free: the target's shape, the first gear's row and one row for all others. What is minimised is
the mean of the logarithm of the cost, so that no single wild car decides.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[n]) for n in (1, 2)]

from benchmarks.inventedcars import invented

from gridfit.grids import CutGrid, GridPair, common_practice
from gridfit.recovery import episode_cost, pair_cost
from gridfit.search.population import explore
from gridfit.search.space import generic, row_space, target_space
from gridfit.simulate.batch import Simulator

FIRST = 1000
"""Number of the first car that the one pair is searched on; comparisons use those from 0 on."""


class Family:
    """Points of a cube as grid pairs: the target, the first gear's row, and one row for the others."""

    def __init__(self, axes):
        self.axes = axes
        self.rows = row_space(axes.cut.slip_error_pct, 99.0)
        self.target = target_space(axes.target.speed_kmh, 25.0, 220.0)

    def names(self):
        rows = self.rows.names
        return (*self.target.names, *(f"first {n}" for n in rows), *(f"others {n}" for n in rows))

    def pair(self, point):
        k, e = len(self.target.names), len(self.rows.names)
        first, others = self.rows.row(point[k : k + e]), self.rows.row(point[k + e :])
        gear = self.axes.cut.gear
        rows = np.where((gear == 1)[:, None], first, others)
        return GridPair(self.target.grid(point[:k]), CutGrid(self.axes.cut.slip_error_pct, gear, rows))

    def unit(self, pair):
        rows = [self.rows.unit(pair.cut.row(gear)) for gear in (1, 2)]
        return np.concatenate([self.target.unit(pair.target), *rows])


def one_pair(cars, trials, untold):
    """Search the pair; also the logarithms of its cost and of the known one's, over the cars."""
    players = [(sheet, Simulator(sheet, scenarios, true)) for sheet, true, scenarios in
               (invented(FIRST + number, untold) for number in range(cars))]  # fmt: skip
    axes = common_practice(players[0][0])

    def costs(pairs):
        return np.array([pair_cost(episode_cost(player.parts(pairs)[:, :, 0])) for _, player in players]).T

    family = Family(axes)

    def score(points):
        return np.log(costs([family.pair(point) for point in points])).mean(axis=1)

    known = generic(axes, 100.0)
    at, value = family.unit(known), np.inf
    for round_ in range(4):
        value = float(score(at[None])[0])
        study = explore(score, at, value, family.names(), name=f"round {round_}", trials=trials // 4,
                        population=16, reach=0.4 if round_ < 2 else 0.2, seed=round_)  # fmt: skip
        at = np.array([study.best_trial.params[name] for name in family.names()])
        print(f"round {round_ + 1}: {study.best_value:.4f}", flush=True)
    found = family.pair(at)
    both = np.log(costs([known, found, axes]))
    return found, both


def main():
    """Read the call."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cars", type=int, default=48)
    parser.add_argument("--trials", type=int, default=1600)
    parser.add_argument("--untold", type=float, default=1.0, help="see inventedcars.invented")
    call = parser.parse_args()
    found, both = one_pair(call.cars, call.trials, call.untold)
    print("mean log of cost: known, found, start", both.mean(axis=1).round(4))
    print("speed  ", found.target.speed_kmh.tolist())
    print("target ", found.target.slip_pct.round(1).tolist())
    print("error  ", found.cut.slip_error_pct.tolist())
    print("gear 1 ", found.cut.cut_pct[0].round(0).tolist())
    print("others ", found.cut.cut_pct[1].round(0).tolist())


if __name__ == "__main__":
    main()
