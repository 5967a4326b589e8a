"""How long a comparison takes: 3 compounds x 8 runs of the outside plant, through the command line's own job.

    python tests/benchmarks/bench_compare.py [--runs 8] [--seconds 240] [--keep DIR]

Prints wall and processor time of each stage, peak memory, and the differences found beside the true ones. The season is
made first (`tests/outside/season.py`: runs take turns, grip differs by 2 % from run to run) and is not counted.
"""

import argparse
import json
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from outside.season import THREE, make_season

from pipelines.compare import run
from pipelines.comparing import CompareRequest
from pipelines.delivery import Delivery
from pipelines.ingest import Source

STAGES = ("reading", "calibrating", "finding", "fitting", "reading each", "searching")


def measured(folder, out):
    """Run the job; return its summary, total wall and processor time, and the times at which stages began."""
    began = time.perf_counter(), time.process_time()
    stages = {}

    def progress(stage, share):
        name = max((one for one in STAGES if stage.startswith(one)), key=len, default=stage)
        stages.setdefault(name, (time.perf_counter() - began[0], time.process_time() - began[1]))

    request = CompareRequest(Source(folder / "sheet.toml", (folder,)), Delivery(out), progress=progress)
    result = run(request)
    return result, (time.perf_counter() - began[0], time.process_time() - began[1]), stages


def main():
    """Make the season, run the job, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=8)
    parser.add_argument("--seconds", type=float, default=240.0)
    parser.add_argument("--keep", type=Path)
    call = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = call.keep or Path(name) / "season"
        told = folder / "season.json"
        truth = (
            json.loads(told.read_text())
            if told.is_file()
            else make_season(folder, THREE, call.runs, call.seconds)
        )
        result, total, stages = measured(folder, Path(name) / "out")
        print(f"{len(truth)} runs; all {total[0]:.1f} s wall, {total[1]:.1f} s of processor")
        for stage, (wall, cpu) in stages.items():
            print(f"  {stage}: from {wall:.1f} s, {cpu:.1f} s of processor")
        print(f"  peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
        mean = {
            c.name: np.mean([np.log(r["mu_peak"]) for r in truth if r["compound"] == c.name]) for c in THREE
        }
        for pair in json.loads((result.out / "compare.json").read_text())["pairs"]:
            size = pair["peak_mu_diff_pct"]
            true = 100.0 * np.expm1(mean[pair["b"]] - mean[pair["a"]])
            print(
                f"  {pair['b']} over {pair['a']}: {size['mean']:+.2f} % ({size['lo']:+.2f} to {size['hi']:+.2f}), "
                f"true of these runs {true:+.2f} %, verdict {pair['verdict']}"
            )


if __name__ == "__main__":
    main()
