"""A log opened for reading: unpacked when it is packed, its digest, and what a reader keeps of it meanwhile."""

import codecs
import gzip
import hashlib
import tempfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn, TypeVar

from gridfit.errors import InputError

T = TypeVar("T")

CHUNK_BYTES = 1 << 20
TEXT_ENDINGS = (".csv", ".tsv", ".log", ".asc", ".trc")
"""Formats that are text, and may come in an encoding of two bytes a letter."""
MOST_UNPACKED_BYTES = 8 << 30
"""Size that a packed log may unpack to."""
FREE_BYTES = 64 << 20
"""Unpacked bytes from which on `MOST_PACKED` is asked for."""
MOST_PACKED = 400
"""How many times smaller than the log a packed log may be [1]; text of a log packs 5 to 20 times."""


@dataclass(frozen=True, slots=True)
class Source:
    """A log that is being read.

    Parameters
    ----------
    path : Path
        As the user names it.
    file : Path
        What is read: the log itself, or a copy that is unpacked and in UTF-8.
    own_sha256 : str or None
        Digest of the log when a copy is read.
    repairs : tuple of (str, int)
        What was lost in unpacking.
    stack : ExitStack
        Closes what readers open.
    kept : dict
        What readers keep between their calls.
    """

    path: Path
    file: Path
    own_sha256: str | None = None
    repairs: tuple[tuple[str, int], ...] = ()
    stack: ExitStack = field(default_factory=ExitStack)
    kept: dict[str, Any] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """File name, for messages."""
        return self.path.name

    def keep(self, key: str, make: Callable[[], T]) -> T:
        """Return what was made under this key, made now when it is asked for the first time."""
        if key not in self.kept:
            self.kept[key] = make()
        value: T = self.kept[key]
        return value

    def sha256(self) -> str:
        """Return the digest of the log as the user has it, hexadecimal."""
        return self.own_sha256 or self.keep("sha256", lambda: digest(self.file))


def ending(path: Path) -> str:
    """Return the ending that tells a log's format, lower case and without ``.gz``: ``.csv`` of run1.CSV.gz."""
    return Path(bare_name(path)).suffix.lower()


def stem(path: Path) -> str:
    """Return a log's name without its endings: ``run1`` of run1.csv.gz."""
    return Path(bare_name(path)).stem


def bare_name(path: Path) -> str:
    """Return a log's file name without ``.gz``."""
    return path.stem if path.suffix.lower() == ".gz" else path.name


def digest(path: Path) -> str:
    """Return a file's SHA-256, hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


@contextmanager
def opened(path: Path) -> Iterator[Source]:
    """Open a log; one that is packed or in UTF-16 is copied to a temporary file for as long as it is open.

    Parameters
    ----------
    path : Path

    Raises
    ------
    InputError
        When the packed data are broken, or unpack to too much.
    """
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="gridfit-")))
        file, repairs = path, tuple[tuple[str, int], ...]()
        if path.suffix.lower() == ".gz":
            file = folder / bare_name(path)
            repairs = _unpack(path, file)
        if ending(path) in TEXT_ENDINGS and (encoding := _wide_encoding(file)):
            file = _as_utf8(file, folder / f"{stem(path)}.utf-8{ending(path)}", encoding)
        yield Source(path, file, None if file is path else digest(path), repairs, stack)


def _wide_encoding(file: Path) -> str:
    """Return the encoding of a text of two or four bytes a letter, empty when it has one byte a letter."""
    with file.open("rb") as stream:
        head = stream.read(4096)
    if head.startswith((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)):
        return "utf-32"
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    # Without a mark: every other byte of Latin text is 0.
    even, odd = head[0::2].count(0), head[1::2].count(0)
    enough = 0.4 * len(head)
    if len(head) < 8 or max(even, odd) < enough or min(even, odd) > 0.02 * len(head):
        return ""
    return "utf-16-le" if odd > even else "utf-16-be"


def _as_utf8(file: Path, copy: Path, encoding: str) -> Path:
    with (
        file.open("r", encoding=encoding, errors="replace", newline="") as wide,
        copy.open("w", encoding="utf-8", newline="") as out,
    ):
        while text := wide.read(CHUNK_BYTES):
            out.write(text)
    return copy


def _unpack(path: Path, file: Path) -> tuple[tuple[str, int], ...]:
    """Unpack a gzip file; one that was cut off gives what came before the cut."""
    size, packed = 0, path.stat().st_size
    with gzip.open(path, "rb") as stream, file.open("wb") as out:
        while True:
            try:
                chunk = stream.read(CHUNK_BYTES)
            except EOFError:
                return (("cut-off packed file", 1),)
            except (gzip.BadGzipFile, zlib.error, OSError) as error:
                _refuse(path, str(error)[:80], "must be a whole gzip file")
            if not chunk:
                return ()
            size += len(chunk)
            if size > MOST_UNPACKED_BYTES or (size > FREE_BYTES and size > MOST_PACKED * packed):
                value = f"{packed} bytes that unpack to more than {size} bytes"
                _refuse(path, value, f"must not unpack to more than {MOST_PACKED} times its size")
            out.write(chunk)


def _refuse(path: Path, value: str, allowed: str) -> NoReturn:
    remedy = "Copy the log again from the logger, or give it unpacked."
    raise InputError.of(where=path.name, what="packed log", value=value, allowed=allowed, remedy=remedy)
