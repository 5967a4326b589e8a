"""The channel map: which column of a log plays which role, in which unit."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import Field

from gridfit import units
from gridfit.documents import Document, Table, read_toml, unknown_sections
from gridfit.errors import InputError, Problem, suggestion
from gridfit.signals.run import CORNERS, ROLE_OF, ROLES, Channel

FILE_NAME = "channels.toml"
"""Where a map is looked for in a run's folder."""


class FileTable(Table):
    """Table ``[file]``: how the log is written."""

    delimiter: str | None = Field(
        default=None, min_length=1, max_length=1, description="one character in quotes"
    )
    units_row: bool | None = Field(
        default=None, description="true when the second line holds units, else false"
    )
    dbc: str | None = Field(
        default=None, min_length=1, description="file name of the CAN log's message table in quotes"
    )
    bus: int | str | None = Field(
        default=None, description="which bus of the CAN log: its number, or its name in quotes"
    )


class ChannelTable(Table):
    """One entry of ``[channels]``."""

    column: str = Field(min_length=1, description="the column's name in quotes")
    unit: str = Field(description="the unit in quotes")


@dataclass(frozen=True, slots=True)
class ChannelMap:
    """Which column plays which role.

    Parameters
    ----------
    channels : dict of str to Channel
        By role, in the order of `ROLES`.
    delimiter : str or None
        Of a CSV log; None to find out.
    units_row : bool or None
        Whether the second line holds units; None to find out.
    notes : dict of str to str
        Free text per role.
    document : Document or None
        The file that it was read from; None for a guess.
    dbc : str or None
        Message table of a CAN log, relative to the map's folder.
    bus : str or None
        Which bus of a CAN log.
    unsure : dict of str to Channel
        Guesses that are not sure enough to be used; written as lines that are commented out.
    """

    channels: Mapping[str, Channel]
    delimiter: str | None = None
    units_row: bool | None = None
    notes: Mapping[str, str] = field(default_factory=dict)
    document: Document | None = None
    dbc: str | None = None
    bus: str | None = None
    unsure: Mapping[str, Channel] = field(default_factory=dict)

    def where(self, role: str) -> str:
        """Return the place of a role's entry, for messages."""
        if self.document is None:
            return f"guessed channel map [channels] {role}"
        return f"{self.document.where('channels', role)} {role}"

    def to_toml(self) -> str:
        """Return the map as the text of a channels.toml; guessed entries say how sure they are."""
        lines = ["[file]"]
        if self.delimiter is not None:
            lines.append(f"delimiter = {_quoted(self.delimiter)}")
        if self.units_row is not None:
            lines.append(f"units_row = {str(self.units_row).lower()}")
        lines += [f"dbc = {_quoted(self.dbc)}"] if self.dbc is not None else []
        lines += [f"bus = {_quoted(self.bus)}"] if self.bus is not None else []
        lines += ["", "[channels]"]
        lines += [_line(role, channel) for role, channel in self.channels.items()]
        lines += [f"# {_line(role, channel)}" for role, channel in self.unsure.items()]
        if self.notes:
            lines += ["", "[notes]", *(f"{role} = {_quoted(text)}" for role, text in self.notes.items())]
        return "\n".join(lines) + "\n"


def _line(role: str, channel: Channel) -> str:
    """Return a role's entry; a guess says how sure it is and why."""
    entry = f"{role} = {{ column = {_quoted(channel.column)}, unit = {_quoted(channel.unit)} }}"
    if channel.sure >= 1.0:
        return entry
    why = f": {channel.reason}" if channel.reason else ""
    # A comment of TOML holds no control characters.
    return "".join(
        one if one.isprintable() else " " for one in f"{entry}  # {100.0 * channel.sure:.0f} % sure{why}"
    )


def _quoted(text: str) -> str:
    # JSON's escapes are TOML's; only the delete character differs.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def read_channel_map(path: Path | str) -> ChannelMap:
    """Read a channel map.

    Parameters
    ----------
    path : Path or str
        A TOML file.

    Returns
    -------
    ChannelMap

    Raises
    ------
    CallError
        When there is no such file.
    InputError
        When it is wrong: unknown role, unit of another dimension, no time, an axle without speed; all faults
        are listed.
    """
    document = read_toml(Path(path), "channel map")
    problems = unknown_sections(document, ("file", "channels", "notes"))
    tables: dict[str, Mapping[str, Any]] = {}
    for name in ("file", "channels", "notes"):
        tables[name], faults = _table(document, name)
        problems += faults
    file, faults = document.check(FileTable, "file", tables["file"])
    problems += faults
    channels: dict[str, Channel] = {}
    for role, entry in tables["channels"].items():
        channel, faults = _channel(document, role, entry)
        problems += faults
        if channel is not None:
            channels[role] = channel
    problems += _twice(document, channels) + _role_problems(document.path.name, tables["channels"])
    problems += _note_problems(document, tables["notes"])
    if problems or file is None:
        raise InputError(problems)
    ordered = {role.name: channels[role.name] for role in ROLES if role.name in channels}
    bus = None if file.bus is None else str(file.bus)
    notes = dict(tables["notes"])
    return ChannelMap(ordered, file.delimiter, file.units_row, notes, document, file.dbc, bus)


def _table(document: Document, name: str) -> tuple[Mapping[str, Any], list[Problem]]:
    table = document.data.get(name, {})
    if isinstance(table, dict):
        return table, []
    return {}, [
        Problem(document.where("", name), name, "", "must be a table", f"Write [{name}] on its own line.")
    ]


def _channel(document: Document, role: str, entry: Any) -> tuple[Channel | None, list[Problem]]:  # noqa: ANN401 - any TOML value
    where = document.where("channels", role)
    if role not in ROLE_OF:
        remedy = suggestion(role, ROLE_OF, "Remove the line.")
        return None, [Problem(where, role, "", f"unknown role; known are {', '.join(ROLE_OF)}", remedy)]
    if not isinstance(entry, dict):
        remedy = f'Write {role} = {{ column = "...", unit = "..." }}.'
        return None, [Problem(where, role, str(entry), "must give column and unit", remedy)]
    table, faults = document.check(ChannelTable, "channels", entry)
    if table is None:
        return None, [
            Problem(where, f"{role}.{one.what}", one.value, one.allowed, one.remedy) for one in faults
        ]
    try:
        units.parse(table.unit, ROLE_OF[role].dimension, where=f"{where} {role}.unit")
    except InputError as error:
        return None, list(error.problems)
    return Channel(table.column.strip(), table.unit), []


def _twice(document: Document, channels: Mapping[str, Channel]) -> list[Problem]:
    problems, seen = [], dict[str, str]()
    for role, channel in channels.items():
        if other := seen.get(channel.column):
            where, remedy = document.where("channels", role), "Correct one of the two."
            allowed = f"the column already plays the role {other}"
            problems.append(Problem(where, f"{role}.column", f'"{channel.column}"', allowed, remedy))
        seen[channel.column] = role
    return problems


def _note_problems(document: Document, notes: Mapping[str, Any]) -> list[Problem]:
    allowed, remedy = "must be text", "Put it in quotes."
    return [
        Problem(document.where("notes", role), role, str(text), allowed, remedy)
        for role, text in notes.items()
        if not isinstance(text, str)
    ]


def lacking(roles: Iterable[str]) -> list[tuple[str, str]]:
    """Return what every log needs and these roles do not give: (role, how to give it).

    Parameters
    ----------
    roles : iterable of str
        Roles that are there.
    """
    there = set(roles)
    pairs = [pair for pair in CORNERS.values() if there.issuperset(pair)]
    axles = [role for role in ("speed_driven", "speed_undriven") if role in there]
    missing = [] if "time" in there else [("time", "")]
    if len(pairs) + len(axles) < 2:
        how = "give speed_driven and speed_undriven, or speed_fl, speed_fr, speed_rl and speed_rr"
        absent = next((role for role in ("speed_driven", "speed_undriven") if role not in there), "speed_fl")
        missing.append((absent, how))
    return missing


def _role_problems(name: str, roles: Iterable[str]) -> list[Problem]:
    return [
        Problem(
            f"{name} [channels]",
            role,
            "",
            f"is missing; {how}" if how else "is missing; every log needs it",
            f'Add a line {role} = {{ column = "...", unit = "..." }}.',
        )
        for role, how in lacking(roles)
    ]
