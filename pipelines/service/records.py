"""What the service keeps of a car: rows as plain values, and the faults of asking for them."""

import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from gridfit.carsheet import CarSheet, read_carsheet
from gridfit.errors import CallError
from gridfit.signals.channelmap import read_channel_map


class Missing(CallError):
    """Something that was named is not there."""


class Stale(CallError):
    """Somebody else changed it meanwhile."""


@dataclass(frozen=True, slots=True)
class Car:
    """A car as it stands.

    Parameters
    ----------
    seq, version : int
        Place in the order of making; counts the changes.
    id, name, created : str
    sheet : str
        Digest of the car sheet's text.
    channels : str or None
        Digest of the channel map's text.
    in_force : str or None
        Grid pair in the car now.
    """

    seq: int
    id: str
    name: str
    created: str
    version: int
    sheet: str
    channels: str | None
    in_force: str | None

    @property
    def etag(self) -> str:
        """Tag of this version, for If-Match."""
        return f'"{self.id}.{self.version}"'


@dataclass(frozen=True, slots=True)
class Run:
    """An upload of a car: a log, or a message table.

    Parameters
    ----------
    seq, size : int
    name, kind, sha256, given, created : str
        Name is what we call it, `given` what the client did; kind is "run" or "table".
    note : dict or None
    """

    seq: int
    name: str
    kind: str
    sha256: str
    size: int
    given: str
    created: str
    note: dict[str, Any] | None


def parse_sheet(text: str) -> CarSheet:
    """Return the car sheet of a text; raises InputError with line and remedy."""
    with TemporaryDirectory(prefix="gridfit-") as folder:
        path = Path(folder) / "car.toml"
        path.write_bytes(text.encode("utf-8"))
        return read_carsheet(path)


def check_channels(text: str) -> None:
    """Raise InputError unless the text is a channel map."""
    with TemporaryDirectory(prefix="gridfit-") as folder:
        path = Path(folder) / "channels.toml"
        path.write_bytes(text.encode("utf-8"))
        read_channel_map(path)


def run_of(row: sqlite3.Row) -> Run:
    """Make a run of a row of its table."""
    values = dict(row)
    values.pop("car")
    values["note"] = None if values["note"] is None else json.loads(values["note"])
    return Run(**values)


def missing(what: str, name: str, remedy: str) -> Missing:
    """Return the error for something that is not there."""
    return Missing.of(where=what, value=repr(name[:80]), allowed="must be one that is there", remedy=remedy)
