"""Logs as CSV: the columns that are asked for, in one pass of the fast parser, faulty lines left out."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit.errors import InputError, Problem
from gridfit.signals import stamps
from gridfit.signals.dialect import HEAD_BYTES, Dialect, sniff
from gridfit.signals.rawlog import Floats, Header, Hints, RawLog, Wanted, line_of, shown
from gridfit.signals.source import Source

CHUNK_BYTES = 1 << 20
"""What is held of a file at a time, apart from the columns that are asked for."""
MISSING = ("", "-", "--", "---", "NA", "N/A", "n/a", "NaN", "nan", "NULL", "null", "None")
"""Cells that hold no value."""
WORDS = {"on": 1.0, "off": 0.0, "true": 1.0, "false": 0.0, "yes": 1.0, "no": 0.0}
"""Words of a switch; case does not matter."""
MOST_FAULTY = 0.01
"""Share of lines that may be left out before the file is refused [1]."""


def header(source: Source, hints: Hints) -> Header:
    """Return column names and, when the log has a line of them, units."""
    dialect = sniff(source, hints.delimiter, hints.units_row)
    return Header(dialect.columns, _units(dialect))


def names(source: Source) -> tuple[str, ...]:
    """Return the column names, none when the head of the file is no header of a table."""
    try:
        return sniff(source).columns
    except InputError:
        return ()


def read(source: Source, wanted: Sequence[Wanted], hints: Hints) -> RawLog:
    """Read columns of a CSV log.

    Parameters
    ----------
    source : Source
    wanted : sequence of Wanted
        Columns that the header has.
    hints : Hints
        Delimiter and line of units, when they are told.

    Returns
    -------
    RawLog

    Raises
    ------
    InputError
        When a cell holds text instead of a number, or more than 1 % of the lines are incomplete.
    """
    dialect = sniff(source, hints.delimiter, hints.units_row)
    survey = _survey(source.file, dialect)
    faulty = _faulty_lines(source, dialect, survey)
    columns = _parse(source, dialect, wanted, faulty)
    skipped = np.union1d(faulty.ragged, faulty.blank)
    sha256 = source.own_sha256 or survey.sha256
    told = _units(dialect)
    told |= {one.column: "s" for one in wanted if _is_clock(dialect, dialect.columns.index(one.column), one)}
    return RawLog(columns, told, sha256, dialect.first_line, skipped, faulty.repairs)


def _units(dialect: Dialect) -> dict[str, str]:
    return dict(zip(dialect.columns, dialect.units, strict=False)) if dialect.units else {}


@dataclass(frozen=True, slots=True)
class _Survey:
    sha256: str
    newlines: int
    delimiters: int
    ended: bool


@dataclass(frozen=True, slots=True)
class _Faulty:
    ragged: NDArray[np.int64]
    blank: NDArray[np.int64]
    repairs: tuple[tuple[str, int], ...] = ()


_NEWLINE = ord("\n")


def _survey(path: Path, dialect: Dialect) -> _Survey:
    """Digest the file and count its lines and delimiters, so that faulty lines cannot pass unseen."""
    digest, newlines, delimiters, last = hashlib.sha256(), 0, 0, 0
    mark, buffer = ord(dialect.delimiter), bytearray(CHUNK_BYTES)
    view, values = memoryview(buffer), np.frombuffer(buffer, dtype=np.uint8)
    with path.open("rb", buffering=0) as stream:
        while size := stream.readinto(buffer):
            digest.update(view[:size])
            newlines += int(np.count_nonzero(values[:size] == _NEWLINE))
            delimiters += int(np.count_nonzero(values[:size] == mark))
            last = buffer[size - 1]
    return _Survey(digest.hexdigest(), newlines, delimiters, last == _NEWLINE)


def _faulty_lines(source: Source, dialect: Dialect, survey: _Survey) -> _Faulty:
    """Return the lines from the first row on that are blank, incomplete, or not ended (only the last)."""
    rows = survey.newlines - (dialect.first_line - 1)
    counts = _delimiters_per_line(source.file, dialect, only_if=survey, rows=rows)
    lines = np.arange(dialect.first_line, dialect.first_line + max(rows, 0), dtype=np.int64)
    blank = lines[counts == -1]
    wrong = lines[(counts != -1) & (counts != dialect.fields - 1)]
    if wrong.size > max(1.0, MOST_FAULTY * lines.size):
        raise InputError.of(
            where=f"{source.name}:{wrong[0]}",
            what="columns",
            value=f"{counts[wrong[0] - dialect.first_line] + 1} ({wrong.size} of {lines.size} lines wrong)",
            allowed=f"every line must have as many columns as the header ({dialect.fields})",
            remedy="Is the delimiter also the decimal sign? Export the log with another delimiter.",
        )
    repairs = (("incomplete line", int(wrong.size)),) if wrong.size else ()
    if not survey.ended:
        last = np.array([dialect.first_line + rows], dtype=np.int64)
        return _Faulty(np.append(wrong, last), blank, (("truncated last line", 1), *repairs))
    return _Faulty(wrong, blank, repairs)


def _delimiters_per_line(path: Path, dialect: Dialect, only_if: _Survey, rows: int) -> NDArray[np.int64]:
    """Return the delimiters of each ended line from the first row on, -1 for a blank one."""
    usual = dialect.fields - 1
    # The head (preamble, header, units) and a line that is not ended may hold any number.
    expected = only_if.delimiters - _head_delimiters(path, dialect) - _tail_delimiters(path, dialect, only_if)
    if dialect.quoted or expected == rows * usual:
        return np.full(max(rows, 0), usual, dtype=np.int64)
    mark, parts, rest = ord(dialect.delimiter), [], b""
    with path.open("rb") as stream:
        while chunk := stream.read(CHUNK_BYTES):
            end = chunk.rfind(b"\n") + 1
            parts.append(_count(np.frombuffer(rest + chunk[:end], dtype=np.uint8), mark))
            rest = rest + chunk if end == 0 else chunk[end:]
    return np.concatenate(parts)[dialect.first_line - 1 :]


def _head_delimiters(path: Path, dialect: Dialect) -> int:
    with path.open("rb") as stream:
        return sum(stream.readline().count(dialect.delimiter.encode()) for _ in range(dialect.first_line - 1))


def _tail_delimiters(path: Path, dialect: Dialect, survey: _Survey) -> int:
    """Return the delimiters after the last newline."""
    if survey.ended:
        return 0
    with path.open("rb") as stream:
        stream.seek(max(0, path.stat().st_size - HEAD_BYTES))
        return stream.read().rpartition(b"\n")[2].count(dialect.delimiter.encode())


def _count(data: NDArray[np.uint8], mark: int) -> NDArray[np.int64]:
    ends = np.flatnonzero(data == _NEWLINE)
    before = np.searchsorted(np.flatnonzero(data == mark), ends)
    counts = np.diff(before, prepend=0).astype(np.int64)
    length = np.diff(ends, prepend=-1) - 1
    # A blank line may still hold the carriage return of its ending.
    blank = (length == 0) | ((length == 1) & (data[np.maximum(ends - 1, 0)] == ord("\r")))
    counts[blank] = -1
    return counts


def _parse(source: Source, dialect: Dialect, wanted: Sequence[Wanted], faulty: _Faulty) -> dict[str, Floats]:
    places = [dialect.columns.index(one.column) for one in wanted]
    words = {place for place, one in zip(places, wanted, strict=True) if _has_words(dialect, place, one)}
    clocks = {place for place, one in zip(places, wanted, strict=True) if _is_clock(dialect, place, one)}
    kinds: dict[int, Any] = dict.fromkeys(words, "category") | dict.fromkeys(clocks, str)
    dtypes = {place: kinds.get(place, np.float64) for place in places}
    options = _options(dialect, places, faulty)
    try:
        table = pd.read_csv(source.file, dtype=dtypes, **options)
    except ValueError as error:
        raise _text_error(source, dialect, wanted, places, options, faulty) or InputError.of(
            where=source.name,
            what="log",
            value=shown(error, 120),
            allowed="must be CSV with one row per line",
            remedy="Export the log again.",
        ) from None
    columns: dict[str, Floats] = {}
    for place, one in zip(places, wanted, strict=True):
        if place in words:
            columns[one.column] = _words(source, one, table[place])
        else:
            columns[one.column] = stamps.seconds(table[place]) if place in clocks else table[place].to_numpy()
    return columns


def _is_clock(dialect: Dialect, place: int, wanted: Wanted) -> bool:
    """Say whether a column of the time holds times of day or dates, by the first row that has a cell there."""
    cells = (row[place] for row in dialect.sample if len(row) > place and row[place].strip())
    return wanted.dimension == "time" and stamps.is_stamp(next(cells, ""))


def _options(dialect: Dialect, places: Sequence[int], faulty: _Faulty) -> dict[str, Any]:
    head = range(dialect.first_line - 1)
    return {
        "sep": dialect.delimiter,
        "decimal": dialect.decimal,
        "header": None,
        "index_col": False,
        "usecols": sorted(places),
        "skiprows": [*head, *(int(line) - 1 for line in faulty.ragged)],
        "na_values": list(MISSING),
        "keep_default_na": False,
        # Blanks before numbers do no harm, and skipping them doubles the time.
        "skipinitialspace": any(cell.startswith(" ") for row in dialect.sample for cell in row),
        "encoding": dialect.encoding,
        "encoding_errors": "replace",
        "engine": "c",
    }


def _has_words(dialect: Dialect, place: int, wanted: Wanted) -> bool:
    if wanted.dimension != "brake":
        return False
    return any(len(row) > place and row[place].strip().lower() in WORDS for row in dialect.sample)


def _words(source: Source, wanted: Wanted, column: "pd.Series[Any]") -> Floats:
    """Turn on and off into 1 and 0."""
    names = [str(name) for name in column.cat.categories]
    unknown = [name for name in names if name.strip().lower() not in WORDS]
    if unknown:
        raise InputError.of(
            where=f"{source.name} column '{shown(wanted.column)}'",
            value=f'"{shown(unknown[0])}"',
            allowed=f"a switch may say {', '.join(WORDS)}",
            remedy=f"Correct the cell, or {wanted.where} in the channel map.",
        )
    values = np.array([WORDS[name.strip().lower()] for name in names] + [np.nan])
    converted: Floats = values[column.cat.codes.to_numpy()]
    return converted


def _text_error(
    source: Source,
    dialect: Dialect,
    wanted: Sequence[Wanted],
    places: Sequence[int],
    options: dict[str, Any],
    faulty: _Faulty,
) -> InputError | None:
    """Find the first cell of each column that is no number; only after the fast parser has given up."""
    try:
        table = pd.read_csv(source.file, dtype=str, **options)
    except ValueError:
        return None
    skipped = np.union1d(faulty.ragged, faulty.blank)
    problems: list[Problem] = []
    for place, one in zip(places, wanted, strict=True):
        text = table[place].dropna().str.strip()
        if _is_clock(dialect, place, one):
            continue
        if one.dimension == "brake":
            text = text[~text.str.lower().isin(list(WORDS))]
        bad = text[pd.to_numeric(text.str.replace(dialect.decimal, "."), errors="coerce").isna()]
        if bad.empty:
            continue
        line = line_of(int(bad.index[0]), dialect.first_line, skipped)
        remedy = "Correct the cell, or leave it empty."
        if line == dialect.first_line and dialect.units is None:
            remedy = "If this line holds units, set units_row = true in the channel map."
        problems += InputError.of(
            where=f"{source.name}:{line} column '{shown(one.column)}'",
            value=f'"{shown(bad.iloc[0])}"',
            allowed=f"must be a number ({len(bad)} of {len(table)} cells of the column are not)",
            remedy=remedy,
        ).problems
    return InputError(problems) if problems else None
