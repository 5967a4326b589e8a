"""What a killed job leaves beside its destination: how it is marked, and how the next job clears it away.

While a result is written, three hidden names stand beside it: ``.NAME.TOKEN.partial`` (the new folder),
``.NAME.TOKEN.old`` (an older result, moved aside) and ``.NAME.TOKEN.lock``, which lists their files and is locked by
the process. The system drops that lock when the process ends, however it ends; a process number could by then be
somebody else's, or belong to another machine. So a lock file of this form that can be locked again proves both that
gridfit made the leftovers and that nobody works on them. Only the files that it lists are ever removed.
"""

import json
import os
import re
import secrets
import sys
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Self

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

FORMAT = "gridfit-lock/1"
"""Value of the key ``format`` in a lock file."""

LOCK_NAME = re.compile(r"\.(?P<name>.+)\.(?P<token>[0-9a-f]{8})\.lock", re.DOTALL)
"""Name of a lock file."""

LOCK_BYTE = 1 << 30
"""Place of the locked byte, on Windows: beyond the text, since a locked byte cannot be read."""


@dataclass(frozen=True, slots=True)
class Mark:
    """The lock file of a result that is being written.

    Parameters
    ----------
    out : Path
        Destination of the result.
    token : str
        Eight hexadecimal digits that tell this writing from any other.
    stream : binary file
        The lock file, open and locked.
    """

    out: Path
    token: str
    stream: BinaryIO

    @classmethod
    def set(cls, out: Path, files: Iterable[str], older: Iterable[str]) -> Self:
        """Write and lock the lock file of a new writing.

        Parameters
        ----------
        out : Path
            Destination; its parent exists.
        files, older : iterable of str
            Names of the files that will be written, and of those of the older result there.

        Returns
        -------
        Mark

        Raises
        ------
        OSError
            The disk refused.
        """
        token = secrets.token_hex(4)
        path = _beside(out, token, "lock")
        mark = cls(out, token, path.open("xb"))
        try:
            # A disk that knows no locks gives leftovers that are never cleared: the safe side.
            with suppress(OSError):
                _lock(mark.stream)
            text = {"format": FORMAT, "pid": os.getpid(), "files": sorted(files), "older": sorted(older)}
            mark.stream.write(json.dumps(text).encode("utf-8"))
            mark.stream.flush()
            os.fsync(mark.stream.fileno())
        except BaseException:
            mark.lift()
            raise
        return mark

    @property
    def partial(self) -> Path:
        """The folder in which the new result grows."""
        return _beside(self.out, self.token, "partial")

    @property
    def old(self) -> Path:
        """The place to which an older result is moved aside."""
        return _beside(self.out, self.token, "old")

    def lift(self) -> None:
        """Drop the lock, and remove its file unless something is left that the next job has to clear."""
        self.stream.close()
        if not self.partial.exists() and not self.old.exists():
            with suppress(OSError):
                _beside(self.out, self.token, "lock").unlink()


def clear(folder: Path) -> None:
    """Clear away what killed jobs left in a folder, and bring back an older result that they had moved aside.

    Parameters
    ----------
    folder : Path
        Where results lie. What cannot be proved to be gridfit's own and abandoned is left alone.
    """
    with suppress(OSError):
        for path in sorted(folder.iterdir()):
            found = LOCK_NAME.fullmatch(path.name)
            if found and path.is_file() and not path.is_symlink():
                _clear(path, folder / found["name"], found["token"])


def _clear(path: Path, out: Path, token: str) -> None:
    with suppress(OSError), path.open("r+b") as stream:
        listed = _listed(stream)
        if listed is None:
            return
        _lock(stream)  # fails while the job lives
        files, older = listed
        partial, old = _beside(out, token, "partial"), _beside(out, token, "old")
        if old.is_dir() and not out.exists():
            os.rename(old, out)
        elif old.is_dir() and partial.is_dir():
            return  # killed between the two renames, and somebody has put something else in the place since
        remove_listed(old, older)
        remove_listed(partial, files)
        Mark(out, token, stream).lift()


def remove_listed(folder: Path, names: Iterable[str]) -> None:
    """Remove the named files of a folder and then the folder; anything else in it stays, and so does the folder."""
    if folder.is_symlink() or not folder.is_dir():
        return
    for name in names:
        with suppress(OSError):
            (folder / name).unlink()
    inner = sorted(
        (path for path in folder.rglob("*") if path.is_dir() and not path.is_symlink()), reverse=True
    )
    for each in (*inner, folder):
        with suppress(OSError):
            each.rmdir()


def _listed(stream: BinaryIO) -> tuple[list[str], list[str]] | None:
    """Return the names in a lock file, or None when it is not one of gridfit's."""
    try:
        data = json.loads(stream.read())
    except ValueError:
        return None
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        return None
    lists = [data.get(key) for key in ("files", "older")]
    if not all(isinstance(names, list) and all(_is_inside(name) for name in names) for names in lists):
        return None
    return list(lists[0] or ()), list(lists[1] or ())


def _is_inside(name: object) -> bool:
    """Say whether a name stays within the folder that it is joined to."""
    return isinstance(name, str) and not Path(name).is_absolute() and ".." not in Path(name).parts


def _beside(out: Path, token: str, what: str) -> Path:
    return out.parent / f".{out.name}.{token}.{what}"


def _lock(stream: BinaryIO) -> None:
    """Lock an open file for this process, or raise OSError when another one holds it."""
    if sys.platform == "win32":
        stream.seek(LOCK_BYTE)
        msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        stream.seek(0)
    else:
        fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
