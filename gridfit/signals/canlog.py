"""Logs of raw CAN frames with their message table, behind the same interface as every other format."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from gridfit.errors import InputError
from gridfit.signals import cancsv, candump, canlibrary, dbc, rates
from gridfit.signals.candecode import tracks
from gridfit.signals.dbc import Coded, MessageTable
from gridfit.signals.framelog import FrameId, FrameLog
from gridfit.signals.rawlog import TIME, Header, Hints, RawLog, Wanted
from gridfit.signals.source import Source, ending

Parser = Callable[[Source, frozenset[FrameId]], FrameLog]

PARSERS: dict[str, Parser] = {
    ".log": candump.read,
    ".asc": canlibrary.read,
    ".blf": canlibrary.read,
    ".trc": canlibrary.read,
    ".csv": cancsv.read,
}
"""Reader of frames by file ending."""


@dataclass(frozen=True, slots=True)
class _Opened:
    table: MessageTable
    log: FrameLog
    named: Mapping[str, Coded]


def header(source: Source, hints: Hints) -> Header:
    """Return the signals of the messages that the log holds; the options for CSV are not used.

    Raises
    ------
    InputError
        When there is no message table, it is wrong, or the log is.
    """
    opened = _open(source, hints)
    return header_of(opened.named, absent(opened.table, opened.log.seen))


def absent(table: MessageTable, seen: frozenset[FrameId]) -> dict[str, str]:
    """Return the signals of messages that the log does not hold, with the words for it."""
    return {
        name: f"{table.path.name} has it in message {one.message} (0x{one.frame[0]:X}), which is not in the log."
        for one in table.signals
        if one.frame not in seen
        for name in (one.name, f"{one.message}.{one.name}")
    }


def header_of(named: Mapping[str, Coded], lacking: Mapping[str, str] | None = None) -> Header:
    """Return the header that signals by column name make."""
    units = {TIME: "s"} | {name: one.unit for name, one in named.items() if one.unit}
    also = frozenset(f"{one.message}.{one.name}" for one in named.values())
    return Header((TIME, *named), units, also, lacking or {})


def with_full_names(named: Mapping[str, Coded]) -> Mapping[str, Coded]:
    """Return the signals by column name and by ``MESSAGE.SIGNAL``."""
    return {f"{one.message}.{one.name}": one for one in named.values()} | dict(named)


def read(source: Source, wanted: Sequence[Wanted], hints: Hints) -> RawLog:
    """Read signals of a CAN log.

    Parameters
    ----------
    source : Source
    wanted : sequence of Wanted
        Columns of the header.
    hints : Hints
        Message table and bus.

    Returns
    -------
    RawLog
        On the clock of the wheel speeds; ``time`` counts from the log's first frame.

    Raises
    ------
    InputError
        When log or message table is wrong, or a signal is on several buses.
    """
    opened = _open(source, hints)
    signals = [one for one in wanted if one.column != TIME]
    found = tracks(opened.log, with_full_names(opened.named), signals, hints, source.name)
    merged = rates.merge(found or [_any_track(source, opened.log)])
    columns = merged.columns | {TIME: merged.time_s}
    units = header_of(opened.named).units
    return RawLog(
        {one.column: columns[one.column] for one in wanted},
        units,
        source.sha256(),
        repairs=opened.log.repairs,
        remarks=merged.remarks,
        beside=(opened.table.path,),
    )


def _any_track(source: Source, log: FrameLog) -> rates.Track:
    """Return the clock of the message with the most frames, for a call that asks for the time alone."""
    stamps = [one.time_s for by_bus in log.frames.values() for one in by_bus.values()]
    if not stamps:
        raise nothing_known(source.name)
    longest = max(stamps, key=len)
    return rates.Track(TIME, "time", longest, longest)


def nothing_known(name: str, table: str = "the message table") -> InputError:
    """Return the error of a log of which no frame is in the message table."""
    return InputError.of(
        where=name,
        what="frames",
        value=f"none that {table} knows",
        allowed="must hold messages of the message table",
        remedy="Is this the DBC file of this car and bus?",
    )


def _open(source: Source, hints: Hints) -> _Opened:
    return source.keep("can", lambda: _opened(source, hints))


def _opened(source: Source, hints: Hints) -> _Opened:
    table = dbc.find_for(source, hints)
    log = PARSERS[ending(source.path)](source, frames_asked(table, hints))
    named = table.named(log.seen)
    if not named:
        raise nothing_known(source.name, table.path.name)
    return _Opened(table, log, named)


def frames_asked(table: MessageTable, hints: Hints) -> frozenset[FrameId]:
    """Return the frames that have to be kept: those with a signal that the map names, else all known."""
    if hints.columns is None:
        return table.frames
    names = {name.rpartition(".")[2] for name in hints.columns} | set(hints.columns)
    return frozenset(one.frame for one in table.signals if one.name in names)
