"""Frames from a CSV table: one frame a row, with columns for time, identifier and data."""

import binascii
import re
from base64 import b64decode
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NoReturn

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit.errors import InputError
from gridfit.signals.dialect import Dialect, sniff
from gridfit.signals.framelog import Bytes, FrameId, FrameLog, Gatherer, codes
from gridfit.signals.rawlog import shown
from gridfit.signals.source import Source

BLOCK = 200_000
"""Rows that are held at a time."""
MOST_FAULTY = 0.01
"""Share of rows that may be left out before the file is refused [1]."""
HIGHEST_ID = 0x1FFFFFFF
MOST_BYTES = 64
"""Bytes of the longest CAN frame."""

_TIME = re.compile(r"time|time ?stamp|t|time ?\(s\)|time ?\[s\]|timestamp ?\(s\)|timestamp ?\[s\]")
_ID = re.compile(
    r"id|can[ _]?id|arbitration[ _]?id|identifier|msg[ _]?id|message[ _]?id|addr|address|id ?\(hex\)"
)
_DATA = re.compile(r"data|payload|data ?bytes|bytes|data ?\(hex\)|data ?\[hex\]")
_BYTE = re.compile(r"(?:d|b|data|byte)[ _]?(\d)")
_BUS = re.compile(r"bus|channel|chan|can|src|interface")
_EXTENDED = re.compile(r"extended|ext|ide|is[ _]?extended(?:[ _]?id)?")
_LEFT_OUT = re.compile(r"remote|error|rtr|is[ _]?(?:remote|error)(?:[ _]?frame)?")
_TRUE = ("1", "true", "yes", "x")


@dataclass(frozen=True, slots=True)
class _Coding:
    """Whether identifiers are decimal numbers, and data in base 64; hexadecimal otherwise."""

    decimal: bool
    base64: bool


@dataclass(frozen=True, slots=True)
class Layout:
    """Places of the columns of a table of frames."""

    time: int
    identifier: int
    data: tuple[int, ...]
    bus: int | None
    extended: int | None
    left_out: tuple[int, ...]


def layout(columns: Sequence[str]) -> Layout | None:
    """Return where a table of frames holds what, None when its columns are not those of one.

    Parameters
    ----------
    columns : sequence of str
        As in the header.
    """
    names = [name.strip().lower() for name in columns]

    def places(pattern: re.Pattern[str]) -> list[int]:
        return [at for at, name in enumerate(names) if pattern.fullmatch(name)]

    time, identifier, data = places(_TIME), places(_ID), places(_DATA)[:1] or places(_BYTE)
    if not time or not identifier or not data:
        return None
    bus, extended = places(_BUS), places(_EXTENDED)
    return Layout(
        time[0],
        identifier[0],
        tuple(data),
        bus[0] if bus else None,
        extended[0] if extended else None,
        tuple(places(_LEFT_OUT)),
    )


def read(source: Source, asked: frozenset[FrameId]) -> FrameLog:
    """Read a table of frames.

    Parameters
    ----------
    source : Source
        A CSV whose header `layout` knows.
    asked : frozenset of FrameId
        Frames to keep.

    Returns
    -------
    FrameLog

    Raises
    ------
    InputError
        When more than 1 % of the rows are broken.
    """
    dialect = sniff(source)
    found = layout(dialect.columns)
    if found is None:
        _refuse(
            source, dialect.header_line, f'"{",".join(dialect.columns)[:60]}"', "must name time, id and data"
        )
    gatherer, rows, faulty, first = Gatherer(asked), 0, 0, 0
    coding = _Coding(_is_decimal(dialect, found, asked), _is_base64(dialect, found))
    try:
        for block in _blocks(source, dialect):
            good = _add(gatherer, block, found, dialect, coding)
            if not good.all():
                first = first or dialect.first_line + rows + int(np.flatnonzero(~good)[0])
            rows, faulty = rows + good.size, faulty + int((~good).sum())
    except ValueError as error:
        _refuse(source, 0, str(error)[:80], "must be CSV with one row per line")
    if faulty > max(1.0, MOST_FAULTY * rows):
        _refuse(source, first, f"{faulty} of {rows} rows are broken", "every row must hold time, id and data")
    return gatherer.log((("broken row", faulty),) if faulty else ())


def _refuse(source: Source, line: int, value: str, allowed: str) -> NoReturn:
    raise InputError.of(
        where=f"{source.name}:{line}" if line else source.name,
        what="CAN frames",
        value=shown(value, 80),
        allowed=f"{allowed} of each frame",
        remedy="Export the frames again, or give the log in the logger's own format.",
    )


def _blocks(source: Source, dialect: Dialect) -> "pd.io.parsers.TextFileReader":
    return pd.read_csv(
        source.file,
        sep=dialect.delimiter,
        header=None,
        names=range(len(dialect.columns)),
        skiprows=dialect.first_line - 1,
        dtype=str,
        keep_default_na=False,
        index_col=False,
        chunksize=BLOCK,
        encoding=dialect.encoding,
        encoding_errors="replace",
        on_bad_lines="skip",
        engine="c",
    )


def _is_decimal(dialect: Dialect, found: Layout, asked: frozenset[FrameId]) -> bool:
    """Say whether identifiers are decimal: when that finds more frames of the message table in the sample."""
    texts = {row[found.identifier].strip() for row in dialect.sample if len(row) > found.identifier}
    if not all(re.fullmatch(r"\d+", one) for one in texts):
        return False
    known = {identifier for identifier, _ in asked}
    tens = sum(int(one) in known for one in texts)
    return tens > sum(int(one, 16) in known for one in texts)


def _is_base64(dialect: Dialect, found: Layout) -> bool:
    """Say whether most of the sample's data are no hexadecimal numbers."""
    texts = [row[found.data[0]].strip() for row in dialect.sample if len(row) > max(found.data)]
    return 2 * sum(_bytes(one, base64=False) is None for one in texts) > len(texts)


def _add(
    gatherer: Gatherer, block: pd.DataFrame, found: Layout, dialect: Dialect, coding: _Coding
) -> NDArray[np.bool_]:
    """Hand a block over; return which of its rows are good."""
    time_s = pd.to_numeric(block[found.time].str.replace(dialect.decimal, "."), errors="coerce").to_numpy(
        float
    )
    texts = block[found.identifier].str.strip().str.lower()
    identifier = np.array([_identifier(one, coding.decimal) for one in texts], dtype=np.int64)
    packed = [_bytes(one, coding.base64) for one in _joined(block, found)]
    good = (
        np.isfinite(time_s)
        & (identifier >= 0)
        & np.array([one is not None for one in packed], dtype=np.bool_)
    )
    extended = identifier > 0x7FF
    extended |= texts.str.endswith("x").to_numpy(bool)
    if found.extended is not None:
        extended |= block[found.extended].str.strip().str.lower().isin(_TRUE).to_numpy(bool)
    keep = good.copy()
    for place in found.left_out:
        keep &= ~block[place].str.strip().str.lower().isin(_TRUE).to_numpy(bool)
    data, length = _matrix([one or b"" for one in packed])
    bus = np.array(block[found.bus].str.strip()) if found.bus is not None else np.full(len(block), "0")
    code = codes(identifier & 0x1FFFFFFF, extended)
    gatherer.add(time_s[keep], code[keep], bus[keep].astype(np.str_), data[keep], length[keep])
    accepted: NDArray[np.bool_] = good
    return accepted


def _joined(block: pd.DataFrame, found: Layout) -> list[str]:
    cells = [block[place].str.strip().to_list() for place in found.data]
    return cells[0] if len(cells) == 1 else [" ".join(row).strip() for row in zip(*cells, strict=True)]


def _identifier(text: str, decimal: bool) -> int:
    bare = text.removeprefix("0x").removesuffix("x").removesuffix("h")
    try:
        value = int(bare, 10 if decimal else 16)
    except ValueError:
        return -1
    return value if 0 <= value <= HIGHEST_ID else -1


def _bytes(text: str, base64: bool) -> bytes | None:
    """Return the bytes of a cell in base 64, or in hexadecimal with or without blanks; None when broken."""
    try:
        if base64:
            data = b64decode(text, validate=True)
        else:
            data = bytes.fromhex("".join(one.removeprefix("0x").zfill(2) for one in text.split()))
    except (binascii.Error, ValueError):
        return None
    return data if len(data) <= MOST_BYTES else None


def _matrix(packed: Sequence[bytes]) -> tuple[Bytes, NDArray[np.int64]]:
    length = np.array([len(one) for one in packed], dtype=np.int64)
    width = max(1, int(length.max(initial=0)))
    joined = b"".join(one.ljust(width, b"\0") for one in packed)
    return np.frombuffer(joined, dtype=np.uint8).reshape(len(packed), width), length
