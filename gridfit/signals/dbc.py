"""The message table of a CAN log: found beside the log or where the map says, its signals as plain values."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, NoReturn

from gridfit.documents import read_head
from gridfit.errors import InputError
from gridfit.signals.extras import need
from gridfit.signals.framelog import FrameId
from gridfit.signals.rawlog import Hints, shown
from gridfit.signals.source import Source

MOST_BYTES = 32 << 20
"""Size of a message table that is read at all."""
FLOAT_BITS = (16, 32, 64)


@dataclass(frozen=True, slots=True)
class Bits:
    """Where a signal lies in its frame; see `canbits` for the numbering."""

    start: int
    length: int
    big_endian: bool
    signed: bool = False
    floating: bool = False


@dataclass(frozen=True, slots=True)
class Selector:
    """A multiplexed signal is there when these bits hold one of the values, and the selector's own hold."""

    bits: Bits
    values: tuple[int, ...]
    above: "Selector | None" = None


@dataclass(frozen=True, slots=True)
class Coded:
    """A signal of a message: ``physical = raw * scale + offset`` [unit]."""

    name: str
    message: str
    frame: FrameId
    bits: Bits
    scale: float
    offset: float
    unit: str
    selector: Selector | None = None


@dataclass(frozen=True, slots=True)
class MessageTable:
    """Signals of a DBC file.

    Parameters
    ----------
    path : Path
    signals : tuple of Coded
    """

    path: Path
    signals: tuple[Coded, ...]

    @property
    def frames(self) -> frozenset[FrameId]:
        """Every frame that the table knows."""
        return frozenset(one.frame for one in self.signals)

    def named(self, seen: Iterable[FrameId]) -> Mapping[str, Coded]:
        """Return the signals of the frames of a log by column name.

        A name that several messages have is written ``MESSAGE.SIGNAL``.
        """
        there = frozenset(seen)
        found: dict[str, list[Coded]] = {}
        for one in self.signals:
            if one.frame in there:
                found.setdefault(one.name, []).append(one)
        return {
            (name if len(group) == 1 else f"{one.message}.{name}"): one
            for name, group in found.items()
            for one in group
        }


def find(source: Source, hints: Hints) -> Path | None:
    """Return the message table that belongs to a log, None when there is none.

    Parameters
    ----------
    source : Source
    hints : Hints

    Raises
    ------
    InputError
        When the map names one that is not there, or several lie beside the log.
    """
    if hints.dbc is not None:
        if not hints.dbc.is_file():
            allowed, remedy = "must name a DBC file", "Put the file there, or correct the name."
            raise InputError.of(
                where=hints.where, what="dbc", value=f'"{hints.dbc.name}"', allowed=allowed, remedy=remedy
            )
        return hints.dbc
    beside = sorted(one for one in source.path.parent.iterdir() if one.suffix.lower() == ".dbc")
    if len(beside) > 1:
        raise InputError.of(
            where=source.name,
            what="message table",
            value=", ".join(one.name for one in beside),
            allowed="the log's folder must hold one DBC file, or the channel map name one",
            remedy=f'Write [file] and dbc = "{beside[0].name}" in channels.toml.',
        )
    return beside[0] if beside else None


def find_for(source: Source, hints: Hints) -> MessageTable:
    """Return the message table that a CAN log needs.

    Raises
    ------
    InputError
        As `find` and `read_dbc`; also when there is none.
    """
    path = find(source, hints)
    if path is None:
        raise InputError.of(
            where=source.name,
            what="message table",
            value="no DBC file beside the log",
            allowed="a log of raw CAN frames needs the message table of its bus",
            remedy='Put the DBC file beside the log, or write [file] and dbc = "NAME.dbc" in channels.toml.',
        )
    return read_dbc(path)


def read_dbc(path: Path) -> MessageTable:
    """Read a DBC file.

    Parameters
    ----------
    path : Path
        In UTF-8 or the usual Western code page.

    Raises
    ------
    CallError
        When it cannot be read, or the library for it is not installed.
    InputError
        When it is no DBC file; names the line.
    """
    need("cantools", "CAN logs", "can")
    raw = read_head(path, MOST_BYTES + 1, "message table")
    if len(raw) > MOST_BYTES:
        _refuse(path, 0, f"more than {MOST_BYTES >> 20} MB", "is this a DBC file?")
    return MessageTable(path, _parse(path, _text(raw)))


def _refuse(path: Path, line: int, value: str, said: str) -> NoReturn:
    where = f"{path.name}:{line}" if line else path.name
    remedy = "Export the message table again as DBC, or mend the line."
    raise InputError.of(
        where=where, what="message table", value=value, allowed=f"must be a DBC file ({said})", remedy=remedy
    )


def _text(raw: bytes) -> str:
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            return raw.decode(encoding)
        except UnicodeDecodeError:
            continue
    return raw.decode("latin-1")


@lru_cache(maxsize=8)
def _parse(path: Path, text: str) -> tuple[Coded, ...]:
    from cantools.database.can import Database

    database = Database(strict=False)
    try:
        database.add_dbc_string(text)
        found = tuple(
            _coded(message, signal)
            for message in database.messages
            for signal in message.signals
            if 1 <= signal.length <= 64 and (not signal.is_float or signal.length in FLOAT_BITS)
        )
    except Exception as error:  # noqa: BLE001 - somebody else's parser may raise anything on a broken file
        said = " ".join(str(error).split())
        line = re.search(r"line (\d+)", said)
        _refuse(path, int(line.group(1)) if line else 0, f'"{shown(said[-60:])}"', "the parser stopped here")
    if not found:
        _refuse(path, 0, "no signal", "must define messages (BO_) and signals (SG_)")
    return found


def _coded(message: Any, signal: Any) -> Coded:  # noqa: ANN401 - cantools' own types
    scale, offset = float(signal.scale), float(signal.offset)
    frame = (int(message.frame_id), bool(message.is_extended_frame))
    selector = _selector(message, signal)
    return Coded(signal.name, message.name, frame, _bits(signal), scale, offset, signal.unit or "", selector)


def _bits(signal: Any) -> Bits:  # noqa: ANN401 - cantools' own types
    big = signal.byte_order == "big_endian"
    return Bits(signal.start, signal.length, big, bool(signal.is_signed), bool(signal.is_float))


def _selector(message: Any, signal: Any, depth: int = 0) -> Selector | None:  # noqa: ANN401 - cantools' own types
    if not signal.multiplexer_ids or not signal.multiplexer_signal or depth > 8:
        return None
    by_name = {one.name: one for one in message.signals}
    above = by_name[signal.multiplexer_signal]
    return Selector(_bits(above), tuple(signal.multiplexer_ids), _selector(message, above, depth + 1))
