"""Logs as Parquet: only the columns that are asked for are read."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np

from gridfit.documents import read_head
from gridfit.errors import InputError
from gridfit.signals import rates
from gridfit.signals.rawlog import TIME, Floats, Header, Hints, RawLog, Wanted, shown
from gridfit.signals.source import Source

T = TypeVar("T")

NANOSECONDS_PER_SECOND = 1e9


BATCH_ROWS = 1 << 17
"""Rows of a long table that are held at a time."""
MOST_CELLS = 1 << 29
"""Numbers that are read of one file at most."""

_CHANNEL = ("channel", "name", "signal", "variable", "parameter")
_VALUE = ("value", "val", "data", "sample")
_TIME = ("time", "timestamp", "t", "time_s", "timestamps", "seconds")


@dataclass(frozen=True, slots=True)
class Long:
    """Columns of a long table: one row per sample of a channel."""

    time: str
    channel: str
    value: str


def header(source: Source, hints: Hints) -> Header:
    """Return column names and, where a field's metadata holds a ``unit``, units; the options are for others.

    The columns of a long table are its channels.
    """
    file = _open(source)
    schema = file.schema_arrow
    long = _long(schema)
    if long is None:
        return Header(tuple(schema.names), _units(schema))
    return Header((TIME, *_channels(source, file, long)), {TIME: "s"})


def read(source: Source, wanted: Sequence[Wanted], hints: Hints) -> RawLog:
    """Read columns of a Parquet log.

    Parameters
    ----------
    source : Source
    wanted : sequence of Wanted
        Columns of the header.
    hints : Hints
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
    file = _open(source)
    long = _long(file.schema_arrow)
    if long is not None:
        return _read_long(source, file, long, wanted)
    names = sorted({one.column for one in wanted}, key=file.schema_arrow.names.index)
    _check_size(source, file.metadata.num_rows * len(names))
    table = guarded(source, lambda: file.read(columns=names, use_threads=False))
    units = _units(file.schema_arrow)
    columns: dict[str, Floats] = {}
    for one in wanted:
        column = table.column(one.column)
        if _is_stamp(column.type):
            units[one.column] = "s"
        columns[one.column] = _numbers(source, one, column)
    return RawLog(columns, units, source.sha256())


def _check_size(source: Source, cells: int) -> None:
    if not 0 <= cells <= MOST_CELLS:
        raise InputError.of(
            where=source.name,
            what="rows",
            value=f"{cells} numbers to read",
            allowed=f"a log may hold up to {MOST_CELLS} in the columns that are read",
            remedy="The file is damaged, or no log; split it when it is one.",
        )


def guarded(source: Source, call: Callable[[], T]) -> T:
    """Call the library; whatever it raises on a damaged file becomes one clear message."""
    try:
        return call()
    except Exception as error:  # noqa: BLE001 - the library may raise anything on a broken file
        start = read_head(source.file, 4, "log")
        said = shown(error, 80)
        raise InputError.of(
            where=source.name,
            what="log",
            value=f"a file that begins with {start!r} ({said})",
            allowed="must be a complete Parquet file",
            remedy="Export the log again; the file may be cut off, or of another kind.",
        ) from None


def _open(source: Source) -> Any:  # noqa: ANN401 - pyarrow has no types
    return source.keep("parquet", lambda: _opened(source))


def _opened(source: Source) -> Any:  # noqa: ANN401 - pyarrow has no types
    import pyarrow.parquet as pq

    file = guarded(source, lambda: pq.ParquetFile(source.file, memory_map=False))
    source.stack.callback(file.close)
    guarded(source, lambda: file.schema_arrow)
    return file


def _long(schema: Any) -> Long | None:  # noqa: ANN401 - pyarrow has no types
    """Return the columns of a long table, None when the table is a wide one."""
    import pyarrow as pa

    names = {name.strip().lower(): name for name in schema.names}

    def first(known: Sequence[str], is_kind: Callable[[Any], bool]) -> str:
        fitting = (names[name] for name in known if name in names and is_kind(schema.field(names[name]).type))
        return next(fitting, "")

    def is_text(kind: Any) -> bool:  # noqa: ANN401 - pyarrow has no types
        inner = kind.value_type if pa.types.is_dictionary(kind) else kind
        return bool(pa.types.is_string(inner) or pa.types.is_large_string(inner))

    def is_number(kind: Any) -> bool:  # noqa: ANN401 - pyarrow has no types
        return bool(pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_boolean(kind))

    if len(set(schema.names)) < len(schema.names):
        return None
    time = first(_TIME, lambda kind: is_number(kind) or _is_stamp(kind))
    channel, value = first(_CHANNEL, is_text), first(_VALUE, is_number)
    return Long(time, channel, value) if time and channel and value else None


def _channels(source: Source, file: Any, long: Long) -> tuple[str, ...]:  # noqa: ANN401 - pyarrow has no types
    def names() -> tuple[str, ...]:
        found: dict[str, None] = {}
        for batch in file.iter_batches(BATCH_ROWS, columns=[long.channel], use_threads=False):
            found |= dict.fromkeys(one for one in batch.column(0).unique().to_pylist() if one is not None)
        return tuple(found)

    _check_size(source, file.metadata.num_rows)
    return source.keep("channels", lambda: guarded(source, names))


def _read_long(source: Source, file: Any, long: Long, wanted: Sequence[Wanted]) -> RawLog:  # noqa: ANN401 - pyarrow has no types
    """Read channels of a long table, each on its own clock."""
    parts: dict[str, list[tuple[Floats, Floats]]] = {
        one.column: [] for one in wanted if one.column != TIME
    } or {_channels(source, file, long)[0]: []}

    def gather() -> None:
        import pyarrow.compute as pc

        columns = [long.time, long.channel, long.value]
        for batch in file.iter_batches(BATCH_ROWS, columns=columns, use_threads=False):
            for column, found in parts.items():
                rows = batch.filter(pc.equal(batch.column(long.channel), column))
                if rows.num_rows:
                    found.append((_clock(rows.column(long.time)), _floats(rows.column(long.value))))

    _check_size(source, 3 * file.metadata.num_rows)
    guarded(source, gather)
    dimension = {one.column: one.dimension for one in wanted}
    merged = rates.merge(
        [
            rates.Track(name, dimension.get(name, ""), *(_joined(found, at) for at in (0, 1)))
            for name, found in parts.items()
        ]
    )
    columns = merged.columns | {TIME: merged.time_s}
    return RawLog(
        {one.column: columns[one.column] for one in wanted},
        {TIME: "s"},
        source.sha256(),
        remarks=merged.remarks,
    )


def _joined(parts: Sequence[tuple[Floats, Floats]], at: int) -> Floats:
    return np.concatenate([part[at] for part in parts]) if parts else np.zeros(0)


def _floats(column: Any) -> Floats:  # noqa: ANN401 - pyarrow has no types
    import pyarrow as pa

    return np.asarray(column.cast(pa.float64()).to_numpy(zero_copy_only=False), dtype=np.float64)


def _clock(column: Any) -> Floats:  # noqa: ANN401 - pyarrow has no types
    """Return stamps in seconds; those of a time of day count from 1970, good to 0.2 microseconds."""
    import pyarrow as pa

    if not _is_stamp(column.type):
        return _floats(column)
    kind = pa.timestamp("ns") if pa.types.is_timestamp(column.type) else pa.duration("ns")
    return _floats(column.cast(kind).cast(pa.int64())) / NANOSECONDS_PER_SECOND


def _units(schema: Any) -> dict[str, str]:  # noqa: ANN401 - pyarrow has no types
    return {
        one.name: one.metadata[b"unit"].decode("utf-8", "replace")
        for one in schema
        if one.metadata and b"unit" in one.metadata
    }


def _is_stamp(kind: Any) -> bool:  # noqa: ANN401 - pyarrow has no types
    import pyarrow as pa

    return bool(pa.types.is_timestamp(kind) or pa.types.is_duration(kind))


def _numbers(source: Source, wanted: Wanted, column: Any) -> Floats:  # noqa: ANN401 - pyarrow has no types
    import pyarrow as pa

    kind = column.type
    if _is_stamp(kind) and wanted.dimension == "time":
        return _seconds(column)
    if pa.types.is_boolean(kind):
        return np.asarray(column.cast(pa.int8()).to_numpy(), dtype=np.float64)
    if not (pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)):
        first = next((one.as_py() for one in column if one.is_valid), None)
        raise InputError.of(
            where=f"{source.name} row 1 column '{wanted.column}'",
            value=f"{shown(repr(first))} ({kind})",
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
