"""Damage to files, as disks, cards, cables and careless exports do it, and what a reader may answer to it."""

import gzip
import struct
import zlib
from pathlib import Path

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.errors import GridfitError
from gridfit.signals.readers import read_run

WILD = (0, 1, 2, 7, 8, 0x7F, 0x80, 0xFF, 0x100, 0x7FFF, 0x8000, 0xFFFF, 0x10000, 0x7FFFFFFF, 0x80000000)
WILD += (0xFFFFFFFF, 1 << 32, 1 << 40, (1 << 63) - 1, 1 << 63, (1 << 64) - 1)
WORDS = (
    b"",
    b",",
    b";",
    b"\n",
    b"\r",
    b"\0",
    b"-",
    b"nan",
    b"1e999",
    b"1e308",
    b"-0",
    b"999999999999999999999",
    b'"',
)
WORDS += (
    b"0x",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"#",
    b"[",
    b"(",
    b"LOBJ",
    b"##DZ",
    b"PAR1",
    b"BO_ 1 X: 8 Y\n",
    b"\t",
)


def mutate(data: bytes, other: bytes, rng: np.random.Generator) -> bytes:
    """Return damaged data: one to four strokes, each at a random place.

    Parameters
    ----------
    data : bytes
    other : bytes
        Another file, of which a piece may be put in.
    rng : Generator
    """
    packed = data[:2] == b"\x1f\x8b" and rng.random() < 0.6
    made = bytearray(gzip.decompress(data) if packed else data)
    for _ in range(int(rng.choice([1, 1, 1, 2, 3, 4]))):
        STROKES[rng.integers(len(STROKES))](made, other, rng)
    return gzip.compress(bytes(made), 1, mtime=0) if packed else bytes(made)


def _at(made: bytearray, rng: np.random.Generator) -> int:
    """A place in the file; half the time in its head, where most of what steers a reader stands."""
    size = max(1, len(made))
    return int(rng.integers(min(size, 600))) if rng.random() < 0.5 else int(rng.integers(size))


def _span(made: bytearray, rng: np.random.Generator) -> slice:
    at = _at(made, rng)
    return slice(at, at + int(rng.choice([1, 2, 8, 64, 512, 4096])))


def flip_bits(made: bytearray, other: bytes, rng: np.random.Generator) -> None:
    for _ in range(int(rng.integers(1, 9))):
        if made:
            made[_at(made, rng)] ^= 1 << int(rng.integers(8))


def set_bytes(made: bytearray, other: bytes, rng: np.random.Generator) -> None:
    for _ in range(int(rng.integers(1, 9))):
        if made:
            made[_at(made, rng)] = int(rng.integers(256))


def truncate(made: bytearray, other: bytes, rng: np.random.Generator) -> None:
    del made[_at(made, rng) :]


def cut_out(made: bytearray, other: bytes, rng: np.random.Generator) -> None:
    del made[_span(made, rng)]


def repeat(made: bytearray, other: bytes, rng: np.random.Generator) -> None:
    span = _span(made, rng)
    made[span.start : span.start] = made[span] * int(rng.integers(1, 4))


def splice(made: bytearray, other: bytes, rng: np.random.Generator) -> None:
    start = int(rng.integers(max(1, len(other))))
    made[_span(made, rng)] = other[start : start + int(rng.choice([8, 64, 512, 4096]))]


def blank_out(made: bytearray, other: bytes, rng: np.random.Generator) -> None:
    span = _span(made, rng)
    made[span] = bytes([int(rng.choice([0, 255, 32]))]) * len(made[span])


def wild_length(made: bytearray, other: bytes, rng: np.random.Generator) -> None:
    """Write a number where a length may stand: aligned, of 1 to 8 bytes."""
    size = int(rng.choice([1, 2, 4, 8]))
    at = _at(made, rng) // size * size
    value = (
        int(rng.choice([*WILD[:15], len(made), len(made) - at]))
        if size < 8
        else WILD[rng.integers(len(WILD))]
    )
    made[at : at + size] = struct.pack("<Q", value & (1 << 64) - 1)[:size]


def wild_link(made: bytearray, other: bytes, rng: np.random.Generator) -> None:
    """Write a place of the file itself where a link may stand."""
    at = _at(made, rng) // 8 * 8
    made[at : at + 8] = struct.pack("<Q", int(rng.integers(max(1, len(made)))) // 8 * 8)


def put_word(made: bytearray, other: bytes, rng: np.random.Generator) -> None:
    at = _at(made, rng)
    made[at : at + int(rng.integers(3))] = WORDS[rng.integers(len(WORDS))] * int(rng.choice([1, 1, 1, 50]))


def shuffle_numbers(made: bytearray, other: bytes, rng: np.random.Generator) -> None:
    """Give digits in a stretch of text other values."""
    span = _span(made, rng)
    made[span] = bytes(int(rng.integers(48, 58)) if 48 <= one < 58 else one for one in made[span])


STROKES = (
    flip_bits, set_bytes, truncate, cut_out, repeat, splice, blank_out, wild_length, wild_length, wild_link, put_word,
    shuffle_numbers,
)  # fmt: skip


def answer(path: Path, sheet: CarSheet) -> str:
    """Read a damaged log and say what came of it.

    Returns
    -------
    str
        ``read``; ``refused`` when every fault is one clear line; else what is wrong with the answer. Anything
        but a `GridfitError` is let through.
    """
    try:
        run = read_run(path, None, sheet)
    except GridfitError as error:
        return _unclear(error) or "refused"
    time_s = run.table["time_s"].to_numpy()
    return "read" if (np.diff(time_s) > 0).all() else "clock does not increase"


def _unclear(error: GridfitError) -> str:
    for one in error.problems:
        text = str(one)
        if not (one.where and one.allowed and one.remedy):
            return f"no place, range or remedy: {text!r}"
        if not text.isprintable() or len(text) > 900:
            return f"not one clear line: {text[:200]!r}"
        if "MemoryError" in text or "malloc" in text or "realloc" in text:
            return f"ran out of memory: {text}"
    return ""


def crc(data: bytes) -> int:
    """Return a short digest by which a damaged file can be named."""
    return zlib.crc32(data)
