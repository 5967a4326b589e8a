"""How a CSV log is written: delimiter, decimal sign, where its header and its units stand."""

import csv
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from gridfit import units
from gridfit.documents import read_head
from gridfit.errors import InputError
from gridfit.signals.rawlog import shown
from gridfit.signals.source import Source

HEAD_BYTES = 65536
"""How much of a file is looked at."""
DELIMITERS = (",", ";", "\t", "|")
MOST_HEAD_ROWS = 3
"""Rows of words under the header that are taken for units and second names."""

DECIMAL_ROWS = 50
"""Rows by which the decimal sign is found."""

_WITH_COMMA = re.compile(r"\s*[+-]?\d*,\d+(e[+-]?\d+)?\s*", re.IGNORECASE)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?|[+-]?(nan|inf)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a CSV file is written.

    Parameters
    ----------
    delimiter, decimal, encoding : str
    columns : tuple of str
        Names in the header, without blanks around them.
    units : tuple of str or None
        The line of units under the header, one per column.
    header_line : int
        Line of the header, from 1.
    below_header : int
        Lines under the header that hold no data: units, second names.
    fields : int
        Fields of a complete line.
    quoted : bool
        Whether quotes were seen; fields can then not be counted by their delimiters.
    sample : tuple of tuple of str
        Cells of the first lines of data.
    """

    delimiter: str
    decimal: str
    encoding: str
    columns: tuple[str, ...]
    units: tuple[str, ...] | None
    header_line: int
    below_header: int
    fields: int
    quoted: bool
    sample: tuple[tuple[str, ...], ...]

    @property
    def first_line(self) -> int:
        """First line of data, from 1."""
        return self.header_line + 1 + self.below_header


def sniff(source: Source, delimiter: str | None = None, units_row: bool | None = None) -> Dialect:
    """Read a CSV file's dialect from its first 64 kB.

    Parameters
    ----------
    source : Source
    delimiter : str or None
        As the channel map says; None to find out.
    units_row : bool or None
        Whether the line under the header holds units; None to find out.

    Returns
    -------
    Dialect

    Raises
    ------
    CallError
        When there is no such file.
    InputError
        When it is empty, not text, has no header, no data, or contradicts what was said of it.
    """
    return source.keep(f"dialect {delimiter!r} {units_row}", lambda: _sniffed(source, delimiter, units_row))


def _sniffed(source: Source, delimiter: str | None, units_row: bool | None) -> Dialect:
    path = source.path
    lines, encoding = _lines(source)
    chosen = delimiter or _delimiter(path, lines)
    header, fields = _header(path, lines, chosen, given=delimiter is not None)
    columns = tuple(name.strip() for name in _cells(lines[header], chosen))
    body = lines[header + 1 :]
    rows = [_cells(line, chosen) for line in body if line.strip()]
    decimal = _decimal(rows, chosen)
    head = _head_rows(path, body, chosen, decimal, header + 2, units_row)
    below = head[-1][0] + 1 if head else 0
    sample = tuple(_cells(line, chosen) for line in body[below:] if line.strip())
    if not sample:
        _refuse(
            path, header + 2, "rows", "0", "the log must hold at least one row of data", "Export it again."
        )
    quoted = any('"' in line for line in body)
    told = _units([cells for _, cells in head])
    return Dialect(chosen, decimal, encoding, columns, told, header + 1, below, fields, quoted, sample)


def is_number(text: str, decimal: str = ".") -> bool:
    """Say whether a cell holds a number."""
    return _NUMBER.fullmatch(text.strip().replace(decimal, ".")) is not None


def _refuse(path: Path, line: int, what: str, value: str, allowed: str, remedy: str) -> None:
    where = f"{path.name}:{line}" if line else path.name
    raise InputError.of(where=where, what=what, value=shown(value, 80), allowed=allowed, remedy=remedy)


def _lines(source: Source) -> tuple[list[str], str]:
    path = source.path
    head = read_head(source.file, HEAD_BYTES, "log")
    if not head.strip():
        _refuse(path, 0, "log", "an empty file", "must hold a header and rows", "Export the log again.")
    if b"\x00" in head:
        allowed = "must be text"
        _refuse(path, 1, "encoding", "binary data", allowed, "Export the log as CSV in UTF-8.")
    if len(head) == HEAD_BYTES and b"\n" in head:
        head = head[: head.rindex(b"\n")]
    try:
        text, encoding = head.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError:
        text, encoding = head.decode("latin-1"), "latin-1"
    return text.replace("\r\n", "\n").rstrip("\n").split("\n"), encoding


def _cells(line: str, delimiter: str) -> tuple[str, ...]:
    try:
        return tuple(next(csv.reader([line], delimiter=delimiter), []))
    except csv.Error:
        return tuple(line.split(delimiter))


def _usual_count(lines: list[str], delimiter: str) -> tuple[float, int]:
    """Return the share of lines that have the usual number of fields, and that number."""
    counts = Counter(len(_cells(line, delimiter)) for line in lines[:200] if line.strip())
    fields, lines_with = max(counts.items(), key=lambda item: (item[1], item[0]))
    return lines_with / counts.total(), fields


def _delimiter(path: Path, lines: list[str]) -> str:
    usual = {one: _usual_count(lines, one) for one in DELIMITERS}
    usable = [one for one in DELIMITERS if usual[one][1] > 1]
    if not usable:
        allowed = "columns must be separated by comma, semicolon, tab or |"
        _refuse(
            path, 1, "header", f'"{lines[0][:60]}"', allowed, "Export the log again, or name the delimiter."
        )
    return max(usable, key=lambda one: usual[one])


def _header(path: Path, lines: list[str], delimiter: str, given: bool) -> tuple[int, int]:
    """Return the header's place among the lines and the number of fields of a data line."""
    _, fields = _usual_count(lines, delimiter)
    if fields < 2:
        allowed = f"the delimiter {delimiter!r} must split the lines into columns"
        remedy = "Correct delimiter in the channel map, or leave it out." if given else "Name the delimiter."
        _refuse(path, 1, "header", f'"{lines[0][:60]}"', allowed, remedy)
    trailing = lines[-1].rstrip().endswith(delimiter)
    for place, line in enumerate(lines):
        cells = _cells(line, delimiter)
        if len(cells) < fields - trailing:
            continue
        if any(is_number(cell) for cell in cells):
            allowed, remedy = "must be a header with the names of the columns", "Add a line with the names."
            _refuse(path, place + 1, "line", f'"{line[:60]}"', allowed, remedy)
        return place, fields if trailing else len(cells)
    return 0, fields


def _decimal(rows: list[tuple[str, ...]], delimiter: str) -> str:
    cells = [cell for row in rows[:DECIMAL_ROWS] for cell in row]
    if delimiter == "," and not any("," in cell for cell in cells):
        return "."
    with_comma = sum(1 for cell in cells if _WITH_COMMA.fullmatch(cell))
    with_point = sum(1 for cell in cells if "." in cell and is_number(cell))
    return "," if with_comma > with_point else "."


def _head_rows(
    path: Path, body: list[str], delimiter: str, decimal: str, line: int, units_row: bool | None
) -> list[tuple[int, tuple[str, ...]]]:
    """Return the rows under the header that hold words, no numbers: units, second names; each with its place."""
    if units_row is False:
        return []
    head: list[tuple[int, tuple[str, ...]]] = []
    for place, text in enumerate(body):
        cells = _cells(text, delimiter)
        if not text.strip():
            continue
        numeric = any(is_number(cell, decimal) for cell in cells)
        if units_row and numeric and not head:
            allowed, remedy = (
                "must hold units, as units_row says",
                "Set units_row = false in the channel map.",
            )
            _refuse(path, line, "units", f'"{" ".join(cells)[:60]}"', allowed, remedy)
        if numeric or not any(cell.strip() for cell in cells) or len(head) == MOST_HEAD_ROWS:
            break
        head.append((place, cells))
    return head


def _units(head: list[tuple[str, ...]]) -> tuple[str, ...] | None:
    """Return the row of units: the one with the most names that are known as units, the first of equals."""
    if not head:
        return None
    best = max(
        head, key=lambda cells: sum(bool(cell.strip()) and units.find(cell) is not None for cell in cells)
    )
    return tuple(cell.strip() for cell in best)
