"""Uploads: taken in as a stream within limits, checked, and kept under the digest of their bytes."""

import hashlib
import os
import re
import secrets
import zlib
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

from starlette.concurrency import run_in_threadpool

from gridfit.errors import InputError
from gridfit.signals.formats import FORMATS
from gridfit.signals.source import FREE_BYTES, MOST_PACKED, MOST_UNPACKED_BYTES
from pipelines.service.places import Data

MOST_BYTES = 512 << 20
"""Largest upload [B]: an hour of forty channels at 200 Hz as CSV is about 300 MB."""

TABLE_ENDING = ".dbc"
"""Message tables of CAN logs, kept beside the runs."""

PIECE_BYTES = 1 << 20
"""How much of an upload is written at a time [B]."""

NAME_LETTERS = 80
"""Longest name of a run."""

MAGIC: dict[str, tuple[bytes, ...]] = {
    ".parquet": (b"PAR1",),
    ".mf4": (b"MDF     ", b"UnFinMF "),
    ".mdf": (b"MDF     ", b"UnFinMF "),
    ".blf": (b"LOGG",),
}
"""How files of binary formats begin."""

RESERVED = {"con", "prn", "aux", "nul", "channels", *(f"{d}{n}" for d in ("com", "lpt") for n in range(10))}
"""Names that some systems keep for themselves, or that the run's folder has another use for."""


class TooLarge(InputError):
    """An upload is over its limit."""


@dataclass(frozen=True, slots=True)
class RunName:
    """The name of an upload: made by us of what was given, so that it is no path anywhere.

    Parameters
    ----------
    stem : str
        Lower-case letters, digits and dashes.
    ending : str
        One of the known ones.
    """

    stem: str
    ending: str

    @property
    def file(self) -> str:
        """File name in a job's folder."""
        return f"{self.stem}{self.ending}"

    @property
    def is_table(self) -> bool:
        """Whether it is a message table and no run."""
        return self.ending == TABLE_ENDING

    @property
    def packed(self) -> bool:
        """Whether it is packed."""
        return self.ending.endswith(".gz")

    @classmethod
    def of(cls, given: str) -> "RunName":
        """Make the name of what a client called its file.

        Raises
        ------
        InputError
            Its ending is of no known format, or nothing usable is left of it.
        """
        whole = given.strip().lower()
        bare = whole.removesuffix(".gz")
        dot = bare.rfind(".")
        ending = bare[dot:] if dot > 0 else ""
        known = (*FORMATS, TABLE_ENDING)
        if ending not in known or (ending == TABLE_ENDING and whole != bare):
            raise InputError.of(
                where="name", value=repr(given[:100]), allowed=f"must end in {', '.join(known)}, runs also with .gz",
                remedy="Export the log in one of these formats and give its file name.",
            )  # fmt: skip
        if re.search(r"[/\\\x00-\x1f\x7f]", given) or ".." in given or len(given) > 200:
            raise InputError.of(
                where="name", value=repr(given[:100]),
                allowed="must be a file name of up to 200 letters, without / \\ ..",
                remedy="Give the name of the file alone.",
            )  # fmt: skip
        stem = re.sub(r"[^a-z0-9]+", "-", bare[:dot]).strip("-")[:NAME_LETTERS].strip("-")
        if not stem or stem in RESERVED:
            raise InputError.of(
                where="name", value=repr(given[:100]), allowed="must hold a letter or digit, and be no reserved name",
                remedy="Rename the file, for instance to run1.csv.",
            )  # fmt: skip
        return cls(stem, ending + (".gz" if whole != bare else ""))


@dataclass(frozen=True, slots=True)
class Stored:
    """An upload that is kept.

    Parameters
    ----------
    sha256 : str
    size : int
        Bytes.
    """

    sha256: str
    size: int


def blob_path(data: Data, sha256: str) -> Path:
    """Return where an upload lies.

    Raises
    ------
    ValueError
        `sha256` is no digest.
    """
    if not re.fullmatch(r"[0-9a-f]{64}", sha256):
        raise ValueError(f"sha256 = {sha256!r}: must be 64 hexadecimal digits")
    return data.blobs / sha256[:2] / sha256[2:]


async def take_in(data: Data, name: RunName, stream: AsyncIterator[bytes], most: int = MOST_BYTES) -> Stored:
    """Write an upload to the disk while it arrives, and keep it once it is whole and within its limits.

    Parameters
    ----------
    data : Data
    name : RunName
        Says what the file must begin with, and whether it is packed.
    stream : async iterator of bytes
    most : int
        Largest size [B].

    Returns
    -------
    Stored

    Raises
    ------
    TooLarge
        More than `most` bytes came, or it unpacks to too much.
    InputError
        It is empty or not of its format.
    """
    sink = _Sink(data, name, most)
    try:
        waiting: list[bytes] = []
        size = 0
        async for chunk in stream:
            waiting.append(chunk)
            size += len(chunk)
            if size >= PIECE_BYTES:
                await run_in_threadpool(sink.take, b"".join(waiting))
                waiting, size = [], 0
        await run_in_threadpool(sink.take, b"".join(waiting))
        return await run_in_threadpool(sink.keep)
    finally:
        sink.drop()


class _Sink:
    """Where an upload goes while it arrives. Its work waits for the disk, so it is done away from the event loop."""

    def __init__(self, data: Data, name: RunName, most: int) -> None:
        self._data, self._name, self._most = data, name, most
        self._part = data.incoming / f"{secrets.token_hex(12)}.part"
        self._file = self._part.open("xb")
        self._digest, self._guard, self._size = hashlib.sha256(), _Guard(name), 0

    def take(self, piece: bytes) -> None:
        """Check and write a piece."""
        self._size += len(piece)
        if self._size > self._most:
            raise TooLarge.of(
                where=self._name.file,
                what="upload",
                value=f"more than {self._most} bytes",
                allowed=f"at most {self._most} bytes",
                remedy="Split the log, log fewer channels, or pack it with gzip.",
            )
        self._digest.update(piece)
        self._guard.feed(piece, self._size)
        self._file.write(piece)

    def keep(self) -> Stored:
        """Flush what arrived to the disk and put it in its place."""
        self._guard.close(self._size)
        self._file.flush()
        os.fsync(self._file.fileno())
        sha256 = self._digest.hexdigest()
        _place(self._part, blob_path(self._data, sha256))
        return Stored(sha256, self._size)

    def drop(self) -> None:
        """Close the file, and remove it unless it was kept."""
        self._file.close()
        self._part.unlink(missing_ok=True)


def keep_text(data: Data, text: str) -> str:
    """Keep a text as an upload of its own and return its digest."""
    return keep_bytes(data, text.encode("utf-8"))


def keep_bytes(data: Data, raw: bytes) -> str:
    """Keep bytes that are at hand as an upload and return their digest."""
    sha256 = hashlib.sha256(raw).hexdigest()
    target = blob_path(data, sha256)
    if not target.exists():
        part = data.incoming / f"{secrets.token_hex(12)}.part"
        with part.open("xb") as file:
            file.write(raw)
            file.flush()
            os.fsync(file.fileno())
        _place(part, target)
    return sha256


def _place(part: Path, target: Path) -> None:
    target.parent.mkdir(exist_ok=True)
    os.replace(part, target)


class _Guard:
    """Looks at an upload as it passes: how it begins, and how much it unpacks to."""

    def __init__(self, name: RunName) -> None:
        self._name = name
        self._magic = () if name.packed else MAGIC.get(name.ending, ())
        self._head = b""
        self._unpacker = zlib.decompressobj(wbits=31) if name.packed else None
        self._unpacked = 0

    def feed(self, chunk: bytes, packed: int) -> None:
        if len(self._head) < 16:
            self._head += chunk[:16]
        if self._unpacker is None:
            return
        waiting = chunk
        while waiting:
            try:
                self._unpacked += len(self._unpacker.decompress(waiting, 1 << 20))
            except zlib.error as error:
                raise self._wrong(str(error), "must be a whole gzip file") from None
            waiting = self._unpacker.unconsumed_tail
            if not waiting and self._unpacker.eof and self._unpacker.unused_data:
                waiting, self._unpacker = self._unpacker.unused_data, zlib.decompressobj(wbits=31)
            if self._unpacked > MOST_UNPACKED_BYTES or (
                self._unpacked > FREE_BYTES and self._unpacked > MOST_PACKED * packed
            ):
                raise TooLarge.of(
                    where=self._name.file, what="packed upload",
                    value=f"{packed} bytes unpack to over {self._unpacked}",
                    allowed=f"must not unpack to more than {MOST_PACKED} times its size",
                    remedy="Give the log unpacked.",
                )  # fmt: skip

    def close(self, size: int) -> None:
        if size == 0:
            raise self._wrong("empty", "must hold a log")
        if self._magic and not self._head.startswith(self._magic):
            raise self._wrong(
                repr(self._head[:8]), f"a {self._name.ending} file begins with {self._magic[0]!r}"
            )
        if self._unpacker is not None and self._unpacked == 0:
            raise self._wrong("nothing inside", "must be a gzip file with a log in it")

    def _wrong(self, value: str, allowed: str) -> InputError:
        return InputError.of(
            where=self._name.file, what="upload", value=value, allowed=allowed,
            remedy="Copy the log again from the logger, and give it the ending of its format.",
        )  # fmt: skip
