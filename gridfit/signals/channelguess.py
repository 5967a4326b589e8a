"""A channel map guessed from the names of columns, their units and what their numbers can be."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gridfit import units
from gridfit.carsheet import CarSheet
from gridfit.errors import InputError
from gridfit.signals import channelphysics
from gridfit.signals.channelmap import FILE_NAME, ChannelMap, lacking
from gridfit.signals.rawlog import Header, RawLog, Wanted
from gridfit.signals.run import CORNERS, ROLE_OF, ROLES, Channel

Floats = NDArray[np.float64]
Reader = Callable[[Path, Sequence[Wanted], str | None, bool | None], RawLog]

SURE_ENOUGH = 0.6
"""Below this a guess is not used [1]; chosen, no source."""
UNIT_UNTOLD = 0.55
"""What is left of a guess whose unit nothing tells [1]: below `SURE_ENOUGH` on purpose."""

_WHEEL = r"(wheel ?speed|whl ?spd|wspd|wspeed|speed|spd|ws|wheel|v|vel)"
_CORNERS = {
    "fl": r"(fl|lf|front left|left front)",
    "fr": r"(fr|rf|front right|right front)",
    "rl": r"(rl|lr|rear left|left rear)",
    "rr": r"(rr|rear right|right rear)",
}
_ACC = r"(acc|accel|acceleration|g|gforce)"

NAMES: dict[str, tuple[tuple[str, float], ...]] = {
    "time": ((r"(time|elapsed|timestamp|elapsed time|log time|session time|t)", 0.95),),
    **{
        f"speed_{key}": ((rf"{_WHEEL} {corner}|{corner} {_WHEEL}", 0.95), (corner, 0.75))
        for key, corner in _CORNERS.items()
    },
    "speed_driven": ((r"(wheel )?(speed|spd) driven|driven (wheel )?(speed|spd)", 0.95), (r"driven", 0.8)),
    "speed_undriven": (
        (r"(wheel )?(speed|spd) (undriven|free)|(undriven|free) (wheel )?(speed|spd)", 0.95),
        (r"undriven", 0.8),
        (r"(vehicle|ground|reference|gps|car) (speed|spd)", 0.5),
    ),
    "throttle": (
        (r"(throttle|throttle (pos|position|plate|pedal)|tps)", 0.9),
        (r"pedal|(accelerator|accel) (pedal|pos|position)", 0.9),
    ),
    "rpm": ((r"(rpm|engine (speed|rpm|revs)|revs|engine)", 0.95),),
    "gear": ((r"gear( (pos|position|no|number|engaged|actual))?", 0.95),),
    "brake": ((r"brake( (press|pressure|switch|on|pedal))?( (front|f))?", 0.9),),
    "lateral_acc": ((rf"{_ACC} (lat|lateral|y)|(lat|lateral|y) {_ACC}", 0.9),),
    "longitudinal_acc": ((rf"{_ACC} (long|longitudinal|x|lon)|(long|longitudinal|x|lon) {_ACC}", 0.9),),
    "steering": ((r"(steer|steering)( wheel)?( (angle|pos|position))?", 0.9),),
    "cut": ((r"cut( (cmd|command|level|request))?|(ignition|fuel|torque) cut( (cmd|command|level))?", 0.9),),
    "slip": ((r"slip( (meas|measured|actual|ratio))?", 0.8),),
    "slip_target": ((r"slip (target|aim)|target slip", 0.9),),
    "lambda": ((r"lambda( 1)?", 0.9),),
    "lap": ((r"lap( (no|nr|number|count))?", 0.9),),
}
"""Role -> what its column may be called (words in lower case) and how sure that makes us [1]."""

DEFAULT_UNITS = {"rpm": "rpm", "gear": "-", "lambda": "-", "lap": "-"}
"""Roles whose unit goes without saying."""


_USUAL = {"speed": "km/h", "angle": "deg", "acceleration": "g", "brake": "bar"}


@dataclass(frozen=True, slots=True)
class _Candidate:
    role: str
    column: str
    unit: str
    sure: float


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
        Every entry says how sure it is.

    Raises
    ------
    InputError
        When a role that every log needs is not sure; the remedy holds the text of a map to correct.
    """
    named = [one for column in header.columns for one in _by_name(column, header.units.get(column, ""))]
    columns = _columns(path, named, read)
    named = _with_speed_unit(named, columns, sheet)
    judged = [one for one in (_by_numbers(one, columns.get(one.column)) for one in named) if one is not None]
    best: dict[str, _Candidate] = {}
    for one in sorted(judged, key=lambda candidate: -candidate.sure):
        taken = {other.column for other in best.values()}
        if one.role not in best and one.column not in taken:
            best[one.role] = one
    channels = {
        role.name: Channel(best[role.name].column, best[role.name].unit, round(best[role.name].sure, 2))
        for role in ROLES
        if role.name in best
    }
    sure = {role: channel for role, channel in channels.items() if channel.sure >= SURE_ENOUGH}
    if missing := lacking(sure):
        raise _unsure(path, channels, [role for role, _ in missing])
    return ChannelMap(sure)


def _unsure(path: Path, channels: Mapping[str, Channel], missing: Sequence[str]) -> InputError:
    proposal = ChannelMap(channels).to_toml().strip().replace("\n", "\n    ")
    unsure = [
        f"{role} ({channel.column}: {100 * channel.sure:.0f} % sure)"
        for role, channel in channels.items()
        if channel.sure < SURE_ENOUGH
    ]
    absent = [f"{role} (no column)" for role in missing if role not in channels]
    return InputError.of(
        where=path.name,
        what="channels",
        value=", ".join(unsure or absent),
        allowed=f"time, throttle and the speed of both axles must be {100 * SURE_ENOUGH:.0f} % sure",
        remedy=f"Write {FILE_NAME} beside the log; correct this proposal:\n    {proposal}",
    )


def _words(column: str) -> str:
    """Return a column's name as words in lower case, its unit in brackets left out."""
    bare = re.sub(r"[\[(].*?[\])]", " ", column)
    split = re.sub(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", bare)
    return " ".join(re.findall(r"[a-z]+|\d+", split.lower()))


_SUFFIXES = {"kmh": "km/h", "kph": "km/h", "mph": "mph", "mps": "m/s", "pct": "%", "percent": "%", "ms": "ms"}
_SUFFIXES |= {"s": "s", "deg": "deg", "rad": "rad", "g": "g", "mps2": "m/s2", "bar": "bar", "kpa": "kPa"}


def _unit_and_words(column: str, told: str) -> tuple[str, str]:
    """Return the unit that the log or the name tells ("" when none does), and the name without it."""
    words = _words(column)
    if told:
        return told, words
    if bracket := re.search(r"[\[(](.*?)[\])]", column):
        return bracket.group(1), words
    bare, _, last = column.rpartition("_")
    if bare and last.lower() in _SUFFIXES:
        return _SUFFIXES[last.lower()], _words(bare)
    return "", words


def _by_name(column: str, told: str) -> list[_Candidate]:
    """Return the roles that a column's name allows."""
    unit, words = _unit_and_words(column, told)
    found = []
    for role, patterns in NAMES.items():
        sure = max((score for pattern, score in patterns if re.fullmatch(pattern, words)), default=0.0)
        known = units.find(unit) if unit else None
        if known and known.dimension not in units.ACCEPTED[ROLE_OF[role].dimension]:
            continue
        if sure:
            found.append(_Candidate(role, column, known.name if known else DEFAULT_UNITS.get(role, ""), sure))
    return found


def _columns(path: Path, named: Sequence[_Candidate], read: Reader) -> dict[str, Floats]:
    """Read the columns that are candidates; those that hold text are left out."""
    wanted = list({one.column: Wanted(one.column, ROLE_OF[one.role].dimension, "") for one in named}.values())
    if not wanted:
        return {}
    try:
        return dict(read(path, wanted, None, None).columns)
    except InputError:
        columns: dict[str, Floats] = {}
        for one in wanted:
            try:
                columns |= read(path, [one], None, None).columns
            except InputError:
                continue
        return columns


def _by_numbers(one: _Candidate, values: Floats | None) -> _Candidate | None:
    """Judge a candidate by its numbers; fill in a unit that they tell."""
    if values is None or not np.isfinite(values).any():
        return None
    finite = values[np.isfinite(values)]
    dimension = ROLE_OF[one.role].dimension
    unit = one.unit or channelphysics.unit_by_numbers(one.role, finite)
    told = 1.0 if unit else UNIT_UNTOLD
    unit = unit or _USUAL.get(dimension, units.units_for(dimension)[0])
    fit = channelphysics.fits(one.role, units.to_si(finite, unit, dimension))
    return replace(one, unit=unit, sure=one.sure * told * fit)


def _with_speed_unit(
    named: Sequence[_Candidate], columns: Mapping[str, Floats], sheet: CarSheet
) -> list[_Candidate]:
    """Give the speeds whose unit nothing tells the unit in which the car runs in its gears."""
    revs = [one for one in named if one.role == "rpm" and one.column in columns]
    untold = [one for one in named if one.role.startswith("speed") and not one.unit and one.column in columns]
    if not revs or not untold:
        return list(named)
    driven = ("speed_driven", *CORNERS[sheet.driven])
    chosen = max(untold, key=lambda one: one.role in driven)
    best = max(revs, key=lambda one: one.sure)
    unit, sure = channelphysics.speed_unit(columns[chosen.column], columns[best.column], sheet)
    return [replace(one, unit=unit, sure=one.sure * sure) if unit and one in untold else one for one in named]
