"""What a person waits for: propose as a command, the search of a refine, a what-if; and what a trial costs besides.

    python tests/benchmarks/bench_times.py --rounds 5

The demo car, everything compiled already. `propose` is timed as a new process with its report and its tracked run in a
store that exists; refine's search on the plant that the demo's logs give, from the grids in force.
"""

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
import tracemalloc
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[n]) for n in (1, 2)]

from benchmarks.bench_search import problem
from benchmarks.inventedcars import invented

from gridfit.carsheet import read_carsheet
from gridfit.evidence import count_support
from gridfit.grids import common_practice, read_grids
from gridfit.search.study import search
from gridfit.simulate.batch import Simulator
from gridfit.simulate.scenarios import catalogue
from pipelines.identify import identify
from pipelines.ingest import Source, ingest
from pipelines.progress import silent
from pipelines.proposal import first_budget

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "datasets" / "demo"
WHAT_IF_DRAWS = 16
MANY_GEARS = 0
"""Number of an invented car of which five gears break traction."""
COMMAND = "import sys; from pipelines.cli import main; sys.exit(main())"


class InKernel:
    """Adds up the time in the simulator and the pairs that it played."""

    def __enter__(self):
        self.seconds, self.pairs, self._play = 0.0, 0, Simulator.play

        def play(simulator, pairs, *rest):
            began = time.perf_counter()
            found = self._play(simulator, pairs, *rest)
            self.seconds += time.perf_counter() - began
            self.pairs += len(pairs)
            return found

        Simulator.play = play
        return self

    def __exit__(self, *error):
        Simulator.play = self._play


def told(name, times, bar, unit="s"):
    """Print one line; a missed bar is called so."""
    middle = statistics.median(times)
    met = "met" if middle <= bar else "MISSED"
    print(
        f"{name:58s} {middle:8.3f} {unit:2s} {min(times):8.3f} .. {max(times):<8.3f} at most {bar:<6g} {met}"
    )


def propose(rounds):
    """Seconds of the command, after one that makes the store and warms the caches."""
    times = []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(rounds + 1):
            began = time.perf_counter()
            subprocess.run(
                [sys.executable, "-c", COMMAND, "propose", DEMO / "car.toml", "--out", Path(folder) / str(number),
                 "--tracking", Path(folder) / "runs"],
                check=True, cwd=ROOT, capture_output=True, env={**os.environ, "PYTHONDONTWRITEBYTECODE": ""},
            )  # fmt: skip
            times.append(time.perf_counter() - began)
            assert (Path(folder) / str(number) / "report.html").is_file()
    print(f"propose for the first time in a folder: {times[0]:.1f} s")
    return times[1:]


def timed_search(rounds, sheet, plant, scenarios, start, **more):
    """Seconds of a whole search, and milliseconds outside the simulator for each of Optuna's trials."""
    times, besides = [], []
    for _ in range(rounds):
        with InKernel() as kernel:
            began = time.perf_counter()
            result = search(sheet, plant, scenarios, start, **more)
            times.append(time.perf_counter() - began)
        besides.append(1000.0 * (times[-1] - kernel.seconds) / len(result.history))
    print(
        f"   {len(result.history)} trials, {kernel.pairs} pairs in deals played, simulator {kernel.seconds:.1f} s"
    )
    return times, besides


def what_if(rounds, sheet, plant, scenarios):
    """Milliseconds of an edited pair over the whole catalogue."""
    simulator, pair = Simulator(sheet, scenarios, plant), common_practice(sheet)
    times = []
    for _ in range(20 * rounds):
        began = time.perf_counter()
        simulator.parts([pair], draws=WHAT_IF_DRAWS)
        times.append(1000.0 * (time.perf_counter() - began))
    return times


def memory(sheet, plant, scenarios, **more):
    """Largest memory of Python's and numpy's that a search holds [MB]."""
    tracemalloc.start()
    search(sheet, plant, scenarios, common_practice(sheet), **more)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return most / 1e6


def main():
    """Read the call."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rounds", type=int, default=5)
    rounds = parser.parse_args().rounds
    print(f"load before {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    told("propose, the whole command", propose(rounds), 10.0)
    sheet = read_carsheet(DEMO / "car.toml")
    plant, scenarios = problem(sheet)
    first = first_budget("normal")
    times, _ = timed_search(rounds, sheet, plant, scenarios, common_practice(sheet), budget=first)
    told("propose's search", times, 10.0)
    many = invented(MANY_GEARS)[0]
    times, _ = timed_search(rounds, many, *problem(many), common_practice(many), budget=first)
    told("the same, five gears that break traction", times, 10.0)
    told(
        f"what-if, {len(scenarios)} scenarios x {WHAT_IF_DRAWS} draws",
        what_if(rounds, sheet, plant, scenarios),
        50.0,
        "ms",
    )
    told("memory of propose's search", [memory(sheet, plant, scenarios, budget=first)], 500.0, "MB")
    source = Source(DEMO / "car.toml", (DEMO / "soft",), grids=DEMO / "grids_milder.json")
    logs = ingest(source, silent)
    fitted = identify(logs, np.random.default_rng(1), len(plant), silent).plant.on_compound("soft")
    start = read_grids(source.grids)
    played = catalogue(logs.sheet, fitted, np.random.default_rng(2))
    cells = count_support(start, logs.signals, logs.episodes)
    times, besides = timed_search(rounds, logs.sheet, fitted, played, start, support=cells)
    told("refine's search", times, 30.0)
    told("outside the simulator, a trial", besides, 3.0, "ms")
    told("memory of refine's search", [memory(logs.sheet, fitted, played, support=cells)], 500.0, "MB")


if __name__ == "__main__":
    main()
