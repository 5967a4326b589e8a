"""What every format's reader returns: named columns of numbers as logged, and how to find a row again."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

NO_MAP = "channels.toml [file]"
"""Where a hint would stand when there is no channel map, for messages."""
TIME = "time"
"""Name of the column of the clock, in formats in which the clock is no column."""


def shown(value: object, most: int = 60) -> str:
    """Return a text of a log for a message: on one line, what cannot be printed escaped, not too long."""
    text = " ".join(str(value)[: 4 * most].split())[:most]
    return "".join(one if one.isprintable() else one.encode("unicode_escape").decode() for one in text)


@dataclass(frozen=True, slots=True)
class Wanted:
    """A column that is asked of a log.

    Parameters
    ----------
    column : str
    dimension : str
        What it measures; ``time`` and ``brake`` may be written in other ways than as numbers.
    where : str
        The channel map's entry, for messages.
    """

    column: str
    dimension: str
    where: str


@dataclass(frozen=True, slots=True)
class Hints:
    """What the channel map says about how a log is written; all of it may be left out.

    Parameters
    ----------
    delimiter : str or None
        Of a CSV log; None to find out.
    units_row : bool or None
        Whether the line under a CSV log's header holds units; None to find out.
    dbc : Path or None
        Message table of a CAN log; None for the one ``*.dbc`` beside the log.
    bus : str or None
        Which bus of a CAN log; None when there is only one with the messages that are asked for.
    columns : tuple of str or None
        Columns that the channel map names, so that nothing else need be kept; None for all.
    where, bus_where : str
        Places of the map's ``dbc`` and ``bus``, for messages.
    """

    delimiter: str | None = None
    units_row: bool | None = None
    dbc: Path | None = None
    bus: str | None = None
    columns: tuple[str, ...] | None = None
    where: str = NO_MAP
    bus_where: str = NO_MAP


@dataclass(frozen=True, slots=True)
class Header:
    """Names of a log's columns, and their units where the log itself tells them.

    Parameters
    ----------
    columns : tuple of str
    units : dict of str to str
    also : frozenset of str
        Further names by which columns may be asked for, for instance with the message's name in front.
    absent : dict of str to str
        Columns that the log could have had, with the reason why it has not.
    """

    columns: tuple[str, ...]
    units: Mapping[str, str] = field(default_factory=dict)
    also: frozenset[str] = frozenset()
    absent: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class RawLog:
    """Columns of a log as they were written.

    Parameters
    ----------
    columns : dict of str to float64[S]
        By column name, NaN where a cell is empty.
    units : dict of str to str
        Units that the log itself tells.
    sha256 : str
    first_line : int
        Line of the first row; 0 when the format has no lines.
    skipped : int64[...]
        Lines after `first_line` that hold no row, increasing.
    repairs : tuple of (str, int)
        Rows that the reader left out, with counts.
    remarks : tuple of (str, int)
        What else a user should know, with counts; no row was left out for it.
    beside : tuple of Path
        Other files that were read, for instance a message table.
    """

    columns: Mapping[str, Floats]
    units: Mapping[str, str]
    sha256: str
    first_line: int = 0
    skipped: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    repairs: tuple[tuple[str, int], ...] = ()
    remarks: tuple[tuple[str, int], ...] = ()
    beside: tuple[Path, ...] = ()

    def place(self, row: int) -> str:
        """Return ``:123`` for the line of a row, ``" row 7"`` (from 1) when the format has no lines."""
        if self.first_line == 0:
            return f" row {row + 1}"
        return f":{line_of(row, self.first_line, self.skipped)}"


def line_of(row: int, first_line: int, skipped: NDArray[np.int64]) -> int:
    """Return the line on which a row stands.

    Parameters
    ----------
    row : int
        From 0.
    first_line : int
        Line of the first row.
    skipped : int64[...]
        Lines from there on that hold no row, increasing.
    """
    line = first_line + row
    for gap in skipped:
        if gap > line:
            break
        line += 1
    return line
