"""The service's one database: its tables, and how it is opened."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

WAIT_S = 30.0
"""How long [s] one connection waits for another's write."""

VERSION = 1
"""Version of the tables, kept in the file itself."""

TABLES = """
CREATE TABLE IF NOT EXISTS cars (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE, name TEXT NOT NULL, created TEXT NOT NULL,
    version INTEGER NOT NULL, sheet TEXT NOT NULL, channels TEXT, in_force TEXT);
CREATE TABLE IF NOT EXISTS runs (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, car TEXT NOT NULL, name TEXT NOT NULL, kind TEXT NOT NULL,
    sha256 TEXT NOT NULL, size INTEGER NOT NULL, given TEXT NOT NULL, created TEXT NOT NULL, note TEXT,
    UNIQUE (car, name));
CREATE TABLE IF NOT EXISTS pairs (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, car TEXT NOT NULL, id TEXT NOT NULL, label TEXT NOT NULL,
    origin TEXT NOT NULL, content TEXT NOT NULL, created TEXT NOT NULL, UNIQUE (car, id));
CREATE TABLE IF NOT EXISTS history (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, car TEXT NOT NULL, at TEXT NOT NULL, kind TEXT NOT NULL,
    text TEXT NOT NULL, ref TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS jobs (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE, car TEXT NOT NULL, kind TEXT NOT NULL,
    key TEXT NOT NULL, asked TEXT NOT NULL, state TEXT NOT NULL, stage TEXT NOT NULL DEFAULT '',
    share REAL NOT NULL DEFAULT 0, change INTEGER NOT NULL DEFAULT 0, tries INTEGER NOT NULL DEFAULT 0,
    marks INTEGER NOT NULL DEFAULT 0, marks_claimed INTEGER NOT NULL DEFAULT 0, attempts INTEGER NOT NULL DEFAULT 0,
    owner TEXT, lease REAL, created TEXT NOT NULL, started TEXT, ended TEXT, problem TEXT, headline TEXT);
CREATE UNIQUE INDEX IF NOT EXISTS one_job_per_question ON jobs (key) WHERE state IN ('queued', 'running', 'done');
CREATE INDEX IF NOT EXISTS jobs_by_state ON jobs (state, seq);
CREATE INDEX IF NOT EXISTS history_by_car ON history (car, seq);
CREATE TABLE IF NOT EXISTS preferences (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, name TEXT NOT NULL UNIQUE, version INTEGER NOT NULL,
    weights TEXT NOT NULL, created TEXT NOT NULL, changed TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS settings (key TEXT PRIMARY KEY, value TEXT NOT NULL);
"""


class Database:
    """A SQLite file in write-ahead mode; every use has its own connection, so threads and processes may share it.

    Parameters
    ----------
    path : Path
        Made where it is missing.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    def prepare(self) -> "Database":
        """Make the tables where they are missing, and return the database.

        Raises
        ------
        RuntimeError
            The file was written by a later version.
        """
        self.path.parent.mkdir(parents=True, exist_ok=True)
        with self.read() as connection:
            connection.execute("PRAGMA journal_mode=WAL")
            found = int(connection.execute("PRAGMA user_version").fetchone()[0])
            if found > VERSION:
                message = f"{self.path} has tables of version {found}: this gridfit knows {VERSION}; use a newer one"
                raise RuntimeError(message)
            connection.executescript(TABLES)
            connection.execute(f"PRAGMA user_version={VERSION}")
        return self

    @contextmanager
    def read(self) -> Iterator[sqlite3.Connection]:
        """Open a connection that commits each statement by itself."""
        with closing(sqlite3.connect(self.path, timeout=WAIT_S, isolation_level=None)) as connection:
            connection.row_factory = sqlite3.Row
            # A commit reaches the disk before it is answered: what a person was told is there, is there.
            connection.execute("PRAGMA synchronous=FULL")
            yield connection

    @contextmanager
    def write(self) -> Iterator[sqlite3.Connection]:
        """Open a connection whose statements are one transaction, alone from the first one on."""
        with self.read() as connection:
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
            except BaseException:
                connection.execute("ROLLBACK")
                raise
            connection.execute("COMMIT")


def now_text() -> str:
    """Return the time in UTC as ISO 8601 text with milliseconds."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")
