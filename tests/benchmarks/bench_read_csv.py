"""Time `read_run` on a large CSV log against pandas' own parser on the same columns.

Run as ``python tests/benchmarks/bench_read_csv.py [MEGABYTES]``: writes a log of 40 columns (default 200 MB)
in a temporary folder, reads 11 of them five times each way in processes of their own, prints the median
times, their ratio and the peak memory, and ends with 1 when the ratio is above 3.
"""

import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

CHANNELS = {
    "time": ("time", "s"),
    "speed_fl": ("wheel_fl", "km/h"),
    "speed_fr": ("wheel_fr", "km/h"),
    "speed_rl": ("wheel_rl", "km/h"),
    "speed_rr": ("wheel_rr", "km/h"),
    "throttle": ("throttle", "%"),
    "rpm": ("rpm", "rpm"),
    "gear": ("gear", "-"),
    "brake": ("brake", "bar"),
    "lateral_acc": ("acc_lat", "g"),
    "cut": ("cut", "%"),
}
COLUMNS = 40
MOST = 3.0
REPEATS = 5
CAR = """\
[car]
name = "willow"
drive = "rwd"
mass_kg = 1230
wheelbase_m = 2.55
track_m = 1.52
front_weight_pct = 51.5
[engine]
rpm = [1000, 4000, 7000]
torque_nm = [180, 262, 210]
cylinders = 4
idle_rpm = 850
limit_rpm = 7200
cut = "ignition"
[gearbox]
ratios = [3.63, 2.19, 1.54, 1.21, 1.0, 0.82]
final_drive = 3.9
[tyre]
size = "225/45R17"
compound = "hard"
[sensors]
teeth_driven = 48
teeth_undriven = 48
log_hz = 100
[controller]
loop_hz = 100
min_speed_kmh = 8
throttle_gate_pct = 20
"""


def write_log(folder: Path, megabytes: float) -> Path:
    """Write a log of about this size, with its map and car sheet."""
    rng = np.random.default_rng(1)
    names = [name for name, _ in CHANNELS.values()]
    order = rng.permutation(COLUMNS - 1)
    header = [
        "time",
        *(([*names[1:], *(f"spare_{at}" for at in range(COLUMNS - len(names)))])[at] for at in order),
    ]
    path, block, start = folder / "run1.csv", 20000, 0
    with path.open("w", encoding="utf-8") as stream:
        stream.write(",".join(header) + "\n")
        while stream.tell() < megabytes * 1e6:
            table = {name: np.round(rng.uniform(20.0, 90.0, block), 3) for name in header}
            table["time"] = np.round(0.01 * np.arange(start, start + block), 3)
            table["gear"] = rng.integers(1, 6, block)
            table["rpm"] = rng.integers(2000, 7000, block)
            pd.DataFrame(table)[header].to_csv(stream, index=False, header=False)
            start += block
    entries = "\n".join(
        f'{role} = {{ column = "{name}", unit = "{unit}" }}' for role, (name, unit) in CHANNELS.items()
    )
    (folder / "channels.toml").write_text(f"[channels]\n{entries}\n", encoding="utf-8")
    (folder / "car.toml").write_text(CAR, encoding="utf-8")
    return path


def once(how: str, path: Path) -> None:
    """Read the log one way and print seconds, rows and peak memory [MB]."""
    if how == "pandas":
        began = time.perf_counter()
        rows = len(pd.read_csv(path, usecols=[name for name, _ in CHANNELS.values()]))
    else:
        from gridfit.carsheet import read_carsheet
        from gridfit.signals.readers import read_run

        sheet = read_carsheet(path.parent / "car.toml")
        began = time.perf_counter()
        rows = len(read_run(path, None, sheet).table)
    seconds = time.perf_counter() - began
    print(seconds, rows, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0)


def main(megabytes: float) -> int:
    """Print the table; return 1 when reading takes more than three times as long as parsing."""
    seconds: dict[str, list[float]] = {"pandas": [], "gridfit": []}
    memory: dict[str, float] = {}
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as name:
        path = write_log(Path(name), megabytes)
        size = path.stat().st_size / 1e6
        for how in [*seconds] * REPEATS:
            command = [sys.executable, __file__, "--once", how, str(path)]
            said = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
            seconds[how].append(float(said[0]))
            memory[how] = float(said[2])
    median = {how: statistics.median(values) for how, values in seconds.items()}
    ratio = median["gridfit"] / median["pandas"]
    print(f"log of {size:.0f} MB, {COLUMNS} columns, {len(CHANNELS)} of them read, {said[1]} rows")
    for how, value in median.items():
        print(f"{how:8} {value:6.3f} s   peak {memory[how]:5.0f} MB")
    print(f"ratio    {ratio:6.2f}     allowed {MOST:g}")
    return int(ratio > MOST)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--once"]:
        once(sys.argv[2], Path(sys.argv[3]))
    else:
        sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else 200.0))
