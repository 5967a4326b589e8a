"""Broken logs in the binary and CAN formats, for `bad_inputs`: what is done to a good one, and what is said."""

import gzip
import struct
from collections.abc import Callable
from pathlib import Path

from cases import seedlogs
from cases.goodcar import log_rows

ROWS = 120

Damage = Callable[[Path], object]


def write_log(folder: Path, name: str) -> Path:
    """Write the good log in one format into the good folder, with map and message table."""
    (folder / "channels.toml").write_text(seedlogs.map_text("time"))
    (folder / "bus.dbc").write_text(seedlogs.DBC)
    path, rows = folder / name, log_rows(ROWS)
    if name.startswith("signals"):
        return seedlogs.write_mdf(path, rows, "4.10", 1)
    if name == "long.parquet":
        return seedlogs.write_long(path, rows)
    return seedlogs.write_can(path, rows)


def swap_text(old: str, new: str, times: int = 1) -> Damage:
    return lambda path: path.write_text(path.read_text().replace(old, new, times))


def in_table(old: str, new: str) -> Damage:
    """Change the message table beside the log."""
    return lambda path: (path.parent / "bus.dbc").write_text(seedlogs.DBC.replace(old, new, 1))


def in_map(old: str, new: str) -> Damage:
    """Change the channel map beside the log."""
    return lambda path: (path.parent / "channels.toml").write_text(
        seedlogs.map_text("time").replace(old, new, 1)
    )


def in_file_table(line: str) -> Damage:
    """Begin the channel map with a ``[file]`` table of one line."""
    return in_map("[channels]", f"[file]\n{line}\n[channels]")


def put(at: int, data: bytes) -> Damage:
    """Overwrite bytes."""

    def damage(path: Path) -> None:
        made = bytearray(path.read_bytes())
        made[at : at + len(data)] = data
        path.write_bytes(made)

    return damage


def cut(share: float) -> Damage:
    """Cut the file off."""
    return lambda path: path.write_bytes(path.read_bytes()[: int(share * path.stat().st_size)])


def _no_table(path: Path) -> None:
    (path.parent / "bus.dbc").unlink()


def _two_tables(path: Path) -> None:
    (path.parent / "second.dbc").write_text(seedlogs.DBC)


def _other_lines(path: Path) -> None:
    path.write_text("".join(f"line {at} of a diary\n" for at in range(50)))


def _broken_lines(path: Path) -> None:
    lines = path.read_text().splitlines()
    path.write_text("\n".join(line[:-9] if at % 20 == 7 else line for at, line in enumerate(lines)) + "\n")


def _broken_line_of_asc(path: Path) -> None:
    lines = path.read_text().splitlines()
    lines[30] = lines[30].rsplit(" ", 4)[0] + " zz"
    path.write_text("\n".join(lines) + "\n")


def _second_bus(path: Path) -> None:
    text = path.read_text()
    path.write_text(text + text.replace("can0", "can1"))


def _broken_rows(path: Path) -> None:
    lines = path.read_text().splitlines()
    path.write_text("\n".join(line[:-2] + "*" if at > 5 else line for at, line in enumerate(lines)) + "\n")


def _back_link(path: Path) -> None:
    """Lead the first data group's next link back to itself."""
    raw = bytearray(path.read_bytes())
    (first,) = struct.unpack_from("<Q", raw, 64 + 24)
    struct.pack_into("<Q", raw, first + 24, first)
    path.write_bytes(raw)


def _wide_channel(path: Path) -> None:
    """Let a channel lie past the end of its record."""
    raw = bytearray(path.read_bytes())
    at = raw.index(b"##CN")
    (links,) = struct.unpack_from("<Q", raw, at + 16)
    struct.pack_into("<I", raw, at + 24 + 8 * links + 4, 5000)
    path.write_bytes(raw)


def _no_engine(path: Path) -> None:
    lines = path.read_text().splitlines(keepends=True)
    path.write_text("".join(line for line in lines if " 18FF0001#" not in line))


def _pack_badly(path: Path) -> None:
    packed = gzip.compress(path.read_bytes(), mtime=0)
    path.write_bytes(packed[:300] + bytes(80) + packed[380:])


DIARY = ("must hold lines of frames", "(SECONDS) BUS ID#DATA")
LOGS: tuple[tuple[str, str, Damage, tuple[str, ...]], ...] = (
    ("can-no-table", "day.log", _no_table, ("day.log message table", "no DBC file", "Put the DBC file")),
    ("can-two-tables", "day.log", _two_tables, ("bus.dbc, second.dbc", "[file] and dbc")),
    ("can-table-named", "day.log", in_file_table('dbc = "car.dbc"'), (":2 [file] dbc", '"car.dbc"')),
    ("can-table-syntax", "day.log", in_table(" SG_ fr :", " SG_ fr ="), ("bus.dbc:11", "must be a DBC file")),
    ("can-table-empty", "day.log",
     in_table(seedlogs.DBC[seedlogs.DBC.index("BO_"):], ""), ("bus.dbc", "no signal", "BO_")),
    ("can-other-table", "day.log",
     in_table(seedlogs.DBC, seedlogs.DBC.replace("BO_ 256 ", "BO_ 300 ").replace("2566848513", "2147483949")),
     ("day.log frames", "none that bus.dbc knows", "this car and bus")),
    ("can-no-such-signal", "day.log", in_map('"revs"', '"rev"'), (":8 [channels] rpm", '"rev"', "revs")),
    ("can-no-such-message", "day.log", _no_engine,
     (":7 [channels] throttle", '"pedal"', "ENGINE (0x18FF0001), which is not in")),
    ("can-no-such-bus", "day.log", in_file_table('bus = "can7"'), (":2 [file] bus", '"can7"', "WHEELS")),
    ("can-two-buses", "day.log", _second_bus, ("day.log message WHEELS (0x100)", "can0, can1", "one bus", "bus = ")),
    ("can-diary", "day.log", _other_lines, ("day.log:1", "line 0 of a diary", *DIARY)),
    ("can-broken-lines", "day.log", _broken_lines, ("day.log:8", "of 180 lines are broken", "must be a frame")),
    ("asc-broken-line", "day.asc", _broken_line_of_asc, ("day.asc:31", "ASC log", "Copy the log again")),
    ("blf-other", "day.blf", put(0, b"DIARY"), ("day.blf byte 0", "begins with b'DIAR'", "BLF")),
    ("blf-length", "day.blf", put(144 + 8, b"\xff\xff\xff\x7f"), ("day.blf byte 144", "2147483647", "BLF")),
    ("csv-frames-broken", "day.csv", _broken_rows, ("day.csv:7", "rows are broken", "time, id and data")),
    ("mdf-other", "signals.mf4", put(0, b"DIARY   "), ("signals.mf4 log", "b'DIARY   '", "MDF 4")),
    ("mdf-version", "signals.mf4", put(8, b"3.30    "), ("signals.mf4", "MDF version 3.30", "version 4")),
    ("mdf-unfinished", "signals.mf4", put(0, b"UnFinMF "), ("signals.mf4", "did not finish", "finish it")),
    ("mdf-cut", "signals.mf4", cut(0.6), ("signals.mf4 byte", "within the file", "cut off")),
    ("mdf-circle", "signals.mf4", _back_link, ("signals.mf4 byte", "a link back to byte", "damaged")),
    ("mdf-channel-past-record", "signals.mf4", _wide_channel,
     ("signals.mf4 byte", "at byte 5000 of a record", "damaged")),
    ("mdf-frames-no-table", "frames.mf4", _no_table, ("frames.mf4 message table", "no DBC file")),
    ("long-cut", "long.parquet", cut(0.7), ("long.parquet", "complete Parquet file", "cut off")),
    ("packed-broken", "day.log.gz", _pack_badly, ("day.log.gz packed log", "gzip", "Copy the log again")),
)  # fmt: skip
"""Name of the case, name of the log, what is done to it, words that the message must hold."""
