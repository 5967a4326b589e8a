"""The service under load on loopback: 50 clients beside one running job, then its memory over minutes.

    python tests/benchmarks/bench_service.py                 50 clients for 60 s
    python tests/benchmarks/bench_service.py --minutes 10    the same, then 5 clients for ten minutes, with memory

A client does something every one to three seconds: 4 of 10 times a what-if of a pair that nobody has asked for, 3 times
the state of a job, twice the page of the car, once an upload of 200 kB. Stops by itself; talks to loopback alone.
"""

import argparse
import asyncio
import copy
import os
import random
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

import httpx

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from service.serverprocess import ServerProcess  # noqa: E402 - beside the tests
from service.smallcar import short_log  # noqa: E402 - same

from gridfit.grids import read_grids  # noqa: E402 - same
from pipelines.service import demo  # noqa: E402 - same
from pipelines.service.asking import Wish, question  # noqa: E402 - same
from pipelines.service.garage import Garage  # noqa: E402 - same
from pipelines.service.jobtable import JobTable  # noqa: E402 - same
from pipelines.service.places import Data  # noqa: E402 - same

KINDS = ("what-if",) * 4 + ("status",) * 3 + ("page",) * 2 + ("upload",)


class Load:
    """What clients do, and how long it took."""

    def __init__(self, address: str, data: Data, car: str, job: str) -> None:
        self.address, self.car, self.job = address, car, job
        self.took_ms: dict[str, list[float]] = {kind: [] for kind in dict.fromkeys(KINDS)}
        self.errors: list[str] = []
        self.grids = read_grids(demo.folder() / demo.IN_FORCE).to_dict()
        self.log = short_log(demo.folder())
        self.number = 0

    def _edited(self, rng: random.Random) -> dict:
        grids = copy.deepcopy(self.grids)
        row = rng.randrange(len(grids["cut"]["cut_pct"]))
        grids["cut"]["cut_pct"][row] = sorted(
            round(rng.uniform(0, 100), 1) for _ in grids["cut"]["slip_error_pct"]
        )
        return grids

    async def _act(self, client: httpx.AsyncClient, kind: str, rng: random.Random) -> httpx.Response:
        if kind == "what-if":
            body = {"grids": self._edited(rng), "scenario": rng.randrange(40)}
            return await client.post(f"/api/cars/{self.car}/what-if", json=body)
        if kind == "status":
            return await client.get(f"/api/jobs/{self.job}")
        if kind == "page":
            return await client.get(f"/cars/{self.car}")
        self.number += 1
        content = self.log + rng.randbytes(16)
        return await client.put(
            f"/api/cars/{self.car}/runs/load-{os.getpid()}-{self.number}.parquet", content=content
        )

    async def client(self, seed: int, until: float) -> None:
        """One client, until a moment of the monotonic clock."""
        rng = random.Random(seed)
        async with httpx.AsyncClient(base_url=self.address, timeout=60) as client:
            while True:
                await asyncio.sleep(rng.uniform(1.0, 3.0))
                if time.monotonic() > until:
                    return
                kind = rng.choice(KINDS)
                begun = time.perf_counter()
                try:
                    answer = await self._act(client, kind, rng)
                except httpx.TransportError as error:
                    self.errors.append(f"{kind}: {type(error).__name__}")
                    continue
                self.took_ms[kind].append(1e3 * (time.perf_counter() - begun))
                if answer.status_code >= 400:
                    self.errors.append(f"{kind}: {answer.status_code} {answer.text[:200]}")

    async def run(self, clients: int, seconds: float) -> None:
        """Let clients act for a time."""
        until = time.monotonic() + seconds
        await asyncio.gather(*(self.client(seed, until) for seed in range(clients)))

    def table(self) -> str:
        """Say how long each kind took."""
        lines = [
            "| request | number | median ms | p95 ms | longest ms |",
            "| --- | ---: | ---: | ---: | ---: |",
        ]
        for kind, took in self.took_ms.items():
            if len(took) > 1:
                p95 = statistics.quantiles(took, n=20)[-1]
                lines.append(
                    f"| {kind} | {len(took)} | {statistics.median(took):.0f} | {p95:.0f} | {max(took):.0f} |"
                )
        return "\n".join(lines)


def memory_mb(pid: int) -> float:
    """Resident memory of a process [MB]; Linux."""
    text = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    return int(next(line for line in text.splitlines() if line.startswith("VmRSS")).split()[1]) / 1e3


def watch_memory(load: Load, pid: int, minutes: float) -> None:
    """Load the service lightly and print its memory every minute."""
    print("\n| minute | MB |\n| ---: | ---: |")
    for minute in range(int(minutes)):
        asyncio.run(load.run(5, 60.0))
        print(f"| {minute + 1} | {memory_mb(pid):.0f} |", flush=True)


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--clients", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--minutes", type=float, default=0.0)
    given = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="gridfit-bench-"))
    server = None
    try:
        data = Data(folder / "data").prepare()
        car = demo.enter(data)
        garage, table = Garage(data), JobTable(data.database)
        for job in table.in_state("queued"):
            table.cancel(job.id)
        wish = Wish("propose", None, None, None, 1, 128, "balanced", "long")
        job, _ = table.submit(car, "propose", question(garage, garage.car(car), wish))
        server = ServerProcess(data.root, "--nice", "10")
        load = Load(server.address, data, car, job.id)
        first = time.perf_counter()
        server.client.post(f"/api/cars/{car}/what-if", json={"grids": load.grids}).raise_for_status()
        print(f"first what-if {time.perf_counter() - first:.1f} s; load average {os.getloadavg()[0]:.1f}")
        alone = []
        for _ in range(20):
            begun = time.perf_counter()
            body = {"grids": load._edited(random.Random(len(alone)))}
            server.client.post(f"/api/cars/{car}/what-if", json=body).raise_for_status()
            alone.append(1e3 * (time.perf_counter() - begun))
        middle = statistics.median(alone)
        print(f"one client alone beside the job: what-if median {middle:.0f} ms, longest {max(alone):.0f} ms")
        while table.get(job.id).state == "queued":
            time.sleep(0.1)
        before = memory_mb(server.process.pid)
        asyncio.run(load.run(given.clients, given.seconds))
        print(f"{given.clients} clients for {given.seconds:.0f} s, job {table.get(job.id).state}, "
              f"load average {os.getloadavg()[0]:.1f}\n{load.table()}")  # fmt: skip
        print(f"errors: {len(load.errors)} {load.errors[:5]}")
        print(f"memory of the server: {before:.0f} MB before, {memory_mb(server.process.pid):.0f} MB after")
        if given.minutes:
            watch_memory(load, server.process.pid, given.minutes)
    finally:
        if server is not None:
            server.stop()
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
