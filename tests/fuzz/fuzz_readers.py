"""Read damaged logs of every format and see that each is read or refused with one clear message.

Run as ``python tests/fuzz/fuzz_readers.py --n 20000 [--seed 1] [--keep DIR]``. Every file is read in a worker
process whose memory is limited and that is killed after 5 s. Ends with 1 when a file made a reader crash, hang,
ask for much memory, or raise anything but a `GridfitError`; such files are kept in DIR, with what happened.
"""

import argparse
import json
import os
import resource
import select
import subprocess
import sys
import tempfile
import time
import warnings
from collections import Counter, defaultdict
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

LIMIT_S = 5.0
"""Time of the processor that a file may take [s]."""
LIMIT_WAITING_S = 60.0
"""Time by the clock that it may take on a machine that is busy with other work [s]."""
MORE_MEMORY = 3 << 30
"""Address space that a worker may take beyond what it has when its libraries are loaded [bytes]. A library may
reserve what a damaged length asks for, up to 2 GB, and give up without touching it; what counts is resident."""
MORE_RESIDENT_MB = 400.0
"""Growth of resident memory that counts as a failure [MB]."""
WORKERS = 2


def address_space() -> int:
    """Return the address space of this process [bytes]."""
    return int(Path("/proc/self/statm").read_text().split()[0]) * os.sysconf("SC_PAGE_SIZE")


def work(folder: Path, base: int) -> None:
    """Worker: read one number a line from standard input, damage a file with it, answer in one line of JSON."""
    from cases.mutations import answer, mutate
    from cases.seedlogs import write_seeds

    from gridfit.carsheet import read_carsheet

    warnings.simplefilter("ignore")
    answers, printed = os.fdopen(os.dup(1), "w"), tempfile.TemporaryFile()
    os.dup2(printed.fileno(), 1)
    seeds = write_seeds(folder)
    sheet = read_carsheet(folder / "car.toml")
    good = {one.name: one.path.read_bytes() for one in seeds}
    tables = {one.name: (one.path.parent / "bus.dbc").read_bytes() for one in seeds}
    for one in seeds:
        if (said := answer(one.path, sheet)) != "read":
            raise SystemExit(f"{one.name} is not read even when whole: {said}")
    names = sorted(good)
    limit = address_space() + MORE_MEMORY
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    resident = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(json.dumps({"ready": names}), flush=True, file=answers)
    for line in sys.stdin:
        number = int(line)
        rng = np.random.default_rng([base, number])
        seed = seeds[number % len(seeds)]
        other = good[names[rng.integers(len(names))]]
        in_table = "time" == seed.time and seed.path.suffix not in (".parquet",) and rng.random() < 0.1
        target = seed.path.parent / "bus.dbc" if in_table else seed.path
        whole = tables[seed.name] if in_table else good[seed.name]
        target.write_bytes(mutate(whole, other, rng))
        begun = time.perf_counter()
        try:
            said = answer(seed.path, sheet)
        except BaseException as error:  # noqa: BLE001 - the point of this program
            said = f"raised {type(error).__name__}: {str(error)[:160]}"
        seconds = time.perf_counter() - begun
        sys.stdout.flush()
        if os.fstat(printed.fileno()).st_size:
            said = f"printed on standard output: {os.pread(printed.fileno(), 160, 0)!r}"
        grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - resident) / 1024.0
        kind = f"{seed.path.suffix} table" if in_table else seed.name
        print(
            json.dumps({"n": number, "kind": kind, "said": said, "s": seconds, "mb": grown}),
            flush=True,
            file=answers,
        )
        if said in ("read", "refused") and grown < MORE_RESIDENT_MB:
            target.write_bytes(whole)
            continue
        return


class Worker:
    """A worker process, started anew when it ends."""

    def __init__(self, base: int) -> None:
        self.base, self.started = base, 0
        self.start()

    def start(self) -> None:
        self.folder = tempfile.TemporaryDirectory(prefix="fuzz-")
        here = Path(self.folder.name) / "seeds"
        command = [sys.executable, __file__, "--work", str(here), "--seed", str(self.base)]
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        self.started += 1
        ready = self.process.stdout.readline()
        if not ready:
            sys.exit(f"a worker did not start: {self.process.stderr.read()[-800:]}")
        self.number: int | None = None
        self.given, self.spent = 0.0, 0.0

    def give(self, number: int) -> None:
        self.number, self.given, self.spent = number, time.monotonic(), self.processor_s()
        self.process.stdin.write(f"{number}\n")
        self.process.stdin.flush()

    def processor_s(self) -> float:
        """Return the processor time of the worker so far [s]."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def hangs(self) -> bool:
        """Say whether the file has taken too long."""
        waited = time.monotonic() - self.given
        return waited > LIMIT_S and (self.processor_s() - self.spent > LIMIT_S or waited > LIMIT_WAITING_S)

    def stop(self) -> None:
        self.process.kill()
        self.process.wait()
        for stream in (self.process.stdin, self.process.stdout, self.process.stderr):
            stream.close()

    def keep(self, keep: Path, said: str) -> None:
        """Copy the folder of the damaged file and what happened."""
        target = keep / f"{self.base}-{self.number}"
        target.mkdir(parents=True, exist_ok=True)
        seeds = Path(self.folder.name) / "seeds"
        folders = [one for one in seeds.iterdir() if one.is_dir()]
        newest = max(folders, key=lambda one: max(file.stat().st_mtime_ns for file in one.iterdir()))
        for file in (*newest.iterdir(), seeds / "car.toml"):
            (target / file.name).write_bytes(file.read_bytes())
        (target / "said.txt").write_text(said)


def run(count: int, base: int, keep: Path, first: int) -> int:
    """Give out the numbers, gather the answers, print the table; return the exit code."""
    workers = [Worker(base) for _ in range(WORKERS)]
    numbers = iter(range(first, first + count))
    answers: dict[str, Counter[str]] = defaultdict(Counter)
    slowest: dict[str, float] = defaultdict(float)
    grown: dict[str, float] = defaultdict(float)
    failures: list[str] = []
    for worker in workers:
        worker.give(next(numbers))
    busy = list(workers)
    while busy:
        ready, _, _ = select.select([one.process.stdout for one in busy], [], [], 0.2)
        for worker in list(busy):
            said, fatal = _hear(worker, worker.process.stdout in ready)
            if not said:
                continue
            kind, text = said.get("kind", "?"), said["said"]
            short = text if text in ("read", "refused") else "FAILED"
            if said.get("mb", 0.0) >= MORE_RESIDENT_MB:
                short, text = "FAILED", f"{text}, memory grew by {said['mb']:.0f} MB"
            answers[kind][short] += 1
            slowest[kind] = max(slowest[kind], said.get("s", 0.0))
            grown[kind] = max(grown[kind], said.get("mb", 0.0))
            if short == "FAILED":
                failures.append(f"{worker.number} {kind}: {text}")
                print(failures[-1], flush=True)
                worker.keep(keep, text)
            if fatal or short == "FAILED":
                worker.stop()
                worker.start()
            number = next(numbers, None)
            if number is None:
                worker.stop()
                busy.remove(worker)
            else:
                worker.give(number)
    _print(answers, slowest, grown, failures)
    return int(bool(failures))


def _hear(worker: Worker, ready: bool) -> tuple[dict, bool]:
    """Return a worker's answer, and whether it is dead."""
    if ready:
        line = worker.process.stdout.readline()
        if line:
            return json.loads(line), False
        code = worker.process.wait()
        return {"said": f"the reader's process ended with {code}"}, True
    if worker.hangs():
        return {"said": f"no answer within {LIMIT_S:g} s", "s": LIMIT_S}, True
    return {}, False


def _print(answers: dict, slowest: dict, grown: dict, failures: list[str]) -> None:
    print(
        f"{'format':18} {'files':>6} {'read':>6} {'refused':>8} {'failed':>7} {'slowest s':>10} {'memory MB':>10}"
    )
    for kind in sorted(answers):
        one = answers[kind]
        counts = f"{one.total():6} {one['read']:6} {one['refused']:8} {one['FAILED']:7}"
        print(f"{kind:18} {counts} {slowest[kind]:10.2f} {grown[kind]:10.0f}")
    whole = sum((one for one in answers.values()), Counter())
    print(f"{'all':18} {whole.total():6} {whole['read']:6} {whole['refused']:8} {whole['FAILED']:7}")
    print(f"{len(failures)} failures")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--n", type=int, default=20000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, default=Path("out") / "fuzz")
    parser.add_argument("--work", type=Path)
    options = parser.parse_args()
    if options.work:
        work(options.work, options.seed)
    else:
        sys.exit(run(options.n, options.seed, options.keep, options.first))
