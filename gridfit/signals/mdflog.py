"""Logs as MDF 4: channels of every group at their own rate, and raw CAN frames with their message table."""

import logging
import warnings
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import redirect_stdout
from dataclasses import dataclass
from functools import partial
from io import StringIO
from typing import Any, TypeVar

import numpy as np

from gridfit.errors import InputError
from gridfit.signals import dbc, mdfblocks, rates
from gridfit.signals.candecode import tracks
from gridfit.signals.canlog import frames_asked, nothing_known, with_full_names
from gridfit.signals.dbc import Coded, MessageTable
from gridfit.signals.extras import need
from gridfit.signals.framelog import FrameLog, Gatherer, codes
from gridfit.signals.rawlog import TIME, Floats, Header, Hints, RawLog, Wanted, shown
from gridfit.signals.source import Source

T = TypeVar("T")

_MASTERS = (2, 3)
"""Channel types that hold a group's clock, stored or counted."""
_BY_TIME = 1
ABSOLUTE_S = 1e6
"""Stamps from here on count from another day: they are then counted from the first [s]."""


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a channel stands in the file."""

    group: int
    index: int
    unit: str


@dataclass(frozen=True, slots=True)
class _Opened:
    file: Any
    places: Mapping[str, _Place]
    table: MessageTable | None
    log: FrameLog
    named: Mapping[str, Coded]


def header(source: Source, hints: Hints) -> Header:
    """Return the channels of every group, and the signals of its raw CAN frames.

    Raises
    ------
    CallError
        When the library for MDF is not installed.
    InputError
        When the file is damaged, or its raw frames have no message table.
    """
    opened = _open(source, hints)
    units = {TIME: "s"} | {name: one.unit for name, one in opened.named.items() if one.unit}
    units |= {name: one.unit for name, one in opened.places.items() if one.unit}
    return Header((TIME, *opened.places, *opened.named), units, frozenset(with_full_names(opened.named)))


def read(source: Source, wanted: Sequence[Wanted], hints: Hints) -> RawLog:
    """Read channels of an MDF 4 log.

    Parameters
    ----------
    source : Source
    wanted : sequence of Wanted
        Columns of the header.
    hints : Hints
        Message table and bus of raw CAN frames.

    Returns
    -------
    RawLog
        On the clock of the wheel speeds, samples as they were stored.

    Raises
    ------
    InputError
        When the file is damaged, or a channel holds text.
    """
    opened = _open(source, hints)
    stored = [one for one in wanted if one.column in opened.places]
    framed = [one for one in wanted if one.column not in opened.places and one.column != TIME]
    found = _stored(source, opened, stored)
    found += tracks(opened.log, with_full_names(opened.named), framed, hints, source.name)
    merged = rates.merge(found or [_any_clock(source, opened)])
    time_s = merged.time_s
    if time_s.size and abs(time_s[0]) > ABSOLUTE_S:
        time_s = time_s - time_s[0]
    columns = merged.columns | {TIME: time_s}
    return RawLog(
        {one.column: columns[one.column] for one in wanted},
        header(source, hints).units,
        source.sha256(),
        remarks=merged.remarks,
        beside=(opened.table.path,) if opened.table else (),
    )


def _open(source: Source, hints: Hints) -> _Opened:
    return source.keep("mdf", lambda: _opened(source, hints))


def _guarded(source: Source, what: str, call: Callable[[], T]) -> T:
    """Call the library; whatever it raises on a damaged file becomes one clear message."""
    try:
        # It also prints what it could not mend.
        with warnings.catch_warnings(), redirect_stdout(StringIO()):
            warnings.simplefilter("ignore")
            return call()
    except Exception as error:  # noqa: BLE001 - the library may raise anything on a broken file
        raise InputError.of(
            where=f"{source.name} {what}".strip(),
            what="MDF",
            value=f"{type(error).__name__} {shown(error, 80)}".strip(),
            allowed="must be a whole MDF 4 file",
            remedy="The file is damaged: copy it again from the logger, or export it as CSV or Parquet.",
        ) from None


def _opened(source: Source, hints: Hints) -> _Opened:
    need("asammdf", "MDF logs", "mdf")
    records = mdfblocks.check(source)
    from asammdf import MDF

    # What it would write to standard error becomes our message.
    logging.getLogger("asammdf").disabled = True
    file = _guarded(source, "", lambda: MDF(source.file, process_bus_logging=False))
    source.stack.callback(file.close)
    places = _guarded(source, "", lambda: _places(file, records))
    framed = _guarded(source, "", lambda: _framed_groups(file))
    path = dbc.find(source, hints) if framed else None
    if path is None:
        if framed and not places:
            dbc.find_for(source, hints)
        return _Opened(file, places, None, FrameLog({}, frozenset()), {})
    table = dbc.read_dbc(path)
    log = _frames(source, file, framed, table, hints, stored=bool(places))
    named = table.named(log.seen)
    if not named and not places:
        raise nothing_known(source.name, table.path.name)
    apart = {f"{one.message}.{one.name}" if name in places else name: one for name, one in named.items()}
    return _Opened(file, places, table, log, apart)


def _places(file: Any, records: int) -> dict[str, _Place]:  # noqa: ANN401 - asammdf's own type
    """Return the channels by column name; a name that several groups have gets its group's in front."""
    if any(group.channel_group.cycles_nr > records for group in file.groups):
        raise ValueError("a group counts more records than were found")
    found: list[tuple[str, str, _Place]] = []
    for at, group in enumerate(file.groups):
        masters = [one for one in group.channels if one.channel_type in _MASTERS]
        if not masters or masters[0].sync_type != _BY_TIME or _is_framed(group):
            continue
        name = (group.channel_group.acq_name or group.channel_group.comment or "").strip()
        label = name if name and len(name) < 64 and "<" not in name else f"group{at + 1}"
        for index, one in enumerate(group.channels):
            if one.channel_type not in _MASTERS:
                found.append((one.name, label, _Place(at, index, (one.unit or "").strip())))
    times = Counter(name for name, _, _ in found)
    places: dict[str, _Place] = {}
    for name, label, place in found:
        column = name if times[name] == 1 and name != TIME else f"{label}.{name}"
        column = column if column not in places else f"group{place.group + 1}.{name}"
        places.setdefault(column, place)
    return places


def _is_framed(group: Any) -> bool:  # noqa: ANN401 - asammdf's own type
    return any(
        one.name.startswith(("CAN_", "LIN_", "FLX_", "ETH_")) and "Frame" in one.name
        for one in group.channels
    )


def _framed_groups(file: Any) -> list[int]:  # noqa: ANN401 - asammdf's own type
    return [
        at
        for at, group in enumerate(file.groups)
        if any(one.name == "CAN_DataFrame" for one in group.channels) and group.channel_group.cycles_nr
    ]


def _stored(source: Source, opened: _Opened, wanted: Sequence[Wanted]) -> list[rates.Track]:
    """Return stored channels, all in one pass over the file's data."""
    places = [opened.places[one.column] for one in wanted]
    if not places:
        return []
    try:
        signals = _guarded(source, "", partial(_signals, opened.file, places))
    except InputError:
        # Which channel is it? Slower, as every group is unpacked again for each of its channels.
        signals = [
            _guarded(source, f"channel '{shown(one.column)}'", partial(_signals, opened.file, [place]))[0]
            for one, place in zip(wanted, places, strict=True)
        ]
    return [_track(source, one, signal) for one, signal in zip(wanted, signals, strict=True)]


def _signals(file: Any, places: Sequence[_Place]) -> list[Any]:  # noqa: ANN401 - asammdf's own types
    asked = [(None, place.group, place.index) for place in places]
    return list(file.select(asked, ignore_value2text_conversions=True, validate=True, copy_master=False))


def _track(source: Source, wanted: Wanted, signal: Any) -> rates.Track:  # noqa: ANN401 - asammdf's own type
    values = np.asarray(signal.samples)
    if values.ndim != 1 or values.dtype.kind not in "biuf" or len(values) != len(signal.timestamps):
        raise InputError.of(
            where=f"{source.name} channel '{shown(wanted.column)}'",
            value=f"{values.dtype} of shape {values.shape}",
            allowed="must be a channel of numbers",
            remedy=f"Log it as numbers, or correct {wanted.where} in the channel map.",
        )
    time_s = np.asarray(signal.timestamps, dtype=np.float64)
    return rates.Track(wanted.column, wanted.dimension, time_s, values.astype(np.float64))


def _any_clock(source: Source, opened: _Opened) -> rates.Track:
    """Return the clock of the group with the most samples, for a call that asks for the time alone."""
    groups = sorted({place.group for place in opened.places.values()})
    stamps: list[Floats] = [
        np.asarray(_guarded(source, "", partial(opened.file.get_master, at)), dtype=np.float64)
        for at in groups
    ]
    stamps += [one.time_s for by_bus in opened.log.frames.values() for one in by_bus.values()]
    longest = max(stamps, key=len)
    return rates.Track(TIME, "time", longest, longest)


def _frames(
    source: Source,
    file: Any,  # noqa: ANN401 - asammdf's own type
    groups: Sequence[int],
    table: MessageTable,
    hints: Hints,
    *,
    stored: bool,
) -> FrameLog:
    # Frames beside stored channels keep the file's clock; frames alone count from the first, as in other logs.
    gatherer = Gatherer(frames_asked(table, hints), zero_s=0.0 if stored else np.nan)
    for at in groups:
        _guarded(source, f"group {at + 1}", partial(_add_group, gatherer, file, at))
    return gatherer.log()


def _add_group(gatherer: Gatherer, file: Any, at: int) -> None:  # noqa: ANN401 - asammdf's own type
    index = {
        one.name.removeprefix("CAN_DataFrame."): place for place, one in enumerate(file.groups[at].channels)
    }

    names = [one for one in ("ID", "DataBytes", "DataLength", "IDE", "BusChannel") if one in index]
    found = file.select([(None, at, index[one]) for one in names], raw=True, copy_master=False)
    columns = {name: np.asarray(signal.samples) for name, signal in zip(names, found, strict=True)}
    identifier = columns["ID"].astype(np.int64)
    data = columns["DataBytes"]
    data = data.reshape(len(identifier), -1).view(np.uint8)
    length = (
        columns["DataLength"].astype(np.int64)
        if "DataLength" in columns
        else np.full(len(data), data.shape[1])
    )
    extended = columns["IDE"].astype(bool) if "IDE" in columns else identifier > 0x7FF
    bus = columns.get("BusChannel", np.zeros(len(data), dtype=np.int64))
    time_s = np.asarray(found[0].timestamps, dtype=np.float64)
    gatherer.add(
        time_s, codes(identifier & 0x1FFFFFFF, extended), bus, data, np.minimum(length, data.shape[1])
    )
