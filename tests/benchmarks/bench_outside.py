"""Grid pairs on the outside plant: a long direct search for the best pair, and how much of its gap refine closes.

    python tests/benchmarks/bench_outside.py --search            search on each true car; writes tests/outside/best/
    python tests/benchmarks/bench_outside.py --grids CAR=FILE    score grid pairs beside start and best

Budget of the search, per car and start: CMA-ES over 21 numbers (target at three speeds, six cut breakpoints in each
of three gears), 60 generations of 14 on every third standard scenario, then 30 generations of 14 on all 84; starts
from the common-practice pair, and from any pair given with --from. About a second per pair on all scenarios.
"""

import argparse
import json
import sys
import time
from pathlib import Path

import numpy as np
from cmaes import CMA

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from outside.cars import CARS, car
from outside.closedloop import scenarios, score
from outside.logs import PAIRS, SPEEDS

BEST = Path(__file__).resolve().parents[1] / "outside" / "best"
"""Where the best pairs found lie, one document per car."""
KNOTS_KMH = np.array([20.0, 60.0, 130.0])
ERRORS_PCT = np.array([0.0, 2.0, 5.0, 10.0, 20.0, 40.0])
POPULATION, COARSE, FINE, SIGMA = 14, 60, 30, 0.25
STEP_PCT = 25.0
"""Cut [%] of one unit of an increment."""


def to_document(x, gears):
    """Grid pair of a search vector: log target excess [km/h] at the knots, then increments of each row."""
    excess = np.interp(SPEEDS, KNOTS_KMH, np.exp(x[:3]))
    rows = np.minimum(100.0, np.cumsum(STEP_PCT * np.maximum(0.0, x[3:].reshape(gears, -1)), axis=1))
    return {
        "format": "gridfit-grids/1",
        "target": {"speed_kmh": SPEEDS, "slip_pct": [float(t) for t in 100.0 * excess / np.array(SPEEDS)]},
        "cut": {
            "slip_error_pct": ERRORS_PCT.tolist(),
            "gear": list(range(1, gears + 1)),
            "cut_pct": [[float(c) for c in row] for row in rows],
        },
    }


def from_document(document, gears):
    """Search vector nearest to a grid pair."""
    slip = np.interp(KNOTS_KMH, document["target"]["speed_kmh"], document["target"]["slip_pct"])
    cut = document["cut"]
    own = np.array(cut["gear"])
    rows = []
    for gear in range(1, gears + 1):
        row = cut["cut_pct"][int(np.argmin(np.abs(own - gear)))]
        rows.append(np.interp(ERRORS_PCT, cut["slip_error_pct"], row))
    steps = np.diff(np.array(rows), axis=1, prepend=0.0) / STEP_PCT
    return np.concatenate([np.log(slip * KNOTS_KMH / 100.0), steps.ravel()])


def search(own, start, chosen, generations, sigma, seed, say):
    """CMA-ES from a vector on some scenarios; return the best vector and its cost."""
    gears = len(own.gears)
    low = np.concatenate([np.full(3, np.log(0.6)), np.zeros(start.size - 3)])
    high = np.concatenate([np.full(3, np.log(25.0)), np.full(start.size - 3, 4.0)])
    start = np.clip(start, low + 1e-6, high - 1e-6)
    engine = CMA(
        mean=start, sigma=sigma, bounds=np.stack([low, high], axis=1), population_size=POPULATION, seed=seed
    )
    best, least = start, score(own, to_document(start, gears), chosen)[0]
    for generation in range(generations):
        told = []
        for _ in range(POPULATION):
            x = engine.ask()
            cost = score(own, to_document(x, gears), chosen)[0]
            told.append((x, cost))
            if cost < least:
                best, least = x, cost
        engine.tell(told)
        if generation % 10 == 9:
            say(f"  generation {generation + 1}: {least:.3f}")
    return best, least


def best_of(number, extra, say=print):
    """Long direct search on one true car; write and return the best pair found."""
    own = car(number)
    everything = scenarios(own)
    started = time.perf_counter()
    found = []
    for name, document in {"common practice": PAIRS["grids_a"], **extra}.items():
        x = from_document(document, len(own.gears))
        say(f"{own.name} from {name}")
        x, _ = search(own, x, everything[::3], COARSE, SIGMA, 1, say)
        x, cost = search(own, x, everything, FINE, 0.3 * SIGMA, 2, say)
        found.append((cost, x, name))
    cost, x, name = min(found, key=lambda f: f[0])
    document = to_document(x, len(own.gears)) | {
        "found": {
            "car": own.name, "cost": round(cost, 4), "start": name, "starts": len(found),
            "pairs_on_a_third": COARSE * POPULATION, "pairs_on_all": FINE * POPULATION,
            "seconds": round(time.perf_counter() - started),
        }
    }  # fmt: skip
    BEST.mkdir(exist_ok=True)
    (BEST / f"{own.name}.json").write_text(json.dumps(document, indent=1) + "\n")
    return document


def gap(number, pairs, say=print):
    """Score pairs on a true car beside the common-practice start and the best found; print the gap closed."""
    own = car(number)
    chosen = scenarios(own)
    start = score(own, PAIRS["grids_a"], chosen)[0]
    best = score(own, json.loads((BEST / f"{own.name}.json").read_text()), chosen)[0]
    say(f"{own.name}: common-practice start {start:.2f}, best found {best:.2f}")
    for name, document in pairs.items():
        cost = score(own, document, chosen)[0]
        say(f"  {name}: {cost:.2f}, closes {100.0 * (start - cost) / (start - best):.1f} % of the gap")


def _named(entries):
    """CAR=FILE entries -> {car: {file: document}}."""
    table = {}
    for entry in entries:
        name, path = entry.split("=", 1)
        table.setdefault(name, {})[path] = json.loads(Path(path).read_text())
    return table


def main():
    """Read the call."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--search", action="store_true", help="search anew for the best pairs")
    parser.add_argument("--car", type=int, choices=range(len(CARS)), action="append")
    parser.add_argument("--from", dest="starts", action="append", default=[], metavar="CAR=FILE")
    parser.add_argument("--grids", action="append", default=[], metavar="CAR=FILE")
    call = parser.parse_args()
    starts, asked = _named(call.starts), _named(call.grids)
    for number in call.car or range(len(CARS)):
        name = car(number).name
        if call.search:
            best_of(number, starts.get(name, {}), lambda line: print(line, flush=True))
        gap(number, asked.get(name, {}))


if __name__ == "__main__":
    main()
