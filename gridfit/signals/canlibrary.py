"""Frames from the logs that python-can reads: ASC, BLF and TRC."""

import itertools
import logging
import struct
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any, NoReturn, TextIO

import numpy as np

from gridfit.errors import InputError
from gridfit.signals import blf
from gridfit.signals.extras import need
from gridfit.signals.framelog import FrameId, FrameLog, Gatherer, codes
from gridfit.signals.rawlog import shown
from gridfit.signals.source import Source, ending

BLOCK = 50_000
"""Messages that are held at a time as the library's own objects."""
MOST_FAULTY = 0.01
"""Share of lines that may be left out before the file is refused [1]."""
LONGEST_LINE = 4096
"""Characters of a line that is read at all."""


class Lines:
    """Lines of a text file, counted, none longer than `LONGEST_LINE`; what the library's readers iterate over."""

    def __init__(self, stream: TextIO) -> None:
        self.stream = stream
        self.number = 0
        self.line = ""

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        self.line = self.stream.readline(LONGEST_LINE + 1)
        if not self.line:
            raise StopIteration
        if len(self.line) > LONGEST_LINE:
            raise ValueError(f"a line of more than {LONGEST_LINE} characters")
        self.number += 1
        return self.line

    @property
    def at_the_end(self) -> bool:
        """Whether the last line that was read is the file's last and is not ended."""
        return not self.line.endswith("\n")

    def close(self) -> None:
        """Close the file."""
        self.stream.close()


def read(source: Source, asked: frozenset[FrameId]) -> FrameLog:
    """Read the frames of a log in a format that the library knows.

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
    CallError
        When the library is not installed.
    InputError
        When the log is broken; names the line of a text log.
    """
    need("can", "CAN logs", "can")
    gatherer = Gatherer(asked)
    if ending(source.path) == ".blf":
        repairs = _gather_binary(source, gatherer)
    else:
        repairs = _gather_text(source, gatherer)
    return gatherer.log(repairs)


def _gather_binary(source: Source, gatherer: Gatherer) -> tuple[tuple[str, int], ...]:
    import can

    repairs = blf.check(source)
    try:
        with can.BLFReader(str(source.file)) as reader:
            _gather(reader, gatherer)
    except Exception as error:  # noqa: BLE001 - the library may raise anything on a broken file
        if repairs and isinstance(error, struct.error):
            return repairs
        _refuse(source, 0, error)
    return repairs


def _gather_text(source: Source, gatherer: Gatherer) -> tuple[tuple[str, int], ...]:
    import can

    kinds = {".asc": can.ASCReader, ".trc": can.TRCReader}
    kind: Any = kinds[ending(source.path)]
    with source.file.open("r", encoding="utf-8-sig", errors="replace", newline=None) as stream:
        lines = Lines(stream)
        with _complaints() as complaints:
            try:
                _gather(kind(lines), gatherer)
            except Exception as error:  # noqa: BLE001 - the library may raise anything on a broken file
                if not lines.at_the_end or lines.number < 2:
                    _refuse(source, lines.number, error)
                return (("truncated last line", 1), *complaints.repairs())
    if complaints.count > max(1.0, MOST_FAULTY * lines.number):
        _refuse(source, 0, ValueError(f"{complaints.count} of {lines.number} lines hold no frame"))
    return complaints.repairs()


class _Complaints(logging.Handler):
    """Counts what the library would write to standard error: lines that it leaves out."""

    count = 0

    def emit(self, record: logging.LogRecord) -> None:
        self.count += 1

    def repairs(self) -> tuple[tuple[str, int], ...]:
        return (("broken line", self.count),) if self.count else ()


@contextmanager
def _complaints() -> Iterator[_Complaints]:
    logger, handler = logging.getLogger("can.io"), _Complaints(logging.WARNING)
    propagates, logger.propagate = logger.propagate, False
    logger.addHandler(handler)
    try:
        yield handler
    finally:
        logger.removeHandler(handler)
        logger.propagate = propagates


def _refuse(source: Source, line: int, error: Exception) -> NoReturn:
    raise InputError.of(
        where=f"{source.name}:{line}" if line else source.name,
        what="CAN log",
        value=shown(error, 80) or type(error).__name__,
        allowed=f"must be a whole {ending(source.path).lstrip('.').upper()} log of CAN frames",
        remedy="Copy the log again from the logger, or export it in another format.",
    ) from None


def _gather(messages: Iterable[Any], gatherer: Gatherer) -> None:
    """Hand messages over in blocks; what came before a fault is handed over too."""
    iterator = iter(messages)
    fault: Exception | None = None
    while fault is None:
        block: list[Any] = []
        try:
            block.extend(itertools.islice(iterator, BLOCK))
        except Exception as error:  # noqa: BLE001 - raised again below
            fault = error
        _add(gatherer, [one for one in block if not one.is_error_frame and not one.is_remote_frame])
        if not block and fault is None:
            return
    raise fault


def _add(gatherer: Gatherer, block: list[Any]) -> None:
    if not block:
        return
    size = len(block)
    time_s = np.fromiter((one.timestamp for one in block), dtype=np.float64, count=size)
    identifier = np.fromiter((one.arbitration_id for one in block), dtype=np.int64, count=size)
    extended = np.fromiter((one.is_extended_id for one in block), dtype=np.bool_, count=size)
    length = np.fromiter((len(one.data) for one in block), dtype=np.int64, count=size)
    width = max(1, int(length.max()))
    joined = b"".join(bytes(one.data).ljust(width, b"\0") for one in block)
    data = np.frombuffer(joined, dtype=np.uint8).reshape(size, width)
    bus = np.array([str(one.channel) for one in block])
    gatherer.add(time_s, codes(identifier, extended), bus, data, length)
