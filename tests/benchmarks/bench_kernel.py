"""Rate of the compiled kernel beside its scalar twin, scipy's solve_ivp and the same model in C; time of a first call.

    python tests/benchmarks/bench_kernel.py                           the table, a few minutes
    python tests/benchmarks/bench_kernel.py --rounds 15 --starts 0    rates only

Work: the demo car, eight draws of its prior, its catalogue, eight copies of the common-practice pair. All contenders
take turns in one process, one thread except where said; a ratio is one of medians over the rounds. The line of two
threads needs two cores that nothing else uses; its spread tells whether they were there.

The scalar twin is the kernel's own source with one lane in a block. The C twin, kernel_twin.c, is the block's loop
by hand with the same lanes, compiled here by gcc; without gcc its line is left out. Either is judged only if its
parts are the kernel's. The solve_ivp line is gridfit.simulate.reference at its default method, RK45, and a loose
tolerance; it starts anew at every controller cycle and corner and evaluates a fine grid, as a judge must.

A first call is timed alone in a process of its own that has imported the kernel and holds its inputs: cold with an
empty cache folder, warm with the folder that the cold call filled.
"""

import argparse
import ctypes
import importlib.util
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from gridfit.carsheet import read_carsheet
from gridfit.grids import common_practice
from gridfit.plant.prior import from_carsheet
from gridfit.recovery import WINDOW_S
from gridfit.simulate import kernel, reference
from gridfit.simulate.batch import SEARCH_STEP_S, VERIFY_STEP_S, grid_rows, run
from gridfit.simulate.packing import gear_rows_of, loop_row, pack
from gridfit.simulate.scenarios import catalogue
from gridfit.simulate.threads import THREADS

ROOT = Path(__file__).resolve().parents[2]
DRAWS, CANDIDATES = 8, 8
SOLVED = 3
"""Episodes that solve_ivp does in a round."""
LOOSE = 1e-3
"""Relative tolerance of solve_ivp."""
FLAGS = ("-O3", "-march=native", "-ffast-math", "-fno-finite-math-only", "-fopenmp-simd", "-fPIC")
FIRST_CALL = """
import sys, time
import numpy as np
from gridfit.simulate.batch import run
with np.load(sys.argv[1]) as stored:
    inputs = [stored[name] for name in stored.files]
began = time.perf_counter()
run(*inputs, threads=1)
print(time.perf_counter() - began)
"""


class Work:
    """The car, what is known of it, and the kernel's inputs at any step."""

    def __init__(self):
        self.sheet = read_carsheet(ROOT / "datasets" / "demo" / "car.toml")
        self.plant = from_carsheet(self.sheet, np.random.default_rng(0), n_draws=DRAWS)
        self.scenarios = catalogue(self.sheet, self.plant, np.random.default_rng(1))
        self.pair = common_practice(self.sheet)
        self.rows = pack(self.sheet, self.plant.draws)

    def inputs(self, step_s, candidates=CANDIDATES, draws=DRAWS):
        """Arguments of the kernel's `run`."""
        rows, gears = self.rows, len(self.sheet.gearbox.ratios)
        loop = loop_row(self.sheet, rows.rpm_step, step_s=step_s, window_s=WINDOW_S)
        return (
            self.scenarios.values, gear_rows_of(self.scenarios.gear, gears), rows.car[:draws], rows.gears[:draws],
            rows.friction[:draws], rows.torque[:draws], loop, *grid_rows([self.pair] * candidates, gears),
        )  # fmt: skip

    def solved(self):
        """Positions and draws of the episodes for solve_ivp, spread over the catalogue: the kernel does all of it."""
        return [(n * len(self.scenarios) // SOLVED, n) for n in range(SOLVED)]


def scalar_twin(folder):
    """The kernel's module with blocks of one lane."""
    source = Path(kernel.__file__).read_text()
    assert source.count("LANES = 16\n") == 1
    path = Path(folder) / "scalar_twin.py"
    path.write_text(source.replace("LANES = 16\n", "LANES = 1\n"))
    spec = importlib.util.spec_from_file_location("scalar_twin", path)
    twin = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = twin
    spec.loader.exec_module(twin)
    return twin


def run_twin(twin, inputs):
    """The kernel's `run` for the scalar twin, in one thread."""
    out = np.zeros((len(inputs[2]), len(inputs[7]), len(inputs[0]), kernel.N_PARTS))
    blocks = out.shape[0] * out.shape[1] * out.shape[2]
    twin.run_blocks(0, blocks, *inputs, out, np.zeros((0, 0, 4)))
    return out


def c_twin(folder):
    """Compile kernel_twin.c; return a function with the arguments and the result of the kernel's `run`."""
    source = Path(__file__).with_name("kernel_twin.c")
    compiled, library = Path(folder) / "kernel_twin.o", Path(folder) / "kernel_twin.so"
    subprocess.run(["gcc", *FLAGS, "-c", source, "-o", compiled], check=True)
    # linked apart: fast-math at the link would round tiny numbers to 0 in this whole process, other contenders too
    subprocess.run(["gcc", "-shared", compiled, "-o", library, "-lm"], check=True)
    function = ctypes.CDLL(str(library)).run

    def run(*inputs):
        inputs = [np.ascontiguousarray(a, np.int64 if a.dtype.kind == "i" else np.float64) for a in inputs]
        scen, _, car, gears, _, torque, _, tv, _, ev, _ = inputs
        sizes = (
            car.shape[0],
            tv.shape[0],
            scen.shape[0],
            gears.shape[1],
            torque.shape[1],
            tv.shape[1],
            ev.shape[1],
        )
        out = np.zeros((car.shape[0], tv.shape[0], scen.shape[0], kernel.N_PARTS))
        refused = function(
            *(ctypes.c_int64(n) for n in sizes), *(ctypes.c_void_p(a.ctypes.data) for a in (*inputs, out))
        )
        if refused:
            sys.exit("kernel_twin.c: too many breakpoints in a curve")
        return out

    return run


def judge(name, got, want, rtol):
    """Stop unless the parts are the same; against a part's mean where the value is smaller, since sums end near 0."""
    off = np.abs(got - want) / np.maximum(np.maximum(np.abs(want), np.abs(want).mean(axis=(0, 1, 2))), 1e-30)
    largest = float(off.max())
    if not largest <= rtol:
        sys.exit(f"{name}: parts differ from the kernel's by up to {largest:.1e}, allowed {rtol:.0e}")
    print(f"{name}: parts differ from the kernel's by {largest:.1e} at most, allowed {rtol:.0e}")


def first_call(path, cache):
    """Time of a first call in a new process whose compiled code lies in that folder [s]."""
    done = subprocess.run(
        [sys.executable, "-c", FIRST_CALL, str(path)], capture_output=True, text=True, check=False,
        cwd=ROOT, env={**os.environ, "NUMBA_CACHE_DIR": str(cache), "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    if done.returncode:
        sys.exit(done.stderr)
    return float(done.stdout)


def starts(work, count, folder):
    """Seconds of cold and of warm first calls, in turn."""
    # one candidate on one draw, so that the call is the loading and compiling and little else
    path = Path(folder) / "inputs.npz"
    np.savez(path, *work.inputs(SEARCH_STEP_S, 1, 1))
    cold, warm = [], []
    for _ in range(count):
        with tempfile.TemporaryDirectory() as cache:
            cold.append(first_call(path, cache))
            warm.append(first_call(path, cache))
    return cold, warm


def contenders(work, folder):
    """Functions that do one round each, and the episodes in it: {name: (function, episodes)}."""
    fine, coarse = work.inputs(VERIFY_STEP_S), work.inputs(SEARCH_STEP_S)
    episodes = DRAWS * CANDIDATES * len(work.scenarios)
    twin = scalar_twin(folder)
    want = run(*fine, threads=1)
    judge("scalar twin", run_twin(twin, fine), want, 1e-9)

    def solve():
        for position, draw in work.solved():
            reference.simulate(work.sheet, work.pair, work.scenarios, position, work.plant, draw, rtol=LOOSE)

    found = {
        "kernel": (lambda: run(*fine, threads=1), episodes),
        "scalar": (lambda: run_twin(twin, fine), episodes),
        "coarse": (lambda: run(*coarse, threads=1), episodes),
    }
    if shutil.which("gcc"):
        in_c = c_twin(folder)
        judge("C twin", in_c(*fine), want, 1e-6)
        found["c"] = (lambda: in_c(*fine), episodes)
    else:
        print("no gcc here: the C line is left out")
    if THREADS >= 2:
        found["two"] = (lambda: run(*fine, threads=2), episodes)
    else:
        print("one core here: the line of two threads is left out")
    found["solve_ivp"] = (solve, SOLVED)
    return found


def rates(found, rounds):
    """Median episodes per second of every contender, and the spread over the rounds."""
    taken = {name: [] for name in found}
    for work, _ in found.values():
        work()
    for _ in range(rounds):
        for name, (work, _) in found.items():
            began = time.perf_counter()
            work()
            taken[name].append(time.perf_counter() - began)
    middle = {name: found[name][1] / statistics.median(times) for name, times in taken.items()}
    spread = {
        name: (found[name][1] / max(times), found[name][1] / min(times)) for name, times in taken.items()
    }
    return middle, spread


def line(name, rate, spread, ratio, bar):
    """Print one line of rates; a missed bar is called so."""
    said = f"{ratio:8.2f}   at least {bar:<7g} {'met' if ratio >= bar else 'MISSED'}" if bar else ""
    print(f"{name:46s} {rate:10.5g}   {spread[0]:8.4g} .. {spread[1]:<8.4g} {said}")


def start_line(name, times, bar):
    """Print one line of first calls."""
    middle = statistics.median(times)
    met = "met" if middle <= bar else "MISSED"
    print(
        f"{name:46s} {middle:8.2f} s   {min(times):8.2f} .. {max(times):<8.2f} {'':8s}   at most  {bar:<7g} {met}"
    )


def main():
    """Read the call."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rounds", type=int, default=9, help="rounds of the rates, at least 5")
    parser.add_argument("--starts", type=int, default=5, help="cold and warm first calls; 0 leaves them out")
    call = parser.parse_args()
    if call.rounds < 5:
        parser.error("--rounds: fewer than 5 say nothing")
    work = Work()
    print(
        f"{DRAWS} draws x {CANDIDATES} candidates x {len(work.scenarios)} scenarios, {call.rounds} rounds, "
        f"load before {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores; RK45 at rtol {LOOSE:g}, {SOLVED} episodes"
    )
    with tempfile.TemporaryDirectory() as folder:
        found, spread = rates(contenders(work, folder), call.rounds)
        own = found["kernel"]
        print(f"\n{'':46s} episodes/s    slowest .. fastest   ratio   bar")
        for name, said, ratio, bar in (
            ("kernel", "kernel, 1 ms, one thread", None, None),
            ("scalar", "scalar twin; kernel over it", own / found["scalar"], 8.0),
            ("solve_ivp", "solve_ivp; kernel over it", own / found["solve_ivp"], 2000.0),
            ("c", "C twin; kernel over it", own / found["c"] if "c" in found else None, 0.65),
            ("coarse", "kernel, 2.5 ms; over 1 ms", found["coarse"] / own, 1.8),
            (
                "two",
                "kernel, 1 ms, two threads; over one",
                found["two"] / own if "two" in found else None,
                1.7,
            ),
        ):
            if name in found:
                line(said, found[name], spread[name], ratio, bar)
        if call.starts:
            cold, warm = starts(work, call.starts, folder)
            start_line("first call in a new process, warm cache", warm, 0.6)
            start_line("first call in a new process, empty cache", cold, 5.0)


if __name__ == "__main__":
    main()
