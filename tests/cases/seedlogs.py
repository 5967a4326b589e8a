"""The good car's log in every format that is read: a folder of small files, each with the map that fits it."""

import gzip
from dataclasses import dataclass
from pathlib import Path

import asammdf
import can
import numpy as np
import pandas as pd
from cases.goodcar import COLUMNS, log_rows, write_all

DBC = """\
VERSION ""

NS_ :

BS_:

BU_: ECU

BO_ 256 WHEELS: 8 ECU
 SG_ fl : 7|16@0+ (0.01,0) [0|655] "km/h" ECU
 SG_ fr : 23|16@0+ (0.01,0) [0|655] "km/h" ECU
 SG_ rl : 32|16@1+ (0.01,0) [0|655] "km/h" ECU
 SG_ rr : 48|16@1+ (0.01,0) [0|655] "km/h" ECU

BO_ 2566848513 ENGINE: 5 ECU
 SG_ revs : 0|16@1+ (1,0) [0|65535] "rpm" ECU
 SG_ pedal : 16|10@1+ (0.1,0) [0|100] "%" ECU
 SG_ gear : 32|4@1- (1,0) [-8|7] "" ECU
"""
"""Two messages, one of 29 bits: motorola and intel order, signed and unsigned."""
WHEELS, ENGINE = 0x100, 0x18FF0001
UNITS = ("s", "km/h", "km/h", "km/h", "km/h", "%", "rpm", "-")
ROLES = ("time", "speed_fl", "speed_fr", "speed_rl", "speed_rr", "throttle", "rpm", "gear")


@dataclass(frozen=True, slots=True)
class Seed:
    """A good log.

    Parameters
    ----------
    name : str
    path : Path
    time : str
        Its column of the clock.
    """

    name: str
    path: Path
    time: str


def map_text(time: str = "t", file: str = "") -> str:
    """Return the channel map of the good car's log."""
    columns = (time, *COLUMNS[1:])
    entries = [
        f'{role} = {{ column = "{column}", unit = "{unit}" }}'
        for role, column, unit in zip(ROLES, columns, UNITS, strict=True)
    ]
    return "\n".join([*(["[file]", file] if file else []), "[channels]", *entries]) + "\n"


def messages(rows: np.ndarray) -> list[can.Message]:
    """Return the log as frames: wheels at every row, engine at every second one."""
    found = []
    for at, row in enumerate(rows):
        speeds = np.round(row[1:5] * 100).astype(int)
        data = b"".join(int(v).to_bytes(2, "big") for v in speeds[:2])
        data += b"".join(int(v).to_bytes(2, "little") for v in speeds[2:])
        found.append(_message(row[0], WHEELS, data, extended=False))
        if at % 2 == 0:
            pedal = round(float(row[5]) * 10)
            data = int(row[6]).to_bytes(2, "little") + pedal.to_bytes(2, "little") + bytes([int(row[7])])
            found.append(_message(row[0] + 0.001, ENGINE, data, extended=True))
    return found


def _message(time_s: float, identifier: int, data: bytes, extended: bool) -> can.Message:
    return can.Message(
        timestamp=float(time_s), arbitration_id=identifier, is_extended_id=extended, data=data, channel=0,
        check=True,
    )  # fmt: skip


def write_can(path: Path, rows: np.ndarray) -> Path:
    """Write frames in the format that the file's ending names, by the library's own writer."""
    writers = {
        ".log": lambda: can.CanutilsLogWriter(str(path), channel="can0"),
        ".asc": lambda: can.ASCWriter(str(path)),
        ".blf": lambda: can.BLFWriter(str(path)),
        ".trc": lambda: can.TRCWriter(str(path)),
        ".csv": lambda: can.CSVWriter(str(path)),
        ".mf4": lambda: can.MF4Writer(str(path), compression_level=2),
    }
    with writers[path.suffix]() as writer:
        for message in messages(rows):
            writer.on_message_received(message)
    return path


def write_screen(path: Path, rows: np.ndarray) -> Path:
    """Write frames as candump shows them on the screen."""
    lines = []
    for one in messages(rows):
        name = f"{one.arbitration_id:08X}" if one.is_extended_id else f"{one.arbitration_id:03X}"
        lines.append(f" ({one.timestamp:010.6f})  can0  {name}   [{one.dlc}]  {one.data.hex(' ').upper()}\n")
    path.write_text("".join(lines))
    return path


def write_frame_table(path: Path, rows: np.ndarray) -> Path:
    """Write frames as a table of a kind that no library made: decimal identifiers, one column per byte."""
    lines = ["Time [s];Channel;ID;Ext;DLC;" + ";".join(f"D{at}" for at in range(8))]
    for one in messages(rows):
        cells = [f"{byte:02X}" for byte in one.data] + [""] * (8 - one.dlc)
        head = f"{one.timestamp:.6f};1;{one.arbitration_id};{int(one.is_extended_id)};{one.dlc};"
        lines.append(head.replace(".", ",") + ";".join(cells))
    path.write_text("\n".join(lines) + "\n")
    return path


def write_mdf(path: Path, rows: np.ndarray, version: str, compression: int) -> Path:
    """Write channels as MDF 4: wheels in one group, engine in another at half the rate."""
    with asammdf.MDF(version=version) as file:
        for step, places in ((1, (1, 2, 3, 4)), (2, (5, 6, 7))):
            part = rows[::step]
            signals = [
                asammdf.Signal(part[:, at].copy(), part[:, 0].copy(), name=COLUMNS[at], unit=UNITS[at])
                for at in places
            ]
            file.append(signals, comment=f"group of {step}")
        file.save(path, overwrite=True, compression=compression)
    return path


def write_long(path: Path, rows: np.ndarray) -> Path:
    """Write a Parquet table of one row per sample of a channel."""
    table = pd.DataFrame(rows, columns=list(COLUMNS)).melt("t", var_name="channel", value_name="value")
    table.rename(columns={"t": "time"}).sort_values("time").to_parquet(path, compression="zstd", index=False)
    return path


def write_seeds(folder: Path, rows: int = 120) -> list[Seed]:
    """Write the good log in every format, with car sheet, map and message table.

    Returns
    -------
    list of Seed
        Every file can be read with ``read_run(path, None, sheet)``; maps stand in folders of their own.
    """
    write_all(folder)
    table = log_rows(rows)
    frame = pd.DataFrame(table, columns=list(COLUMNS))
    text = frame.to_csv(index=False, lineterminator="\n")
    german = frame.to_csv(index=False, sep=";", decimal=",", lineterminator="\r\n")
    head, _, rest = german.partition("\r\n")
    german = "# Messung\r\n" + head + "\r\n" + ";".join(UNITS) + "\r\n" + rest
    made: list[tuple[str, str, str]] = []

    def place(name: str, time: str = "t") -> Path:
        path = folder / name.replace(".", "_") / name
        path.parent.mkdir()
        (path.parent / "channels.toml").write_text(map_text(time))
        (path.parent / "bus.dbc").write_text(DBC)
        made.append((name, str(path), time))
        return path

    place("plain.csv").write_text(text)
    place("german.csv").write_bytes(german.encode("latin-1"))
    place("wide.csv").write_bytes(text.encode("utf-16"))
    place("packed.csv.gz").write_bytes(gzip.compress(text.encode(), mtime=0))
    clock = (pd.Timestamp("2026-03-14T09:30") + pd.to_timedelta(table[:, 0], unit="s")).strftime(
        "%H:%M:%S.%f"
    )
    frame.assign(t=clock).to_csv(place("clock.csv"), index=False, lineterminator="\n")
    frame.to_parquet(place("flat.parquet"), compression="snappy")
    frame.to_parquet(place("zstd.parquet"), compression="zstd", row_group_size=50)
    write_long(place("long.parquet", "time"), table)
    for ending in (".log", ".asc", ".blf", ".trc", ".csv", ".mf4"):
        write_can(place(f"frames{ending}", "time"), table)
    write_screen(place("screen.log", "time"), table)
    write_frame_table(place("table.csv", "time"), table)
    log = (folder / "frames_log" / "frames.log").read_bytes()
    place("packed.log.gz", "time").write_bytes(gzip.compress(log, mtime=0))
    for name, version, compression in (("old", "4.00", 0), ("deflate", "4.10", 1), ("transposed", "4.11", 2)):
        write_mdf(place(f"{name}.mf4", "time"), table, version, compression)
    return [Seed(name, Path(path), time) for name, path, time in made]
