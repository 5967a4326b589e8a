"""One `read_run` for every format: registry by file ending, columns to SI, clock repaired, axles made."""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit import units
from gridfit.carsheet import CarSheet
from gridfit.errors import CallError, InputError, Problem, suggestion
from gridfit.signals import clock, csvlog, parquetlog, plausible
from gridfit.signals.channelguess import guess
from gridfit.signals.channelmap import FILE_NAME, ChannelMap, read_channel_map
from gridfit.signals.note import read_note
from gridfit.signals.rawlog import Header, RawLog, Wanted
from gridfit.signals.run import CORNERS, ROLE_OF, ROLES, Run

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Format:
    """A kind of log file.

    Parameters
    ----------
    name : str
    header : callable
        (path, delimiter, units_row) -> Header.
    read : callable
        (path, wanted columns, delimiter, units_row) -> RawLog.
    """

    name: str
    header: Callable[[Path, str | None, bool | None], Header]
    read: Callable[[Path, Sequence[Wanted], str | None, bool | None], RawLog]


FORMATS: dict[str, Format] = {
    ".csv": Format("CSV", csvlog.header, csvlog.read),
    ".parquet": Format("Parquet", parquetlog.header, parquetlog.read),
}
"""Readers by file ending, lower case."""


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
    endings = ", ".join(FORMATS)
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
    return path.is_file() and path.suffix.lower() in FORMATS


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
        stem = path.resolve().with_suffix("")
        if stem in seen:
            remedy = "Name it once; move a second copy in another format elsewhere."
            allowed = f"the run is already given as {seen[stem].name}"
            problems.append(Problem(str(path), "run", path.name, allowed, remedy))
        seen[stem] = path
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
    kind = FORMATS[path.suffix.lower()]
    mapped = channel_map or find_map(path) or guess(path, kind.header(path, None, None), kind.read, sheet)
    _check_axles(mapped, sheet)
    header = kind.header(path, mapped.delimiter, mapped.units_row)
    _check_columns(path, mapped, header)
    wanted = [
        Wanted(channel.column, ROLE_OF[role].dimension, mapped.where(role))
        for role, channel in mapped.channels.items()
    ]
    raw = kind.read(path, wanted, mapped.delimiter, mapped.units_row)
    _check_units(path, mapped, raw.units)
    columns = {
        ROLE_OF[role].column: units.to_si(raw.columns[channel.column], channel.unit, ROLE_OF[role].dimension)
        for role, channel in mapped.channels.items()
    }
    kept = clock.repair(columns["time_s"], where=path.name, place=raw.place, channel=mapped.channels["time"])
    if kept.repairs:
        columns = {name: values[kept.keep] for name, values in columns.items()}
    cleaned = plausible.clean(columns, sheet)
    plausible.check(cleaned.columns, mapped, sheet, path.name)
    table = pd.DataFrame(_with_axles(cleaned.columns, sheet), copy=False)
    lost = (*raw.repairs, *kept.repairs)
    return Run(
        name=path.stem,
        path=path,
        table=table,
        note=read_note(path),
        roles=tuple(role for role in mapped.channels if ROLE_OF[role].column in table),
        sha256=raw.sha256,
        rows_dropped=sum(count for _, count in lost),
        repairs=(*lost, *cleaned.repairs),
        channels=dict(mapped.channels),
    )


def _check_axles(mapped: ChannelMap, sheet: CarSheet) -> None:
    """Refuse a map that leaves an axle of this car without speed."""
    undriven = "rear" if sheet.driven == "front" else "front"
    name = mapped.document.path.name if mapped.document else "guessed channel map"
    problems = []
    for role, axle in (("speed_driven", sheet.driven), ("speed_undriven", undriven)):
        corners = CORNERS[axle]
        if role not in mapped.channels and not set(corners) <= set(mapped.channels):
            allowed = f"is missing; the {axle} axle needs {role}, or {corners[0]} and {corners[1]}"
            remedy = (
                f'Add {role} = {{ column = "...", unit = "..." }}, or correct drive in {sheet.source.name}.'
            )
            problems.append(Problem(f"{name} [channels]", role, "", allowed, remedy))
    if problems:
        raise InputError(problems)


def _check_columns(path: Path, mapped: ChannelMap, header: Header) -> None:
    shown = ", ".join(header.columns[:16]) + (", ..." if len(header.columns) > 16 else "")
    problems = []
    for role, channel in mapped.channels.items():
        times = header.columns.count(channel.column)
        if times == 0:
            remedy = suggestion(channel.column, header.columns, "Correct the map, or remove the role's line.")
            allowed = f"must be a column of {path.name} ({shown})"
            problems.append(Problem(mapped.where(role), "column", f'"{channel.column}"', allowed, remedy))
        elif times > 1:
            allowed, remedy = (
                f"must name one column; {path.name} has {times} of this name",
                "Rename the others.",
            )
            problems.append(Problem(mapped.where(role), "column", f'"{channel.column}"', allowed, remedy))
    if problems:
        raise InputError(problems)


def _check_units(path: Path, mapped: ChannelMap, written: Mapping[str, str]) -> None:
    """Refuse a map whose unit contradicts the unit that the log itself tells."""
    problems = []
    for role, channel in mapped.channels.items():
        own, said = units.find(written.get(channel.column, "")), units.find(channel.unit)
        if own and said and own.dimension == said.dimension and own.name != said.name:
            allowed = f"{path.name} says {own.name} for column '{channel.column}'"
            remedy = "Correct the one that is wrong: the map, or the log's line of units."
            problems.append(Problem(mapped.where(role), "unit", f'"{channel.unit}"', allowed, remedy))
    if problems:
        raise InputError(problems)


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
