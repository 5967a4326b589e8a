"""Signals out of the bytes of CAN frames, whole columns at a time.

Source of the bit numbering: the DBC file format as in open use. Bit 0 is the least significant bit of byte 0.
A little-endian signal starts at its least significant bit and runs up; a big-endian one starts at its most
significant bit and runs down to bit 0 of its byte, then on from bit 7 of the next.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]


def raw_bits(data: Bytes, start: int, length: int, big_endian: bool) -> NDArray[np.uint64]:
    """Return the unsigned bits of a signal.

    Parameters
    ----------
    data : uint8[S, B]
        Bytes of S frames; bytes past the end count as 0.
    start, length : int
        First bit and number of bits (1 to 64), as in a DBC file.
    big_endian : bool

    Returns
    -------
    uint64[S]
    """
    value = np.zeros(len(data), dtype=np.uint64)
    done = 0
    for byte, low, count in reversed(_pieces(start, length)) if big_endian else _runs_up(start, length):
        if byte < data.shape[1]:
            piece = (data[:, byte] >> np.uint8(low)) & np.uint8((1 << count) - 1)
            value |= piece.astype(np.uint64) << np.uint64(done)
        done += count
    return value


def _runs_up(start: int, length: int) -> Sequence[tuple[int, int, int]]:
    """Return (byte, lowest bit, count) of each piece of a little-endian signal, least significant first."""
    pieces, at, left = [], start, length
    while left > 0:
        count = min(8 - at % 8, left)
        pieces.append((at // 8, at % 8, count))
        at, left = at + count, left - count
    return pieces


def _pieces(start: int, length: int) -> Sequence[tuple[int, int, int]]:
    """Return (byte, lowest bit, count) of each piece of a big-endian signal, most significant first."""
    pieces, byte, top, left = [], start // 8, start % 8, length
    while left > 0:
        count = min(top + 1, left)
        pieces.append((byte, top + 1 - count, count))
        byte, top, left = byte + 1, 7, left - count
    return pieces


def bytes_needed(start: int, length: int, big_endian: bool) -> int:
    """Return how many bytes a frame must have to hold a signal."""
    pieces = _pieces(start, length) if big_endian else _runs_up(start, length)
    return max(byte for byte, _, _ in pieces) + 1


def numbers(raw: NDArray[np.uint64], length: int, signed: bool, floating: bool) -> Floats:
    """Return raw bits as numbers.

    Parameters
    ----------
    raw : uint64[S]
    length : int
        Bits of the signal.
    signed : bool
        Two's complement.
    floating : bool
        IEEE 754 of 16, 32 or 64 bits; goes before `signed`.

    Returns
    -------
    float64[S]
    """
    if floating:
        whole = {16: np.uint16, 32: np.uint32, 64: np.uint64}[length]
        kind = {16: np.float16, 32: np.float32, 64: np.float64}[length]
        return raw.astype(whole).view(kind).astype(np.float64)
    if not signed:
        return raw.astype(np.float64)
    spare = np.uint64(64 - length)
    return ((raw << spare).view(np.int64) >> np.int64(64 - length)).astype(np.float64)
