"""Databases are made whole or not at all, whenever the process is killed."""

import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest

from pipelines.stores import make_sqlite

KILLED_MIDWAY = """
import os, signal, sqlite3, sys
from pathlib import Path
from pipelines.stores import make_sqlite

def fill(address):
    database = sqlite3.connect(address.removeprefix("sqlite:///"))
    database.execute("CREATE TABLE first (number)")
    database.commit()
    os.kill(os.getpid(), signal.SIGKILL)

make_sqlite(Path(sys.argv[1]), fill)
"""


def make_two_tables(address):
    with closing(sqlite3.connect(address.removeprefix("sqlite:///"))) as database:
        database.execute("CREATE TABLE first (number)")
        database.execute("CREATE TABLE second (number)")
        database.commit()


def tables(path):
    with closing(sqlite3.connect(path)) as database:
        return sorted(name for (name,) in database.execute("SELECT name FROM sqlite_master"))


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
def test_killed_in_the_middle_leaves_no_half_made_database(tmp_path):
    path = tmp_path / "store.db"
    killed = subprocess.run([sys.executable, "-c", KILLED_MIDWAY, path], check=False)
    assert killed.returncode == -9
    assert not path.exists()
    make_sqlite(path, make_two_tables)
    assert tables(path) == ["first", "second"]
    assert [one.name for one in tmp_path.iterdir()] == ["store.db"]


def test_what_is_there_is_left_alone_and_stays_in_write_ahead_mode(tmp_path):
    path = tmp_path / "store.db"
    make_sqlite(path, make_two_tables)
    make_sqlite(path, lambda address: pytest.fail(f"made twice: {address}"))
    with closing(sqlite3.connect(path)) as database:
        assert database.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_tables_that_an_open_connection_wrote_are_all_there(tmp_path):
    path, kept = tmp_path / "store.db", []

    def fill(address):
        kept.append(sqlite3.connect(address.removeprefix("sqlite:///")))
        kept[0].execute("CREATE TABLE first (number)")
        kept[0].commit()

    make_sqlite(path, fill)
    assert tables(path) == ["first"]
    kept[0].close()
