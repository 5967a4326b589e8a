"""Write an outside car's sheet, runs and truth into a folder: python tests/outside/make_cars.py --out DIR --car 0."""

import argparse
import json
import sys
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from outside.cars import CARS, car
from outside.logs import AXLES_MAP, FOUR_MAP, write_grids, write_run
from outside.truth import truth

GRIPS = ((1.01, 0.985), (0.97, 0.99), (0.995, 0.96))
"""Grip of even ground at the start and at the end of each run, over the tyre's own [1]."""
PAIR_NAMES = ("grids_a", "grids_b", "grids_c")
"""Grid pair in force in each run."""


def make(number, folder, seconds=420.0, runs=3, seed=20251125):
    """Write one car; return its truth.

    Parameters
    ----------
    number : int
        Which car of `outside.cars.CARS`.
    folder : pathlib.Path
        Where to; made if missing.
    seconds : float
        Length of a run [s].
    runs : int
        How many, at most three.
    seed : int
        The same seed gives the same files.
    """
    own = car(number)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "sheet.toml").write_text(own.sheet)
    (folder / "channels.toml").write_text(FOUR_MAP if own.style == "four" else AXLES_MAP)
    write_grids(folder, len(own.ratios))
    rng = np.random.default_rng([seed, number])
    told = [write_run(own, folder, i + 1, PAIR_NAMES[i], GRIPS[i], seconds, rng) for i in range(runs)]
    whole = truth(own, told)
    (folder / "truth.json").write_text(json.dumps(whole, indent=1) + "\n")
    return whole


def main():
    """Read the call and write the cars asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--car", type=int, choices=range(len(CARS)))
    parser.add_argument("--seconds", type=float, default=420.0)
    call = parser.parse_args()
    for number in range(len(CARS)) if call.car is None else [call.car]:
        folder = call.out if call.car is not None else call.out / car(number).name
        whole = make(number, folder, call.seconds)
        count = {}
        for run in whole["runs"]:
            for one in run["episodes"]:
                count[one["gear"]] = count.get(one["gear"], 0) + 1
        sys.stdout.write(f"{folder}: {whole['car']}, episodes by gear {dict(sorted(count.items()))}\n")


if __name__ == "__main__":
    main()
