"""Samplers at equal time on invented cars: how far each is above the best that any of them found, as time goes on.

    python tests/benchmarks/bench_samplers.py --cars 12 --seconds 4 --out DIR

Every search is the default's rounds of rows and target, without front and polish, on eight draws of the car's plant,
and ends when its time is up. Writes samplers.csv (best cost so far at even times) and samplers.svg to DIR.
"""

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[n]) for n in (1, 2)]

from benchmarks.inventedcars import invented

from gridfit.grids import common_practice
from gridfit.plant.prior import from_carsheet
from gridfit.search.budget import Budget
from gridfit.search.samplers import SAMPLERS
from gridfit.search.study import search
from gridfit.simulate.scenarios import catalogue
from pipelines.report.drawing import svg

DRAWS = 8
BUDGET = Budget(
    rounds=1000, trials_per_gear=32, trials_target=32, front_trials=0, screen_draws=DRAWS, search_draws=DRAWS,
    final_draws=DRAWS, per_gear=1000, polish_passes=0,
)  # fmt: skip
SHARES = np.arange(1, 21) / 20.0


def course(number, sampler, seconds, seed):
    """Best cost so far at even times, float64[20], of one search."""
    sheet, _, _ = invented(number)
    plant = from_carsheet(sheet, np.random.default_rng([5, number]), n_draws=DRAWS)
    scenarios = catalogue(sheet, plant, np.random.default_rng([6, number]))
    # for_draws doubles the trials of a plant of few draws: a round is as long as with many
    budget = replace(BUDGET, seconds=seconds, sampler=sampler, trials_per_gear=16, trials_target=16)
    result = search(sheet, plant, scenarios, common_practice(sheet), budget=budget, seed=seed)
    trials = [trial for study in result.studies.values() for trial in study.get_trials(deepcopy=False)]
    times = np.array([trial.datetime_complete.timestamp() for trial in trials])
    # from the first trial on: the scan of starts is the same for all
    times -= times.min()
    values = np.array([trial.value for trial in trials])
    best = [values[times <= share * times.max()].min() for share in SHARES]
    return np.array(best), len(trials), times.max()


def compare(cars, seconds, seeds):
    """Table of all searches, car by car, interleaved."""
    rows = []
    for number in range(cars):
        for seed in range(seeds):
            for sampler in SAMPLERS:
                best, trials, lasted = course(number, sampler, seconds, seed)
                rows += [(number, seed, sampler, share * seconds, cost, trials, lasted)
                         for share, cost in zip(SHARES, best, strict=True)]  # fmt: skip
        print(f"car {number} done", flush=True)
    table = pd.DataFrame(rows, columns=["car", "seed", "sampler", "seconds", "cost", "trials", "lasted_s"])
    best = table.groupby("car")["cost"].transform("min")
    table["over_pct"] = 100.0 * (table["cost"] / best - 1.0)
    return table


def picture(table):
    """Median over cars and seeds against time, one line per sampler."""

    def draw(axes):
        for sampler, own in table.groupby("sampler"):
            middle = own.groupby("seconds")["over_pct"].median()
            axes[0].plot(middle.index, middle.to_numpy(), label=sampler)
        axes[0].set(xlabel="time [s]", ylabel="above the best found [%]", ylim=(0.0, None))
        axes[0].legend()

    # a figure of a page has no name space of its own; a file needs one
    spaces = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" width="756" height="324"'
    return svg(draw, name="samplers").replace("<svg ", f"<svg {spaces} ", 1)


def main():
    """Read the call."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cars", type=int, default=12)
    parser.add_argument("--seconds", type=float, default=4.0)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    call = parser.parse_args()
    table = compare(call.cars, call.seconds, call.seeds)
    call.out.mkdir(parents=True, exist_ok=True)
    table.to_csv(call.out / "samplers.csv", index=False)
    (call.out / "samplers.svg").write_text(picture(table), encoding="utf-8")
    for share in (0.25, 0.5, 1.0):
        own = table[np.isclose(table["seconds"], share * call.seconds)]
        figures = own.groupby("sampler").agg(median=("over_pct", "median"), worst=("over_pct", "max"),
                                             trials=("trials", "median"), seconds=("lasted_s", "median"))  # fmt: skip
        print(f"after {share * call.seconds:.1f} s, % above the best found:\n{figures.round(2).to_string()}")


if __name__ == "__main__":
    main()
