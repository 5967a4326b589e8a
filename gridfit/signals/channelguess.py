"""A channel map guessed from the names of columns, their units and what their numbers can be."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.errors import InputError
from gridfit.signals import channelcandidates, channelnames, channelweights
from gridfit.signals.channelmap import FILE_NAME, ChannelMap, lacking
from gridfit.signals.channelnames import Named
from gridfit.signals.rawlog import Header, RawLog, Wanted, shown
from gridfit.signals.run import ROLE_OF, ROLES, Channel

Floats = NDArray[np.float64]
Reader = Callable[[Path, Sequence[Wanted], str | None, bool | None], RawLog]

SURE_ENOUGH = 0.6
"""Below this a guess is not used [1]; chosen, no source."""


def guess(path: Path, header: Header, read: Reader, sheet: CarSheet) -> ChannelMap:
    """Guess the channel map of a log.

    Parameters
    ----------
    path : Path
    header : Header
        Its columns.
    read : callable
        Reader of its format.
    sheet : CarSheet
        Its gear ratios tell the unit of the speeds when nothing else does.

    Returns
    -------
    ChannelMap
        Every entry says how sure it is, and why.

    Raises
    ------
    InputError
        When a role that every log needs is not sure, or which column is the throttle; the remedy holds the text
        of a map to correct.
    """
    once = [column for column in header.columns if header.columns.count(column) == 1]
    columns, told = _columns(path, channelnames.candidates(once, header.units), read)
    named = channelnames.candidates(once, {**told, **header.units})
    there = [one for one in _axles(named, sheet) if one.column in columns]
    chosen = channelcandidates.choose(there, columns, sheet)
    if not lacking(chosen):
        chosen = channelweights.weigh(chosen, columns, sheet)
    channels = {
        role.name: Channel(one.column, one.unit, min(0.99, round(one.sure, 2)), one.reason)
        for role in ROLES
        if (one := chosen.get(role.name)) is not None
    }
    sure = {role: channel for role, channel in channels.items() if channel.sure >= SURE_ENOUGH}
    unsure = {role: channel for role, channel in channels.items() if role not in sure}
    missing = [role for role, _ in lacking(sure)]
    # A log without a throttle is read, and fit for inspect alone; one whose throttle is in doubt is asked about.
    if missing or "throttle" in unsure:
        raise _unsure(path, channels, missing, header.columns)
    # A doubt about one wheel of a car whose axles are there without it is no doubt about the log.
    return ChannelMap(sure, unsure=unsure)


def _unsure(
    path: Path, channels: Mapping[str, Channel], missing: Sequence[str], columns: Sequence[str]
) -> InputError:
    proposal = ChannelMap(channels).to_toml().strip().replace("\n", "\n    ")
    doubts = [
        f"{role} ({shown(channel.column)}: {100 * channel.sure:.0f} % sure)"
        for role, channel in channels.items()
        if channel.sure < SURE_ENOUGH
    ]
    absent = [f"{role} (no column)" for role in missing if role not in channels]
    free = [shown(one, 30) for one in columns if one not in {channel.column for channel in channels.values()}]
    rest = (
        f"\n    # columns without a role: {', '.join(free[:24])}{', ...' if len(free) > 24 else ''}"
        if free
        else ""
    )
    return InputError.of(
        where=path.name,
        what="channels",
        value=", ".join((*doubts, *absent)),
        allowed=f"time, the speed of both axles and any throttle must be {100 * SURE_ENOUGH:.0f} % sure",
        remedy=f"Write {FILE_NAME} beside the log; correct this proposal:\n    {proposal}{rest}",
    )


def _columns(path: Path, named: Iterable[Named], read: Reader) -> tuple[dict[str, Floats], dict[str, str]]:
    """Read the columns that are candidates, and the units that their reader tells; text is left out."""
    roles = {one.column: one.role for one in named}
    wanted = [Wanted(name, ROLE_OF[_plain(role)].dimension, "") for name, role in roles.items()]
    if not wanted:
        return {}, {}
    try:
        raw = read(path, wanted, None, None)
        return dict(raw.columns), dict(raw.units)
    except InputError:
        columns, told = dict[str, Floats](), dict[str, str]()
        for one in wanted:
            try:
                raw = read(path, [one], None, None)
            except InputError:
                continue
            columns |= raw.columns
            told |= raw.units
        return columns, told


def _plain(role: str) -> str:
    return "speed_driven" if role in ("speed_front", "speed_rear") else role


def _axles(named: Sequence[Named], sheet: CarSheet) -> list[Named]:
    """Turn front and rear axle into driven and undriven one."""
    roles = {
        f"speed_{end}": f"speed_{'' if end == sheet.driven else 'un'}driven" for end in ("front", "rear")
    }
    return [
        replace(one, role=roles[one.role], reason=f"{one.reason}, {sheet.car.drive}")
        if one.role in roles
        else one
        for one in named
    ]
