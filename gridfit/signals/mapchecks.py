"""A channel map held against the car and the log that it is for."""

from collections.abc import Mapping
from pathlib import Path

from gridfit import units
from gridfit.carsheet import CarSheet
from gridfit.errors import InputError, Problem, suggestion
from gridfit.signals.channelmap import ChannelMap
from gridfit.signals.rawlog import Header, shown
from gridfit.signals.run import CORNERS


def check_axles(mapped: ChannelMap, sheet: CarSheet) -> None:
    """Refuse a map that leaves an axle of this car without speed.

    Raises
    ------
    InputError
        When it does.
    """
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


def check_columns(path: Path, mapped: ChannelMap, header: Header) -> None:
    """Refuse a map that names a column which the log does not have, or has more than once.

    Raises
    ------
    InputError
        When it does.
    """
    names = [shown(name) for name in header.columns]
    listed = ", ".join(names[:16]) + (", ..." if len(names) > 16 else "")
    problems = []
    for role, channel in mapped.channels.items():
        times = header.columns.count(channel.column)
        if times == 0 and channel.column not in header.also:
            reason = header.absent.get(channel.column, "")
            remedy = shown(reason, 160) or suggestion(
                channel.column, names, "Correct the map, or remove the role's line."
            )
            allowed = f"must be a column of {path.name} ({listed})"
            problems.append(Problem(mapped.where(role), "column", f'"{channel.column}"', allowed, remedy))
        elif times > 1:
            allowed, remedy = (
                f"must name one column; {path.name} has {times} of this name",
                "Rename the others.",
            )
            problems.append(Problem(mapped.where(role), "column", f'"{channel.column}"', allowed, remedy))
    if problems:
        raise InputError(problems)


def check_units(path: Path, mapped: ChannelMap, written: Mapping[str, str]) -> None:
    """Refuse a map whose unit contradicts the unit that the log itself tells.

    Raises
    ------
    InputError
        When it does.
    """
    problems = []
    for role, channel in mapped.channels.items():
        own, said = units.find(written.get(channel.column, "")), units.find(channel.unit)
        if own and said and own.dimension == said.dimension and own.name != said.name:
            allowed = f"{path.name} says {own.name} for column '{channel.column}'"
            remedy = "Correct the one that is wrong: the map, or the log's line of units."
            problems.append(Problem(mapped.where(role), "unit", f'"{channel.unit}"', allowed, remedy))
    if problems:
        raise InputError(problems)
