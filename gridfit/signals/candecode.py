"""CAN frames with their message table: signals as channels, each on the clock of its message."""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from gridfit.errors import InputError, Problem, suggestion
from gridfit.signals import canbits
from gridfit.signals.dbc import Bits, Coded, Selector
from gridfit.signals.framelog import FrameLog, Frames
from gridfit.signals.rates import Track
from gridfit.signals.rawlog import Hints, Wanted, shown

Floats = NDArray[np.float64]


def decode(frames: Frames, coded: Coded) -> tuple[Floats, Floats]:
    """Return stamps and values of a signal.

    Parameters
    ----------
    frames : Frames
        Of the signal's message.
    coded : Coded

    Returns
    -------
    (float64[S], float64[S])
        Of the frames that hold the signal: long enough, and the multiplexer says so.
    """
    bits = coded.bits
    there = frames.length >= canbits.bytes_needed(bits.start, bits.length, bits.big_endian)
    there &= _selected(frames, coded.selector)
    data = frames.data if there.all() else frames.data[there]
    raw = canbits.raw_bits(data, bits.start, bits.length, bits.big_endian)
    value = canbits.numbers(raw, bits.length, bits.signed, bits.floating) * coded.scale + coded.offset
    return (frames.time_s if there.all() else frames.time_s[there]), value


def _selected(frames: Frames, selector: Selector | None) -> NDArray[np.bool_]:
    if selector is None:
        return np.ones(frames.time_s.size, dtype=np.bool_)
    bits: Bits = selector.bits
    raw = canbits.raw_bits(frames.data, bits.start, bits.length, bits.big_endian)
    long_enough = frames.length >= canbits.bytes_needed(bits.start, bits.length, bits.big_endian)
    here = np.isin(raw, np.array(selector.values, dtype=np.uint64))
    return np.asarray(here & long_enough & _selected(frames, selector.above))


def tracks(
    log: FrameLog, named: Mapping[str, Coded], wanted: Sequence[Wanted], hints: Hints, name: str
) -> list[Track]:
    """Return the channels that are asked for.

    Parameters
    ----------
    log : FrameLog
    named : dict of str to Coded
        Signals by column name.
    wanted : sequence of Wanted
        Columns of `named`.
    hints : Hints
        Says which bus, where a message is on several.
    name : str
        The log's, for messages.

    Raises
    ------
    InputError
        When a message is on several buses and none is named, or not on the one that is.
    """
    found, problems = [], []
    for one in wanted:
        coded = named[one.column]
        by_bus = log.frames.get(coded.frame, {})
        chosen = [bus for bus in by_bus if hints.bus is None or same_bus(bus, hints.bus)]
        if len(chosen) == 1:
            found.append(Track(one.column, one.dimension, *decode(by_bus[chosen[0]], coded)))
        else:
            problems.append(_bus_problem(coded, list(by_bus), hints, name))
    if problems:
        raise InputError(dict.fromkeys(problems))
    return found


def same_bus(bus: str, asked: str) -> bool:
    """Say whether a bus of the log is the one asked for: ``can1`` is also ``1``."""
    return bus == asked or bus.removeprefix("can") == asked.removeprefix("can")


def _bus_problem(coded: Coded, found: Sequence[str], hints: Hints, name: str) -> Problem:
    buses = [shown(one, 20) for one in found]
    message = f"message {shown(coded.message)} (0x{coded.frame[0]:X})"
    if hints.bus is None:
        remedy = f'Write [file] and bus = "{buses[0] if buses else 0}" in channels.toml.'
        return Problem(name, message, f"on buses {', '.join(buses)}", "must be on one bus", remedy)
    remedy = suggestion(hints.bus, buses, f"The message is on bus {', '.join(buses) or 'none'}.")
    return Problem(
        hints.bus_where, "bus", f'"{hints.bus}"', f"must be a bus that carries {message} in {name}", remedy
    )
