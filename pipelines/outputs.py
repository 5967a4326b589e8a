"""A result folder, written whole or not at all.

The files are written into a hidden sibling folder, flushed to the disk, and the folder is renamed into place.
An older result is moved aside first and removed only once the new one stands; whatever fails, it comes back, and
when the process is killed, the next job brings it back (`pipelines.leftovers`).
"""

import hashlib
import json
import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from gridfit.errors import CallError
from pipelines.leftovers import Mark, clear, remove_listed

SUMMARY = "summary.json"
"""Name of the file that makes a folder a result of gridfit."""

SUMMARY_FORMAT = "gridfit-summary/1"
"""Value of the key ``format`` in it."""


@dataclass(frozen=True, slots=True)
class Staged:
    """A finished folder that waits beside its destination.

    Parameters
    ----------
    folder : Path
        The hidden sibling folder.
    out : Path
        Where it goes.
    aside : Path
        Where an older result waits meanwhile.
    overwrite : bool
        Whether an older result may be replaced.
    """

    folder: Path
    out: Path
    aside: Path
    overwrite: bool


def digest(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def check_destination(out: Path, *, overwrite: bool) -> Path:
    """Say no before any work is done when a result may not be written to `out`.

    What killed jobs left beside it is cleared away first.

    Parameters
    ----------
    out : Path
        Where the result shall go. A missing folder or an empty one is fine.
    overwrite : bool
        Whether an older result of gridfit may be replaced.

    Returns
    -------
    Path
        The absolute destination, symbolic links resolved.

    Raises
    ------
    CallError
        The destination is a file, holds a result and `overwrite` is off, holds something that gridfit did not
        write, or lies where nothing can be written.
    """
    target = Path(os.path.realpath(out))
    clear(target.parent)
    if target.exists() and not target.is_dir():
        raise CallError.of(
            where=f"--out {out}",
            what="is a file",
            allowed="must be a folder that does not exist yet",
            remedy="Name another folder.",
        )
    if target.is_dir() and any(target.iterdir()):
        _check_old_result(target, out, overwrite=overwrite)
    _check_writable(target, out)
    return target


@contextmanager
def staged(out: Path, files: Mapping[str, str | bytes], *, overwrite: bool = False) -> Iterator[Staged]:
    """Write all files of a result beside its destination; remove them again on the way out if still there.

    Parameters
    ----------
    out : Path
        As `check_destination` returned it.
    files : mapping of file name to content
        Text is written as UTF-8. A name may hold one or more ``/``.
    overwrite : bool
        Whether an older result of gridfit may be replaced.

    Yields
    ------
    Staged
        To be handed to `commit`.

    Raises
    ------
    CallError
        The disk refused.
    """
    created, mark = _missing_parents(out), None
    try:
        with _disk_errors(out):
            out.parent.mkdir(parents=True, exist_ok=True)
            mark = Mark.set(out, files, (_files_of_result(out / SUMMARY) or set()) | {SUMMARY})
            mark.partial.mkdir()
            for name, content in files.items():
                _write(mark.partial / name, content)
            _flush_folder(mark.partial)
        yield Staged(mark.partial, out, mark.old, overwrite)
    finally:
        if mark is not None:
            if out.exists() or not mark.old.exists():  # else the next job finds what it needs to mend this
                shutil.rmtree(mark.partial, ignore_errors=True)
            mark.lift()
        for parent in created:
            _remove_if_empty(parent)


def rewrite(stage: Staged, name: str, content: str | bytes) -> None:
    """Replace one file of a staged folder, for what was only known after the others were written."""
    with _disk_errors(stage.out):
        _write(stage.folder / name, content)


def commit(stage: Staged) -> Path:
    """Put a staged folder in place with one rename; an older result is moved aside and then removed.

    Returns
    -------
    Path
        The destination.

    Raises
    ------
    CallError
        The disk refused, or the destination has filled meanwhile; what stood there stands as before.
    """
    with _disk_errors(stage.out):
        if not stage.out.exists():
            os.rename(stage.folder, stage.out)
        elif not any(stage.out.iterdir()):
            stage.out.rmdir()
            os.rename(stage.folder, stage.out)
        else:
            _swap(stage)
    # The result stands; a disk that cannot flush the folder's name is no reason to call it missing.
    with suppress(OSError):
        _flush_folder(stage.out.parent)
    return stage.out


def _swap(stage: Staged) -> None:
    _check_old_result(stage.out, stage.out, overwrite=stage.overwrite)
    listed = (_files_of_result(stage.out / SUMMARY) or set()) | {SUMMARY}
    os.rename(stage.out, stage.aside)
    try:
        os.rename(stage.folder, stage.out)
    except BaseException:
        os.rename(stage.aside, stage.out)
        raise
    remove_listed(stage.aside, listed)


def _write(path: Path, content: str | bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    data = content.encode("utf-8") if isinstance(content, str) else content
    with path.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def _flush_folder(folder: Path) -> None:
    """Flush a folder's list of names, where the system knows how to."""
    if os.name == "nt":  # there, a folder cannot be opened
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def _disk_errors(out: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise CallError.of(
            where=f"--out {out}",
            what="could not be written",
            value=error.strerror or type(error).__name__,
            allowed="must lie on a disk with room where you may write",
            remedy="Nothing was left behind. Make room or name another folder, then run the job again.",
        ) from error


def _check_old_result(target: Path, out: Path, *, overwrite: bool) -> None:
    listed = _files_of_result(target / SUMMARY)
    if listed is None:
        raise CallError.of(
            where=f"--out {out}",
            what="holds files",
            allowed=f"must be a new folder or an older result of gridfit (one with its {SUMMARY})",
            remedy="Name another folder; gridfit replaces nothing that it did not write.",
        )
    if not overwrite:
        raise CallError.of(
            where=f"--out {out}",
            what="already holds a result",
            allowed="must be a new folder",
            remedy="Name another folder, or add --overwrite to replace that result.",
        )
    _check_foreign_files(target, out, listed)


def _check_foreign_files(target: Path, out: Path, listed: set[str]) -> None:
    """Refuse to replace a result folder into which somebody put files of their own."""
    found = {path.relative_to(target).as_posix() for path in target.rglob("*") if not path.is_dir()}
    foreign = sorted(found - listed - {SUMMARY})
    if foreign:
        raise CallError.of(
            where=f"--out {out}",
            what="holds files that are not of that result",
            value=", ".join(foreign[:3]) + (" ..." if len(foreign) > 3 else ""),
            allowed="must hold nothing but the older result",
            remedy="Move them elsewhere or name another folder; overwriting would have removed them.",
        )


def _files_of_result(summary: Path) -> set[str] | None:
    """Return the file names that a summary lists, or None when it is no summary of gridfit."""
    try:
        data = json.loads(summary.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    if not isinstance(data, dict) or data.get("format") != SUMMARY_FORMAT:
        return None
    listed = data.get("files", [])
    return {str(name) for name in listed} if isinstance(listed, list) else set()


def _check_writable(target: Path, out: Path) -> None:
    existing = next(parent for parent in target.parents if parent.exists())
    if not existing.is_dir() or not os.access(existing, os.W_OK | os.X_OK):
        raise CallError.of(
            where=f"--out {out}",
            what="cannot be made",
            value=str(existing),
            allowed="must lie in a folder where you may write",
            remedy="Name another folder.",
        )


def _missing_parents(out: Path) -> list[Path]:
    """Return the parents of `out` that do not exist yet, innermost first."""
    return [parent for parent in out.parents if not parent.exists()]


def _remove_if_empty(folder: Path) -> None:
    try:
        folder.rmdir()
    except OSError:
        return  # it holds the new result, or something of somebody else
