"""Databases under the tracking folder: made once under a lock, in write-ahead mode."""

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from gridfit.errors import CallError

DEFAULT_FOLDER = "gridfit-runs"
"""Made in the current folder unless --tracking names another place."""

LOCK_WAIT_S = 60.0
"""How long [s] one process waits while another makes the store."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where jobs are tracked.

    Parameters
    ----------
    folder : Path
        Absolute; holds databases and artifacts when `url` is empty, artifacts of a remote database otherwise.
    url : str
        Address of a tracking server or database; empty for SQLite in `folder`.
    """

    folder: Path
    url: str = ""

    @property
    def tracking_uri(self) -> str:
        """Address of the tracking store."""
        return self.url or sqlite_url(self.folder / "mlflow.db")


def place(text: str | None) -> Place:
    """Read what --tracking says.

    Parameters
    ----------
    text : str or None
        A folder, the address of a server (``http://``, ``https://``) or of a database (``postgresql+psycopg://``,
        ``sqlite:///``); None for `DEFAULT_FOLDER`.

    Returns
    -------
    Place

    Raises
    ------
    CallError
        It names a file.
    """
    if text is not None and "://" in text:
        return Place(Path(DEFAULT_FOLDER).absolute(), text)
    folder = Path(text or DEFAULT_FOLDER).absolute()
    if folder.exists() and not folder.is_dir():
        raise CallError.of(
            where=f"--tracking {text or DEFAULT_FOLDER}",
            what="is a file",
            allowed="must be a folder or the address of a tracking server",
            remedy="Name another folder, or use --no-tracking.",
        )
    return Place(folder)


def sqlite_url(path: Path) -> str:
    """Return the database address of a SQLite file."""
    return f"sqlite:///{path.as_posix()}"


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Keep other processes out of the folder's stores while the block runs.

    The lock is an open transaction on a small database, so it works everywhere and ends with its process.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with closing(sqlite3.connect(folder / ".lock.db", timeout=LOCK_WAIT_S, isolation_level=None)) as lock:
        lock.execute("BEGIN EXCLUSIVE")
        try:
            yield
        finally:
            lock.execute("ROLLBACK")


def make_sqlite(path: Path, fill: Callable[[str], None]) -> None:
    """Make the tables of a SQLite file that is missing: whole or not at all, whenever the process is killed.

    Libraries make their tables in many steps, and a file left between two of them can be opened by none of them
    again. So the file is made beside its place and moved there when it is complete, in write-ahead mode, which stays
    with it: without that every commit waits for the disk twice, and a second process can lose one.

    Parameters
    ----------
    path : Path
        Left alone when it exists. Call it under `locked`.
    fill : callable
        Takes the database's address, makes the tables and closes its connections.
    """
    if path.exists():
        return
    unfinished = path.with_name(f".{path.name}.unfinished")
    _remove_sqlite(unfinished)
    with closing(sqlite3.connect(unfinished)) as database:
        database.execute("PRAGMA journal_mode=WAL")
    fill(sqlite_url(unfinished))
    with closing(sqlite3.connect(unfinished, timeout=LOCK_WAIT_S)) as database:
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    os.replace(unfinished, path)
    _remove_sqlite(unfinished)


def _remove_sqlite(path: Path) -> None:
    for name in (path.name, f"{path.name}-wal", f"{path.name}-shm"):
        path.with_name(name).unlink(missing_ok=True)


def quiet_environment() -> None:
    """Switch the libraries' usage reporting off, before they are imported; cut their chatter and retries."""
    os.environ["MLFLOW_DISABLE_TELEMETRY"] = "true"
    os.environ["DO_NOT_TRACK"] = "true"
    os.environ.setdefault("MLFLOW_LOGGING_LEVEL", "WARNING")
    os.environ.setdefault("MLFLOW_HTTP_REQUEST_MAX_RETRIES", "1")
    os.environ.setdefault("MLFLOW_HTTP_REQUEST_TIMEOUT", "15")
    os.environ.setdefault("GIT_PYTHON_REFRESH", "quiet")
