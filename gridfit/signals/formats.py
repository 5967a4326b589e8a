"""Which reader a log is read with: by file ending, and for a CSV by what its header names."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from gridfit.signals import cancsv, canlog, csvlog, mdflog, parquetlog
from gridfit.signals.rawlog import Header, Hints, RawLog, Wanted
from gridfit.signals.source import Source, ending


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
