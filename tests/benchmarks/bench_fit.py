"""Time, memory and honesty of the fit, and time of the prior.

    python tests/benchmarks/bench_fit.py                      time and memory against the number of episodes
    python tests/benchmarks/bench_fit.py --prior              time of the prior and what it tells
    python tests/benchmarks/bench_fit.py --shares [FOLDER]    error, width and coverage with fewer episodes
    python tests/benchmarks/bench_fit.py --calibration CARS   ranks of the truth among draws, cars from the prior

Episodes are made by the plant itself, three windows each, full throttle and a cut, fitted under both tyre laws as
`gridfit.plant.identification.identify` does; each size runs in a process of its own, after a small fit that loads
the compiled code. Runs grow with the episodes (--per-run) unless --runs says how many there are.

FOLDER holds car sheet, runs and truth.json, laid out as tests/outside/make_cars.py writes them; without one, the
outside cars are made anew. With 0 % of the episodes the prior answers.

The fit gives data less weight than their noise asks for; with --exact it gives them their whole weight.
"""

import argparse
import dataclasses
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from gridfit.carsheet import read_carsheet
from gridfit.grids import common_practice, read_grids
from gridfit.plant.fit import fit
from gridfit.plant.identification import identify, law_weights
from gridfit.plant.posterior import draw
from gridfit.plant.prior import PRIOR_DRAWS, from_carsheet
from gridfit.signals.episodes import find
from gridfit.signals.prepare import prepare
from gridfit.signals.readers import expand, find_map, read_run
from gridfit.simulate.batch import evaluate
from gridfit.simulate.plantfiles import to_document
from gridfit.simulate.scenarios import catalogue
from tests.gridfit.plant.madewindows import made

ROOT = Path(__file__).resolve().parents[2]
SIZES = (100, 300, 1000, 1500, 3000)
WINDOWS_PER_EPISODE = 3
SHARES = (1.0, 0.3, 0.1, 0.03, 0.0)
REPEATS = 5


def season(sheet, episodes, runs):
    """Windows of so many episodes, made by a known plant."""
    count = WINDOWS_PER_EPISODE * episodes
    windows, _ = made(sheet, np.random.default_rng(3), count=count, runs=runs)
    number = np.arange(count) // WINDOWS_PER_EPISODE
    return dataclasses.replace(windows, episode=number, run=number * runs // episodes)


def peak_mb():
    """Largest resident memory of this process so far [MB]; Linux tells it in kB, macOS in bytes."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1e6 if sys.platform == "darwin" else 1e3)


def one_size(episodes, runs):
    """Fit one season under both laws; return what was measured."""
    sheet = read_carsheet(ROOT / "datasets" / "demo" / "car.toml")
    small = season(sheet, 4, 1)
    fit(sheet, small, {}, law=1, begin=fit(sheet, small, {}))
    windows, before = season(sheet, episodes, runs), peak_mb()
    started, used = time.perf_counter(), time.process_time()
    first = fit(sheet, windows, {})
    second = fit(sheet, windows, {}, law=1, begin=first)
    weights = law_weights((first, second))
    draw(sheet, first, np.random.default_rng(0))
    return {
        "seconds": time.perf_counter() - started, "cpu": time.process_time() - used, "before": before,
        "peak": peak_mb(), "rounds": [first.rounds, second.rounds],
        "settled": [first.settled, second.settled], "laws": weights,
    }  # fmt: skip


def _apart(episodes, runs):
    """The same in a process of its own."""
    call = [sys.executable, __file__, "--one", str(episodes), "--runs", str(runs)]
    done = subprocess.run(call, capture_output=True, text=True, check=False)
    if done.returncode:
        sys.exit(done.stderr)
    return json.loads(done.stdout.splitlines()[-1])


def growth(sizes, values):
    """Exponent of a power law through values by size, by least squares on logarithms [1]."""
    return float(np.polyfit(np.log(sizes), np.log(values), 1)[0])


def against_size(sizes, runs, per_run):
    """Print the table of time and memory against the number of episodes."""
    print("episodes  runs  windows  seconds  s/round  CPU s   MB before  MB peak  rounds  settled")
    seconds, per_round, memory = [], [], []
    for episodes in sizes:
        n = runs or max(1, round(episodes / per_run))
        got = _apart(episodes, n)
        seconds.append(got["seconds"])
        per_round.append(got["seconds"] / sum(got["rounds"]))
        memory.append(max(got["peak"] - got["before"], 1.0))
        rounds = "+".join(str(r) for r in got["rounds"])
        settled = "+".join("yes" if s else "no" for s in got["settled"])
        print(
            f"{episodes:8d} {n:5d} {WINDOWS_PER_EPISODE * episodes:8d} {got['seconds']:8.1f} {per_round[-1]:8.2f} "
            f"{got['cpu']:6.1f} {got['before']:11.0f} {got['peak']:8.0f}  {rounds:>6}  {settled}",
            flush=True,
        )
    if len(sizes) > 1:
        print(
            f"growth exponent: time {growth(sizes, seconds):.2f}, time per round {growth(sizes, per_round):.2f}, "
            f"memory above the start {growth(sizes, memory):.2f}"
        )


def prior_times():
    """Print how long the prior takes, with what it tells, and with the standard scenarios simulated."""
    sheet = read_carsheet(ROOT / "datasets" / "demo" / "car.toml")
    pair = common_practice(sheet)

    def plants(draws):
        return to_document(sheet, from_carsheet(sheet, np.random.default_rng(0), n_draws=draws))

    def scored(draws):
        plant = from_carsheet(sheet, np.random.default_rng(0), n_draws=draws)
        return evaluate(sheet, [pair], catalogue(sheet, plant, np.random.default_rng(1)), plant)

    print("draws  what                                          first [s]  median of 5 [s]")
    for name, work in (
        ("prior, gains, times, inertia, friction", plants),
        ("prior, one grid pair on all scenarios", scored),
    ):
        for draws in (PRIOR_DRAWS, 128):
            taken = []
            for _ in range(1 + REPEATS):
                started = time.perf_counter()
                work(draws)
                taken.append(time.perf_counter() - started)
            print(f"{draws:5d}  {name:44s}  {taken[0]:9.3f}  {statistics.median(taken[1:]):15.3f}")


def _prepared(folder):
    """Sheet, prepared runs, episodes and truth of a folder."""
    sheet = read_carsheet(folder / "sheet.toml")
    runs = [read_run(path, find_map(path), sheet) for path in expand([folder])]
    grids = {run.name: read_grids(folder / run.note.grids) for run in runs}
    signals = prepare(runs, sheet, grids)
    return sheet, signals, find(signals, sheet), json.loads((folder / "truth.json").read_text())


def with_shares(folder, seeds):
    """Print the table of one car; return rows (share, quantity, unit, error, half width, inside)."""
    from outside.shares import judged_gears, thinned, told

    sheet, signals, episodes, truth = _prepared(folder)
    gears, found = judged_gears(truth, episodes), []
    print(f"\n{truth['car']}: {len(episodes)} episodes, gears judged {gears}")
    for share in SHARES:
        for seed in range(seeds if 0.0 < share < 1.0 else 1):
            rng = np.random.default_rng([20, seed])
            if share == 0.0:
                plant, left = from_carsheet(sheet, rng), 0
            else:
                some, kept = thinned(signals, episodes, share, rng)
                plant, left = identify(sheet, some, kept, rng).plant, len(kept)
            rows = told(sheet, plant, truth, gears)
            found += [(share, *row) for row in rows]
            cells = [f"{q} {e:+.1f} ± {w:.1f} {u}{'' if inside else ' (out)'}" for q, u, e, w, inside in rows]
            print(f"{100 * share:4.0f} %, {left:4d} episodes: " + "; ".join(cells), flush=True)
    return found


def summary(found):
    """Print median size of error and of half width by share and quantity, gears together, and the coverage."""
    print("\nshare  quantity       median error  median half width  inside")
    for share in SHARES:
        mine = [row for row in found if row[0] == share]
        for name in ("peak friction", "slip at peak", "cut gain", "dead time"):
            some = [row for row in mine if row[1].startswith(name)]
            if some:
                error, width = (statistics.median(abs(row[i]) for row in some) for i in (3, 4))
                print(f"{100 * share:4.0f} %  {name:13s} {error:9.1f} {some[0][2]:6s} {width:10.1f} "
                      f"{some[0][2]:6s} {sum(row[5] for row in some):4d} of {len(some)}")  # fmt: skip
        print(f"{100 * share:4.0f} %  all: {sum(row[5] for row in mine)} of {len(mine)} inside")


def calibration(cars, exact, windows=12):
    """Print histograms of ranks, p-values of uniform ranks and of intervals that are not too narrow."""
    from gridfit.plant import fit as fitting
    from gridfit.plant import leastsquares as rounds
    from gridfit.plant import posterior
    from tests.gridfit.plant.calibrationcars import histogram, narrow_p, ranks, uniform_p

    sheet = read_carsheet(ROOT / "datasets" / "demo" / "car.toml")
    if exact:
        # three modules hold the figure
        rounds.MISMATCH = fitting.MISMATCH = posterior.MISMATCH = 1.0
    started = time.process_time()
    found = ranks(sheet, 77, cars, count=windows)
    print(f"{cars} cars of {windows} windows, {time.process_time() - started:.0f} s CPU")
    print("quantity        ranks, ten bins                               uniform p  too narrow p  in 90 %")
    for name, ranked in found.items():
        inside = np.mean((ranked >= 5) & (ranked < 95))
        print(
            f"{name:14s}  {histogram(ranked)!s:44s}  {uniform_p(ranked):9.4f}  {narrow_p(ranked):12.4f}  {inside:7.2f}"
        )


def main():
    """Read the call."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sizes", default=",".join(str(n) for n in SIZES))
    parser.add_argument("--runs", type=int, default=0, help="the same number of runs for every size")
    parser.add_argument("--per-run", type=int, default=50, help="episodes per run")
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--prior", action="store_true")
    parser.add_argument("--shares", nargs="*", type=Path, metavar="FOLDER")
    parser.add_argument("--calibration", type=int, metavar="CARS")
    parser.add_argument("--exact", action="store_true", help="data at their whole weight")
    parser.add_argument("--seeds", type=int, default=1, help="random choices of the episodes kept")
    call = parser.parse_args()
    if call.one:
        print(json.dumps(one_size(call.one, call.runs)))
    elif call.prior:
        prior_times()
    elif call.calibration:
        calibration(call.calibration, call.exact)
    elif call.shares is not None:
        with tempfile.TemporaryDirectory() as made_here:
            folders = call.shares
            if not folders:
                from outside.make_cars import CARS, make

                folders = [Path(made_here) / str(number) for number in range(len(CARS))]
                for number, folder in enumerate(folders):
                    make(number, folder)
            summary([row for folder in folders for row in with_shares(folder, call.seeds)])
    else:
        against_size([int(n) for n in call.sizes.split(",")], call.runs, call.per_run)


if __name__ == "__main__":
    main()
