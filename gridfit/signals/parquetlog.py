"""Logs as Parquet: only the columns that are asked for are read."""

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from gridfit.documents import read_head
from gridfit.errors import InputError
from gridfit.signals.rawlog import Floats, Header, RawLog, Wanted

NANOSECONDS_PER_SECOND = 1e9


def header(path: Path, delimiter: str | None, units_row: bool | None) -> Header:
    """Return column names and, where a field's metadata holds a ``unit``, units; the options are for CSV."""
    schema = _open(path).schema_arrow
    return Header(tuple(schema.names), _units(schema))


def read(path: Path, wanted: Sequence[Wanted], delimiter: str | None, units_row: bool | None) -> RawLog:
    """Read columns of a Parquet log.

    Parameters
    ----------
    path : Path
    wanted : sequence of Wanted
        Columns that the file has.
    delimiter, units_row
        Not used.

    Returns
    -------
    RawLog
        A column of time stamps comes back in seconds, with that unit.

    Raises
    ------
    InputError
        When the file is no Parquet file, or a column holds no numbers.
    """
    file = _open(path)
    names = sorted({one.column for one in wanted}, key=file.schema_arrow.names.index)
    table = file.read(columns=names)
    units = _units(file.schema_arrow)
    columns: dict[str, Floats] = {}
    for one in wanted:
        column = table.column(one.column)
        if _is_stamp(column.type):
            units[one.column] = "s"
        columns[one.column] = _numbers(path, one, column)
    with path.open("rb") as stream:
        sha256 = hashlib.file_digest(stream, "sha256").hexdigest()
    return RawLog(columns, units, sha256)


def _open(path: Path) -> Any:  # noqa: ANN401 - pyarrow has no types
    import pyarrow as pa
    import pyarrow.parquet as pq

    start = read_head(path, 4, "log")
    try:
        return pq.ParquetFile(path)
    except (pa.ArrowInvalid, OSError):
        raise InputError.of(
            where=path.name,
            what="log",
            value=f"a file that begins with {start!r}",
            allowed="must be a complete Parquet file",
            remedy="Export the log again; the file may be cut off, or of another kind.",
        ) from None


def _units(schema: Any) -> dict[str, str]:  # noqa: ANN401 - pyarrow has no types
    return {
        one.name: one.metadata[b"unit"].decode("utf-8", "replace")
        for one in schema
        if one.metadata and b"unit" in one.metadata
    }


def _is_stamp(kind: Any) -> bool:  # noqa: ANN401 - pyarrow has no types
    import pyarrow as pa

    return bool(pa.types.is_timestamp(kind) or pa.types.is_duration(kind))


def _numbers(path: Path, wanted: Wanted, column: Any) -> Floats:  # noqa: ANN401 - pyarrow has no types
    import pyarrow as pa

    kind = column.type
    if _is_stamp(kind) and wanted.dimension == "time":
        return _seconds(column)
    if pa.types.is_boolean(kind):
        return np.asarray(column.cast(pa.int8()).to_numpy(), dtype=np.float64)
    if not (pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)):
        shown = next((one.as_py() for one in column if one.is_valid), None)
        raise InputError.of(
            where=f"{path.name} row 1 column '{wanted.column}'",
            value=f"{shown!r} ({kind})",
            allowed="must be a column of numbers",
            remedy=f"Export it as numbers, or correct {wanted.where} in the channel map.",
        )
    return np.asarray(column.cast(pa.float64()).to_numpy(), dtype=np.float64)


def _seconds(column: Any) -> Floats:  # noqa: ANN401 - pyarrow has no types
    """Return seconds since the first stamp: a double cannot hold nanoseconds since 1970."""
    import pyarrow as pa
    import pyarrow.compute as pc

    stamps = pa.types.is_timestamp(column.type)
    count = column.cast(pa.timestamp("ns") if stamps else pa.duration("ns")).cast(pa.int64())
    since = pc.subtract(count, pc.min(count)) if stamps else count
    return np.asarray(since.cast(pa.float64()).to_numpy(), dtype=np.float64) / NANOSECONDS_PER_SECOND
