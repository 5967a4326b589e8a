"""Rate of the compiled kernel beside its scalar twin, scipy's solve_ivp and the same model in C; time of a first call.

    python tests/benchmarks/bench_kernel.py                           the table, a few minutes
    python tests/benchmarks/bench_kernel.py --rounds 15 --starts 0    rates only

Work: the demo car, eight draws of its prior, its catalogue, eight copies of the common-practice pair. All contenders
take turns in one process, one thread except where said; a ratio is one of medians over the rounds. The line of two
threads needs two cores that nothing else uses; its spread tells whether they were there.

Scalar twins are the kernel's own source with one lane in a block: one as it is, and one as one would write the model
down, which works the tyre's law out at every step, in float64, where the kernel reads a table. The C twin,
kernel_twin.c, is the block's loop by hand with the same lanes and width, compiled here by gcc; without gcc its line is
left out. Each is judged only if its parts are the kernel's in float64, where the order of operations does not show. The
solve_ivp line is gridfit.simulate.reference at its default method, RK45, and a loose tolerance; it starts anew at every
controller cycle and corner and evaluates a fine grid, as a judge must.

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
from gridfit.search.objective import everything
from gridfit.simulate import kernel, reference
from gridfit.simulate.batch import SEARCH_STEP_S, VERIFY_STEP_S, blocks_of, grid_rows, run
from gridfit.simulate.packing import gear_rows_of, loop_row, pack
from gridfit.simulate.parameters import INDEX
from gridfit.simulate.scenarios import catalogue
from gridfit.simulate.threads import THREADS
from gridfit.tyre import magic_formula_from_peak
from gridfit.tyrelaws import SLIDE_FLOOR

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

    def inputs(self, step_s, candidates=CANDIDATES, draws=DRAWS, width=kernel.FLOAT):
        """Arguments of the kernel's `run`; behind each friction table its law, for the twin that works it out."""
        rows, gears = self.rows, len(self.sheet.gearbox.ratios)
        loop = loop_row(self.sheet, rows.rpm_step, step_s=step_s, window_s=WINDOW_S)
        at = everything(len(self.scenarios), draws)
        friction = np.column_stack([rows.friction, laws(self.plant.draws)])
        floats = (rows.car[:draws], rows.gears[:draws], friction[:draws], rows.torque[:draws], loop)
        floats = [
            np.ascontiguousarray(a, width) for a in (*floats, *grid_rows([self.pair] * candidates, gears))
        ]
        scenarios = self.scenarios.values.astype(width), gear_rows_of(self.scenarios.gear, gears)
        return at.draws, at.scenarios, *scenarios, *floats

    def solved(self):
        """Positions and draws of the episodes for solve_ivp, spread over the catalogue: the kernel does all of it."""
        return [(n * len(self.scenarios) // SOLVED, n) for n in range(SOLVED)]


def laws(draws):
    """Each draw's tyre law as the twin takes it: 0 and b, c, e of a Magic Formula, or 1 and c1, c2, c3; [D, 4]."""
    found = []
    for row in draws:
        c, e, rate = (row[INDEX[name]] for name in ("tyre_c", "tyre_e", "tyre_rate"))
        if row[INDEX["tyre_law"]] > 0.5:
            left = np.exp(-rate)
            first = 1.0 / (1.0 - left - rate * left)
            found.append((1.0, first, rate, first * rate * left))
        else:
            found.append((0.0, float(magic_formula_from_peak(1.0, 1.0, c, e).b), c, e))
    return np.array(found)


LAW = f"""
from math import atan, sin


@_inlined
def _law(table, place):
    rho = max(place / PER_SLIP, 1e-6)
    one, two, three = table[TABLE + 1], table[TABLE + 2], table[TABLE + 3]
    if table[TABLE] > 0.5:
        force = one * (1.0 - exp(-two * rho)) - three * rho
        force = max(force, {SLIDE_FLOOR}) if rho > 1.0 else force
    else:
        x = one * rho
        force = sin(two * atan((1.0 - three) * x + three * atan(x)))
    return force / rho


@_inlined
def _look_up("""
"""The twin's tyre law, put ahead of the loop that takes it."""


def scalar_twin(folder, law=False):
    """The kernel's module with blocks of one lane; with `law`, the tyre's law instead of its table."""
    source = Path(kernel.__file__).read_text()
    changes = {"LANES = 16\n": "LANES = 1\n"}
    if law:
        changes |= {
            "\n@_inlined\ndef _look_up(": LAW,
            "_fetch(friction, s[_XR + i], TOP)": "_law(friction, s[_XR + i])",
            "_fetch(friction, PER_SLIP * sqrt(r * r + 1.0), TOP)": "_law(friction, PER_SLIP * sqrt(r * r + 1.0))",
        }
    for old, new in changes.items():
        assert source.count(old) == 1
        source = source.replace(old, new)
    path = Path(folder) / f"scalar_twin{'_law' if law else ''}.py"
    path.write_text(source)
    spec = importlib.util.spec_from_file_location(path.stem, path)
    twin = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = twin
    spec.loader.exec_module(twin)
    return twin


def run_twin(twin, inputs):
    """The kernel's `run` for a module like it, in one thread and the width of the inputs."""
    draws, scenarios, *rest = inputs
    width, n_candidates = rest[0].dtype, len(rest[7])
    out = np.zeros((draws.size, n_candidates, kernel.N_PARTS), width)
    blocks = blocks_of(draws, n_candidates, twin.LANES)
    plays = np.column_stack([draws, scenarios])
    twin.run_blocks(0, len(blocks), blocks, plays, *rest, out, np.zeros((0, 0, 4), width))
    return out


def c_twin(folder, width=kernel.FLOAT):
    """Compile kernel_twin.c; return a function with the arguments and the result of the kernel's `run`."""
    source = Path(__file__).with_name("kernel_twin.c")
    compiled, library = (
        Path(folder) / "kernel_twin.o",
        Path(folder) / f"kernel_twin{np.dtype(width).itemsize}.so",
    )
    single = ["-fsingle-precision-constant"] if width == np.float32 else ["-DNUMBER=double"]
    subprocess.run(["gcc", *FLAGS, *single, "-c", source, "-o", compiled], check=True)
    # linked apart: fast-math at the link would round tiny numbers to 0 in this whole process, other contenders too
    subprocess.run(["gcc", "-shared", compiled, "-o", library, "-lm"], check=True)
    function = ctypes.CDLL(str(library)).run

    def run(draws, scenarios, *inputs):
        # it plays everything on every draw, and knows nothing of the law behind the table
        inputs = list(inputs)
        inputs[4] = inputs[4][:, : kernel.TABLE]
        inputs = [np.ascontiguousarray(a, np.int64 if a.dtype.kind == "i" else width) for a in inputs]
        scen, _, car, gears, _, torque, _, tv, _, ev, _ = inputs
        sizes = (
            car.shape[0], tv.shape[0], scen.shape[0], gears.shape[1], torque.shape[1], tv.shape[1], ev.shape[1]
        )  # fmt: skip
        out = np.zeros((draws.size, tv.shape[0], kernel.N_PARTS), width)
        refused = function(
            *(ctypes.c_int64(n) for n in sizes), *(ctypes.c_void_p(a.ctypes.data) for a in (*inputs, out))
        )
        if refused:
            sys.exit("kernel_twin.c: too many breakpoints in a curve")
        return out

    return run


def judge(name, got, want, rtol, share=1.0):
    """Stop unless that share of the parts is the same; against a part's mean where the value is smaller."""
    off = np.abs(got - want) / np.maximum(np.maximum(np.abs(want), np.abs(want).mean(axis=(0, 1))), 1e-30)
    largest, told = float(np.quantile(off, share)), "all" if share == 1.0 else f"{100 * share:g} of 100"
    said = f"{name}: {told} parts within {largest:.1e} of the kernel's in float64, allowed {rtol:.0e}"
    if not largest <= rtol:
        sys.exit(said)
    print(said)


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
    double = work.inputs(VERIFY_STEP_S, width=np.float64)
    episodes = DRAWS * CANDIDATES * len(work.scenarios)
    twin, written = scalar_twin(folder), scalar_twin(folder, law=True)
    want = run_twin(kernel, double)
    judge("scalar twin", run_twin(twin, double), want, 1e-9)
    judge("scalar twin with the tyre's law", run_twin(written, double), want, 1e-4, 0.95)
    judge("the kernel itself in float32", run(*fine), want, 1e-4, 0.95)

    def solve():
        for position, draw in work.solved():
            reference.simulate(work.sheet, work.pair, work.scenarios, position, work.plant, draw, rtol=LOOSE)

    found = {
        "kernel": (lambda: run(*fine, threads=1), episodes),
        "scalar": (lambda: run_twin(twin, fine), episodes),
        "written": (lambda: run_twin(written, double), episodes),
        "double": (lambda: run_twin(kernel, double), episodes),
        "coarse": (lambda: run(*coarse, threads=1), episodes),
    }
    if shutil.which("gcc"):
        in_c = c_twin(folder)
        judge("C twin", c_twin(folder, np.float64)(*double), want, 1e-6)
        judge("C twin in float32", in_c(*fine), want, 1e-4, 0.95)
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
    said = f"{ratio:8.2f}" if ratio else ""
    said += f"   at least {bar:<7g} {'met' if ratio >= bar else 'MISSED'}" if bar else ""
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
            ("written", "scalar twin, law as written; kernel over it", own / found["written"], 8.0),
            ("double", "kernel in float64; kernel over it", own / found["double"], None),
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
