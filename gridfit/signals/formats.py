"""Which reader a log is read with: by file ending, and for a CSV by what its header names."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from gridfit.errors import InputError, Problem
from gridfit.signals import cancsv, canlog, csvlog, mdflog, parquetlog
from gridfit.signals.rawlog import Header, Hints, RawLog, Wanted, shown
from gridfit.signals.source import Source, ending, opened


@dataclass(frozen=True, slots=True)
class Format:
    """A kind of log file.

    Parameters
    ----------
    name : str
    header : callable
        (source, hints) -> Header.
    read : callable
        (source, wanted columns, hints) -> RawLog.
    """

    name: str
    header: Callable[[Source, Hints], Header]
    read: Callable[[Source, Sequence[Wanted], Hints], RawLog]


CAN = Format("CAN", canlog.header, canlog.read)
MDF = Format("MDF 4", mdflog.header, mdflog.read)
CSV = Format("CSV", csvlog.header, csvlog.read)
FORMATS: dict[str, Format] = {
    ".csv": CSV,
    ".parquet": Format("Parquet", parquetlog.header, parquetlog.read),
    ".tsv": CSV,
    ".mf4": MDF,
    ".mdf": MDF,
    ".log": CAN,
    ".asc": CAN,
    ".blf": CAN,
    ".trc": CAN,
}
"""Readers by file ending, lower case; each may be followed by ``.gz``."""


def format_of(source: Source) -> Format:
    """Return the reader of a log; a CSV that holds CAN frames is read as a CAN log."""
    kind = FORMATS[ending(source.path)]
    return CAN if kind is CSV and cancsv.layout(csvlog.names(source)) else kind


def read_columns(path: Path, wanted: Sequence[Wanted], hints: Hints | None = None) -> RawLog:
    """Read columns of a log as they were logged: no channel map, no units converted, no clock repaired.

    Parameters
    ----------
    path : Path
        A log with an ending in `FORMATS`.
    wanted : sequence of Wanted
        Columns of its header.
    hints : Hints or None
        How it is written, when that is known.

    Returns
    -------
    RawLog

    Raises
    ------
    CallError
        When the library for its format is not installed.
    InputError
        When the log is wrong, or a column is not there.
    """
    said = hints or Hints(columns=tuple(one.column for one in wanted))
    with opened(path) as source:
        kind = format_of(source)
        header = kind.header(source, said)
        absent = [one for one in wanted if one.column not in {*header.columns, *header.also}]
        if absent:
            allowed = f"must be a column of {path.name} ({', '.join(map(shown, header.columns[:16]))})"
            remedy = "Name a column that is there."
            raise InputError(
                Problem(one.where, "column", f'"{shown(one.column)}"', allowed, remedy) for one in absent
            )
        return kind.read(source, wanted, said)
