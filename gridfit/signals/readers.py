"""One `read_run` for every format: columns to SI, clock repaired, axles made."""

import re
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit import units
from gridfit.carsheet import CarSheet
from gridfit.errors import CallError, Problem
from gridfit.signals import alignment, clock, mapchecks, plausible
from gridfit.signals.channelguess import guess
from gridfit.signals.channelmap import FILE_NAME, ChannelMap, read_channel_map
from gridfit.signals.formats import FORMATS, Format, format_of
from gridfit.signals.note import read_note
from gridfit.signals.rawlog import NO_MAP, Hints, RawLog, Wanted
from gridfit.signals.run import CORNERS, ROLE_OF, ROLES, Run
from gridfit.signals.source import Source, ending, opened, stem

Floats = NDArray[np.float64]


def expand(paths: Iterable[Path | str]) -> list[Path]:
    """Return the logs that the paths stand for.

    Parameters
    ----------
    paths : iterable of Path or str
        Logs, or folders of logs; of a folder every file with a known ending is taken, in natural order.

    Returns
    -------
    list of Path

    Raises
    ------
    CallError
        When a path does not exist, a folder holds no log, an ending is unknown, or a log is given twice.
    """
    found: list[Path] = []
    problems: list[Problem] = []
    endings = ", ".join(FORMATS) + ", each also packed as .gz"
    for path in map(Path, paths):
        inside = (
            sorted((one for one in path.iterdir() if _is_log(one)), key=_natural) if path.is_dir() else []
        )
        if path.is_dir() and not inside:
            allowed = f"the folder must hold logs ({endings})"
            problems.append(Problem(str(path), "run", "a folder without logs", allowed, "Check the path."))
        elif not path.exists():
            allowed = "must be a log or a folder of logs"
            problems.append(Problem(str(path), "run", "no such file", allowed, "Check the path."))
        elif path.is_file() and not _is_log(path):
            allowed = f"a log must end in {endings}"
            remedy = "Export the log in one of these formats."
            problems.append(Problem(str(path), "run", f'"{path.suffix}"', allowed, remedy))
        found += inside or ([path] if path.is_file() else [])
    problems += _repeated(found)
    if problems:
        raise CallError(problems)
    return found


def _is_log(path: Path) -> bool:
    return path.is_file() and ending(path) in FORMATS


def _natural(path: Path) -> list[tuple[int, int, str]]:
    """Sort run2 before run10."""
    return [
        (0, int(part), "") if part.isdigit() else (1, 0, part)
        for part in re.split(r"(\d+)", path.name)
        if part
    ]


def _repeated(paths: Sequence[Path]) -> list[Problem]:
    problems, seen = [], dict[Path, Path]()
    for path in paths:
        bare = path.resolve().with_name(stem(path))
        if bare in seen:
            remedy = "Name it once; move a second copy in another format elsewhere."
            allowed = f"the run is already given as {seen[bare].name}"
            problems.append(Problem(str(path), "run", path.name, allowed, remedy))
        seen[bare] = path
    return problems


def find_map(path: Path, given: Path | str | None = None) -> ChannelMap | None:
    """Return the channel map of a log: the given one, else channels.toml in its folder, else None."""
    if given is not None:
        return read_channel_map(given)
    beside = path.parent / FILE_NAME
    return read_channel_map(beside) if beside.exists() else None


def read_run(path: Path | str, channel_map: ChannelMap | None, sheet: CarSheet) -> Run:
    """Read a log.

    Parameters
    ----------
    path : Path or str
        A file with an ending in `FORMATS`; its note is looked for beside it.
    channel_map : ChannelMap or None
        None to take channels.toml from the run's folder, or to guess when there is none.
    sheet : CarSheet
        Says which axle is driven, and how two wheels make its speed.

    Returns
    -------
    Run

    Raises
    ------
    CallError
        When there is no such file, or its ending is unknown.
    InputError
        When log, note or map is wrong: a column is missing or holds text, no rows, a clock that does not
        move, values that cannot be in the unit that the map gives.
    """
    path = expand([path])[0]
    with opened(path) as source:
        mapped, raw = _read(source, channel_map, sheet)
    columns = {
        ROLE_OF[role].column: units.to_si(raw.columns[channel.column], channel.unit, ROLE_OF[role].dimension)
        for role, channel in mapped.channels.items()
    }
    kept = clock.repair(columns["time_s"], where=path.name, place=raw.place, channel=mapped.channels["time"])
    columns["time_s"] = kept.time_s
    if kept.repairs:
        columns = {name: values[kept.keep] for name, values in columns.items()}
    cleaned = plausible.clean(columns, sheet)
    plausible.check(cleaned.columns, mapped, sheet, path.name)
    aligned = alignment.align(_with_axles(cleaned.columns, sheet), sheet)
    table = pd.DataFrame(aligned.columns, copy=False)
    turns = ((clock.ROLLED, kept.rolled),) if kept.rolled else ()
    lost = (*source.repairs, *raw.repairs, *kept.repairs)
    return Run(
        name=stem(path),
        path=path,
        table=table,
        note=read_note(path),
        roles=tuple(role for role in mapped.channels if ROLE_OF[role].column in table),
        sha256=raw.sha256,
        rows_dropped=sum(count for _, count in lost),
        repairs=(*lost, *turns, *raw.remarks, *cleaned.repairs),
        channels=dict(mapped.channels),
        beside=raw.beside,
        unsure=dict(mapped.unsure),
        lags=aligned.taken_out,
    )


def _read(source: Source, channel_map: ChannelMap | None, sheet: CarSheet) -> tuple[ChannelMap, RawLog]:
    """Return the channel map of a log and the columns that it names."""
    kind = format_of(source)
    mapped = channel_map or find_map(source.path) or _guessed(source, kind, sheet)
    mapchecks.check_axles(mapped, sheet)
    hints = hints_of(mapped)
    header = kind.header(source, hints)
    mapchecks.check_columns(source.path, mapped, header)
    wanted = [
        Wanted(channel.column, ROLE_OF[role].dimension, mapped.where(role))
        for role, channel in mapped.channels.items()
    ]
    raw = kind.read(source, wanted, hints)
    mapchecks.check_units(source.path, mapped, raw.units)
    return mapped, raw


def _guessed(source: Source, kind: Format, sheet: CarSheet) -> ChannelMap:
    hints = Hints()

    def read(path: Path, wanted: Sequence[Wanted], delimiter: str | None, units_row: bool | None) -> RawLog:
        return kind.read(source, wanted, hints)

    return guess(source.path, kind.header(source, hints), read, sheet)


def hints_of(mapped: ChannelMap) -> Hints:
    """Return what a channel map says about how a log is written."""
    document = mapped.document
    folder = document.path.parent if document else Path()
    return Hints(
        mapped.delimiter,
        mapped.units_row,
        folder / mapped.dbc if mapped.dbc else None,
        mapped.bus,
        tuple(channel.column for channel in mapped.channels.values()),
        document.where("file", "dbc") if document else NO_MAP,
        document.where("file", "bus") if document else NO_MAP,
    )


def _with_axles(columns: dict[str, Floats], sheet: CarSheet) -> dict[str, Floats]:
    """Return the columns in the order of `ROLES`, with the speed of both axles."""
    undriven = "rear" if sheet.driven == "front" else "front"
    made = dict(columns)
    for axle_column, axle, how in (
        ("speed_driven_mps", sheet.driven, sheet.controller.driven_from),
        ("speed_undriven_mps", undriven, sheet.controller.undriven_from),
    ):
        if axle_column not in made:
            left, right = (made[ROLE_OF[role].column] for role in CORNERS[axle])
            made[axle_column] = _axle_speed(left, right, how)
    return {role.column: made[role.column] for role in ROLES if role.column in made}


def _axle_speed(left: Floats, right: Floats, how: str) -> Floats:
    """Return an axle's speed from its wheels [m/s]; from one of them where the other is missing."""
    if how == "faster":
        return np.asarray(np.fmax(left, right))
    return np.asarray(0.5 * (np.where(np.isnan(left), right, left) + np.where(np.isnan(right), left, right)))
