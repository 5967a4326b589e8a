"""Raw CAN frames as columns: gathered in blocks, kept by identifier and bus."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

FrameId = tuple[int, bool]
"""Identifier of a CAN frame, and whether it is one of 29 bits."""

_EXTENDED = 1 << 31


@dataclass(frozen=True, slots=True)
class Frames:
    """Data frames of one identifier on one bus.

    Parameters
    ----------
    time_s : float64[S]
    data : uint8[S, B]
        Bytes, 0 past a frame's end.
    length : int64[S]
        Bytes of each frame.
    """

    time_s: Floats
    data: Bytes
    length: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class FrameLog:
    """What was kept of a log of frames.

    Parameters
    ----------
    frames : dict of FrameId to dict of str to Frames
        By identifier, then by bus; stamps count from the log's first frame.
    seen : frozenset of FrameId
        Every identifier of the log, kept or not.
    repairs : tuple of (str, int)
        What was left out, with counts.
    """

    frames: Mapping[FrameId, Mapping[str, Frames]]
    seen: frozenset[FrameId]
    repairs: tuple[tuple[str, int], ...] = ()


@dataclass(slots=True)
class Gatherer:
    """Takes blocks of frames and keeps those that are asked for.

    Parameters
    ----------
    asked : frozenset of FrameId
    zero_s : float
        Stamp from which the frames' stamps count [s]; NaN for that of the first frame.
    """

    asked: frozenset[FrameId]
    zero_s: float = np.nan
    _seen: set[int] = field(default_factory=set)
    _parts: dict[tuple[int, str], list[Frames]] = field(default_factory=dict)

    def add(
        self,
        time_s: Floats,
        code: NDArray[np.int64],
        bus: NDArray[Any],
        data: Bytes,
        length: NDArray[np.int64],
    ) -> None:
        """Take a block.

        Parameters
        ----------
        time_s : float64[S]
        code : int64[S]
            As `codes` makes them.
        bus : [S]
            Name or number of each frame's bus.
        data : uint8[S, B]
        length : int64[S]
        """
        if not time_s.size:
            return
        if np.isnan(self.zero_s):
            self.zero_s = float(time_s[0])
        self._seen.update(np.unique(code).tolist())
        asked = np.fromiter((_code(*one) for one in self.asked), dtype=np.int64)
        rows = np.flatnonzero(np.isin(code, asked))
        names, which = np.unique(bus, return_inverse=True)
        for one in np.unique(code[rows]):
            of_one = rows[code[rows] == one]
            for place in np.unique(which[of_one]):
                at = of_one[which[of_one] == place]
                part = Frames(time_s[at], data[at], length[at])
                self._parts.setdefault((int(one), str(names[place])), []).append(part)

    def log(self, repairs: tuple[tuple[str, int], ...] = ()) -> FrameLog:
        """Return what was gathered."""
        frames: dict[FrameId, dict[str, Frames]] = {}
        for (code, bus), parts in self._parts.items():
            frames.setdefault(_frame_id(code), {})[bus] = _joined(parts, self.zero_s)
        return FrameLog(frames, frozenset(_frame_id(code) for code in self._seen), repairs)


def codes(identifier: NDArray[np.int64], extended: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return one number per frame that holds identifier and kind."""
    return np.where(extended, identifier | _EXTENDED, identifier)


def _code(identifier: int, extended: bool) -> int:
    return identifier | _EXTENDED if extended else identifier


def _frame_id(code: int) -> FrameId:
    return code & (_EXTENDED - 1), bool(code & _EXTENDED)


def _joined(parts: list[Frames], zero_s: float) -> Frames:
    width = max(part.data.shape[1] for part in parts)
    data = [np.pad(part.data, ((0, 0), (0, width - part.data.shape[1]))) for part in parts]
    time_s = np.concatenate([part.time_s for part in parts]) - zero_s
    return Frames(time_s, np.concatenate(data), np.concatenate([part.length for part in parts]))
