"""What every format's reader returns: named columns of numbers as logged, and how to find a row again."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


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
class Header:
    """Names of a log's columns, and their units where the log itself tells them."""

    columns: tuple[str, ...]
    units: Mapping[str, str] = field(default_factory=dict)


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
        What the reader left out, with counts.
    """

    columns: Mapping[str, Floats]
    units: Mapping[str, str]
    sha256: str
    first_line: int = 0
    skipped: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    repairs: tuple[tuple[str, int], ...] = ()

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
