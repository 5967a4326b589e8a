"""Time every reader beside the bare library on the same file, and a season of logs in bounded memory.

Run as ``python tests/benchmarks/bench_readers.py [MINUTES] [--season FILES] [--only NAME,NAME]``: writes a log of
that length (default 10 minutes at 100 Hz, 40 channels) in every format, reads 11 of the channels in turn by gridfit
and by the library alone, each in a process of its own, five times, interleaved; prints rows per second, the ratio
of the median times, and peak memory. With ``--season`` it reads, instead, that many copies one after another in
one process and prints how memory grows.
"""

import argparse
import gzip
import importlib
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

RATE_HZ = 100
SPARE = 29
REPEATS = 5
WANTED = {
    "time": "time", "fl": "speed", "fr": "speed", "rl": "speed", "rr": "speed", "pedal": "fraction",
    "revs": "rotation", "gear": "count", "press": "brake", "acc": "acceleration", "cut": "percent",
}  # fmt: skip
NAMES = (
    "run.csv", "run.csv.gz", "run.parquet", "long.parquet", "plain.mf4", "deflate.mf4", "transposed.mf4",
    "frames.mf4", "run.log", "run.log.gz", "run.asc", "run.blf", "run.trc",
)  # fmt: skip
DBC_HEAD = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: ECU\n\n'


def signals(minutes: float) -> dict[str, np.ndarray]:
    """Return 40 channels, whole multiples of 0.01 within 0 to 300."""
    rng = np.random.default_rng(1)
    rows = int(60 * minutes * RATE_HZ)
    names = [*list(WANTED)[1:], *(f"spare{at}" for at in range(SPARE))]
    table = {name: np.round(150 + np.cumsum(rng.normal(0, 0.3, rows)) % 100, 2) for name in names}
    return {"time": np.arange(rows) / RATE_HZ, **table}


def dbc_text(names: list[str]) -> str:
    """Four signals of 16 bits to a message."""
    lines = [DBC_HEAD]
    for at in range(0, len(names), 4):
        lines.append(f"BO_ {256 + at // 4} M{at // 4}: 8 ECU")
        for place, name in enumerate(names[at : at + 4]):
            lines.append(f' SG_ {name} : {16 * place}|16@1+ (0.01,0) [0|655] "km/h" ECU')
        lines.append("")
    return "\n".join(lines)


def frames(table: dict[str, np.ndarray], names: list[str]):
    """Yield the log as messages, in the order of time."""
    import can

    raw = [np.round(100 * table[name]).astype("<u2") for name in names]
    data = [
        np.stack(raw[at : at + 4], axis=1).view(np.uint8).reshape(len(raw[0]), -1)
        for at in range(0, len(names), 4)
    ]
    for row, time_s in enumerate(table["time"].tolist()):
        for at, part in enumerate(data):
            yield can.Message(
                timestamp=time_s + 1e-4 * at, arbitration_id=256 + at, is_extended_id=False, channel=0,
                data=part[row].tobytes(), check=False,
            )  # fmt: skip


def write_all(folder: Path, minutes: float, only: str = "") -> int:
    """Write the log in every format; return its rows."""
    import asammdf
    import can
    import pandas as pd

    table = signals(minutes)
    frame = pd.DataFrame(table)
    names = [name for name in table if name != "time"]
    frame.to_csv(folder / "run.csv", index=False)
    (folder / "run.csv.gz").write_bytes(gzip.compress((folder / "run.csv").read_bytes(), 6))
    frame.to_parquet(folder / "run.parquet", compression="zstd")
    long = frame.melt("time", var_name="channel", value_name="value").sort_values("time", kind="stable")
    long.to_parquet(folder / "long.parquet", compression="zstd", index=False)
    for name, compression in (("plain", 0), ("deflate", 1), ("transposed", 2)):
        with asammdf.MDF(version="4.10") as file:
            file.append([asammdf.Signal(table[one], table["time"], name=one, unit="km/h") for one in names])
            file.save(folder / f"{name}.mf4", overwrite=True, compression=compression)
    (folder / "bench.dbc").write_text(dbc_text(names))
    writers = {
        "frames.mf4": lambda path: can.MF4Writer(path, compression_level=1),
        "run.log": lambda path: can.CanutilsLogWriter(path, channel="can0"),
        "run.asc": can.ASCWriter,
        "run.blf": can.BLFWriter,
        "run.trc": can.TRCWriter,
    }
    for name, make in writers.items():
        if only and name not in only:
            continue
        with make(str(folder / name)) as writer:
            for message in frames(table, names):
                writer.on_message_received(message)
    if (folder / "run.log").exists():
        (folder / "run.log.gz").write_bytes(gzip.compress((folder / "run.log").read_bytes(), 6))
    return len(frame)


def by_gridfit(path: Path) -> int:
    """Read the channels by gridfit's reader."""
    from gridfit.signals.formats import read_columns
    from gridfit.signals.rawlog import Wanted

    log = read_columns(path, [Wanted(name, dimension, "bench") for name, dimension in WANTED.items()])
    return len(log.columns["fl"])


def by_library(path: Path) -> int:
    """Read the same channels by the library alone."""
    if ".parquet" in path.name:
        import pyarrow.parquet as pq

        columns = ["time", "channel", "value"] if path.name == "long.parquet" else list(WANTED)
        return pq.read_table(path, columns=columns, use_threads=False).num_rows
    if ".csv" in path.name:
        import pandas as pd

        return len(pd.read_csv(path, usecols=list(WANTED)))
    if path.suffix == ".mf4":
        return _by_asammdf(path)
    return _by_python_can(path)


def _by_asammdf(path: Path) -> int:
    from asammdf import MDF

    with MDF(path) as file:
        if path.name == "frames.mf4":
            file = file.extract_bus_logging({"CAN": [(path.parent / "bench.dbc", 0)]})
        return len(file.select([name for name in WANTED if name != "time"])[0].samples)


def _by_python_can(path: Path) -> int:
    """Decode the three messages that hold the channels, message by message."""
    import can
    import cantools

    table = cantools.database.load_file(path.parent / "bench.dbc", strict=False)
    found: list[dict] = []
    with can.LogReader(str(path)) as reader:
        for message in reader:
            if message.arbitration_id <= 258:
                found.append(table.decode_message(message.arbitration_id, message.data, decode_choices=False))
    return len(found) // 3


def peak_mb() -> float:
    """Return the most resident memory that this process had [MB]; what its parent had does not count."""
    status = Path("/proc/self/status").read_text()
    return int(next(line for line in status.splitlines() if line.startswith("VmHWM")).split()[1]) / 1024.0


def once(how: str, path: Path) -> None:
    """Read the log one way; print seconds, rows, and peak memory, libraries included [MB]."""
    warm_up(path)
    began = time.perf_counter()
    rows = by_gridfit(path) if how == "gridfit" else by_library(path)
    seconds = time.perf_counter() - began
    print(seconds, rows, peak_mb())


def warm_up(path: Path) -> None:
    """Load the libraries, so that only reading is timed."""
    names = ["pandas", "pyarrow.parquet", "gridfit.signals.formats"]
    names += ["asammdf"] if path.suffix == ".mf4" else []
    names += ["can", "cantools"] if path.suffix not in (".parquet", ".csv") else []
    for name in names:
        importlib.import_module(name)


def measure(folder: Path, names: list[str]) -> None:
    """Print the table."""
    heads = ("file", "MB", "gridfit rows/s", "library rows/s", "time ratio", "gridfit MB", "library MB")
    print("{:16} {:>6} {:>15} {:>15} {:>10} {:>10} {:>10}".format(*heads))
    for name in names:
        seconds: dict[str, list[float]] = {"gridfit": [], "library": []}
        memory: dict[str, list[float]] = {"gridfit": [], "library": []}
        for how in ["library", "gridfit"] * REPEATS:
            command = [sys.executable, __file__, "--once", how, str(folder / name)]
            said = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
            seconds[how].append(float(said[0]))
            memory[how].append(float(said[2]))
            rows = int(said[1]) if how == "gridfit" else 0
        ours, theirs = (statistics.median(seconds[how]) for how in ("gridfit", "library"))
        peak = {how: max(values) for how, values in memory.items()}
        size = (folder / name).stat().st_size / 1e6
        speed = f"{rows / ours:15,.0f} {rows / theirs:15,.0f} {ours / theirs:10.2f}"
        print(f"{name:16} {size:6.1f} {speed} {peak['gridfit']:10.0f} {peak['library']:10.0f}", flush=True)


def season(folder: Path, names: list[str], files: int) -> None:
    """Read copies of each log one after another and print the memory after the first and after all."""
    for name in names:
        command = [
            sys.executable,
            __file__,
            "--season-of",
            name,
            "--files",
            str(files),
            "--folder",
            str(folder),
        ]
        print(subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip(), flush=True)


def season_of(folder: Path, name: str, files: int) -> None:
    """Read one log again and again under new names, as a season's files."""
    path = folder / name
    warm_up(path)
    peaks = []
    began = time.perf_counter()
    for at in range(files):
        other = path.with_name(f"{at}-{name}")
        other.hardlink_to(path)
        by_gridfit(other)
        other.unlink()
        peaks.append(peak_mb())
    seconds = time.perf_counter() - began
    print(f"{name:16} {files} files in {seconds:6.1f} s; peak after 1, 5, all: "
          f"{peaks[0]:.0f}, {peaks[min(4, files - 1)]:.0f}, {peaks[-1]:.0f} MB")  # fmt: skip


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("minutes", type=float, nargs="?", default=10.0)
    parser.add_argument("--season", type=int, default=0)
    parser.add_argument("--only", default="", help="names of files, with commas between them")
    parser.add_argument("--once", nargs=2)
    parser.add_argument("--season-of")
    parser.add_argument("--files", type=int)
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    if options.once:
        once(options.once[0], Path(options.once[1]))
    elif options.season_of:
        season_of(options.folder, options.season_of, options.files)
    else:
        work = Path(tempfile.mkdtemp(prefix="bench-", dir=Path.cwd()))
        try:
            rows = write_all(work, options.minutes, options.only)
            print(f"{rows} rows of {len(WANTED) + SPARE} channels, {len(WANTED)} read")
            names = options.only.split(",") if options.only else list(NAMES)
            if options.season:
                season(work, names, options.season)
            else:
                measure(work, names)
        finally:
            shutil.rmtree(work)
