"""Frames from the text that candump writes, in its log form and its screen form, whole blocks at a time.

Source of the two forms: the manual pages and sources of the can-utils tools, as in open use.
``(1436509052.249713) can0 0AA#25B525B525A0258D`` and ``(0.249713)  can0  0AA   [8]  25 B5 25 B5``.
"""

import re
from collections.abc import Sequence
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from gridfit.errors import InputError
from gridfit.signals.framelog import Bytes, FrameId, FrameLog, Gatherer, codes
from gridfit.signals.source import Source

CHUNK_BYTES = 1 << 21
MOST_FAULTY = 0.01
"""Share of lines that may be left out before the file is refused [1]."""
LONGEST_LINE = 1024

_LOG = re.compile(
    rb"^[ \t]*\((\d{1,15}\.\d{1,9})\)[ \t]+(\S{1,16})[ \t]+([0-9A-Fa-f]{8}|[0-9A-Fa-f]{3})#"
    rb"(?:#[0-9A-Fa-f])?((?:[0-9A-Fa-f]{2}){0,64})(?:_[0-9A-Fa-f])?(?:[ \t]+[RTrt])?[ \t]*\r?$",
    re.MULTILINE,
)
_SCREEN = re.compile(
    rb"^[ \t]*\((\d{1,15}\.\d{1,9})\)[ \t]+(\S{1,16})[ \t]+(?:[RT]X[ \t\-BE]+[ \t]+)?([0-9A-Fa-f]{8}|[0-9A-Fa-f]{3})"
    rb"[ \t]+\[\d{1,2}\][ \t]*((?:[ \t]+[0-9A-Fa-f]{2}){0,64})[ \t]*(?:'.*')?\r?$",
    re.MULTILINE,
)
_NO_DATA = re.compile(
    rb"^[ \t]*\(\d+\.\d+\)[ \t]+\S+[ \t]+[0-9A-Fa-f]+(#[rR]\d?|[ \t]+\[\d\][ \t]+remote.*)", re.MULTILINE
)
"""Remote frames: right, but without data."""
_ERROR_FLAG = 0x20000000
_NIBBLE = np.zeros(256, dtype=np.uint8)
for _digit in b"0123456789abcdefABCDEF":
    _NIBBLE[_digit] = int(chr(_digit), 16)


def read(source: Source, asked: frozenset[FrameId]) -> FrameLog:
    """Read the frames of a candump log.

    Parameters
    ----------
    source : Source
    asked : frozenset of FrameId
        Frames to keep.

    Returns
    -------
    FrameLog

    Raises
    ------
    InputError
        When it is no such log, or more than 1 % of its lines are broken.
    """
    gatherer = Gatherer(asked)
    form: re.Pattern[bytes] | None = None
    lines, faulty, first_fault, rest = 0, 0, 0, b""
    with source.file.open("rb") as stream:
        while chunk := stream.read(CHUNK_BYTES):
            end = chunk.rfind(b"\n") + 1
            if end == 0 and len(rest) + len(chunk) > CHUNK_BYTES + LONGEST_LINE:
                _refuse(source, lines + 1, chunk[:60], "lines must be short")
            block, rest = (rest + chunk[:end], chunk[end:]) if end else (b"", rest + chunk)
            if form is None and block.strip():
                form = _form(source, block)
            found = form.findall(block) if form else []
            missing = _data_lines(block) - len(found)
            if missing:
                bad = _faulty_lines(block, form or _LOG)
                first_fault = first_fault or (lines + bad[0] if bad else 0)
                faulty += len(bad)
            lines += block.count(b"\n")
            _add(gatherer, found)
    if form is None:
        _refuse(source, 1, rest[:60], "must hold lines of frames")
    if faulty > max(1.0, MOST_FAULTY * lines):
        text = f"{faulty} of {lines} lines are broken".encode()
        _refuse(source, first_fault, text, "every line must be a frame")
    repairs = (("truncated last line", 1),) if rest.strip() else ()
    return gatherer.log((*repairs, ("broken line", faulty)) if faulty else repairs)


def _refuse(source: Source, line: int, value: bytes, allowed: str) -> NoReturn:
    raise InputError.of(
        where=f"{source.name}:{line}",
        what="line",
        value=repr(value.decode("latin-1")),
        allowed=f"{allowed}, as candump writes them: (SECONDS) BUS ID#DATA",
        remedy="Is this a CAN log? Log it again with candump -L, or copy it again from the logger.",
    )


def _form(source: Source, block: bytes) -> re.Pattern[bytes]:
    for form in (_LOG, _SCREEN):
        if form.search(block):
            return form
    first = next(line for line in block.splitlines() if line.strip())
    at = block[: block.index(first)].count(b"\n") + 1
    _refuse(source, at, first[:60], "must hold lines of frames")


def _data_lines(block: bytes) -> int:
    """Return the lines that are not blank."""
    newlines = np.frombuffer(block, dtype=np.uint8) == ord("\n")
    ends = np.flatnonzero(newlines)
    length = np.diff(ends, prepend=-1) - 1
    blank = (length == 0) | (
        (length == 1) & (np.frombuffer(block, dtype=np.uint8)[np.maximum(ends - 1, 0)] == 13)
    )
    return int(ends.size - blank.sum())


def _faulty_lines(block: bytes, form: re.Pattern[bytes]) -> list[int]:
    """Return the places of the lines of a block, from 1, that are no frame."""
    return [
        at
        for at, line in enumerate(block.split(b"\n"), start=1)
        if line.strip() and not form.match(line) and not _NO_DATA.match(line)
    ]


def _add(gatherer: Gatherer, found: Sequence[tuple[bytes, bytes, bytes, bytes]]) -> None:
    if not found:
        return
    times, buses, names, texts = zip(*found, strict=True)
    time_s = np.array(times).astype(np.float64)
    name = np.array(names, dtype="S8")
    unique, inverse = np.unique(name, return_inverse=True)
    identifier = np.array([int(one, 16) for one in unique], dtype=np.int64)[inverse]
    extended = np.array([len(one) == 8 for one in unique], dtype=np.bool_)[inverse]
    data, length = _unhex(texts)
    keep = identifier & _ERROR_FLAG == 0
    bus = np.strings.decode(np.array(buses), "latin-1")
    code = codes(identifier & 0x1FFFFFFF, extended)
    gatherer.add(time_s[keep], code[keep], bus[keep], data[keep], length[keep])


def _unhex(texts: Sequence[bytes]) -> tuple[Bytes, NDArray[np.int64]]:
    """Return the bytes that rows of hexadecimal digits stand for, and how many each row has."""
    if any(b" " in one or b"\t" in one for one in texts[:1]):
        texts = [b"".join(one.split()) for one in texts]
    digits = np.array(texts, dtype=np.bytes_)
    length = np.strings.str_len(digits).astype(np.int64) // 2
    if digits.dtype.itemsize < 2:
        return np.zeros((len(texts), 1), dtype=np.uint8), length
    nibbles = _NIBBLE[digits.view(np.uint8).reshape(len(texts), -1)]
    even = nibbles.shape[1] // 2 * 2
    data: Bytes = nibbles[:, 0:even:2] * np.uint8(16) + nibbles[:, 1:even:2]
    return data, length
