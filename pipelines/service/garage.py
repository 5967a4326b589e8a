"""Cars of the data directory: sheets with their versions, runs with notes, grid pairs, history."""

import hashlib
import json
import secrets
import sqlite3
from typing import Any

from gridfit.carsheet import CarSheet
from gridfit.grids import GridPair
from pipelines.service.database import now_text
from pipelines.service.places import Data
from pipelines.service.preferences import Preferences
from pipelines.service.records import Car, Run, Stale, check_channels, missing, parse_sheet, run_of
from pipelines.service.uploads import RunName, Stored, blob_path, keep_text

LAST = 1 << 62
"""Beyond every place in an order."""


class Garage:
    """The cars of a data directory.

    Parameters
    ----------
    data : Data

    Attributes
    ----------
    preferences : Preferences
        Saved weights of the score, for all cars.
    """

    def __init__(self, data: Data) -> None:
        self.data = data
        self._database = data.database
        self.preferences = Preferences(data.database)

    # cars

    def add(self, sheet: str) -> Car:
        """Add a car by its sheet; raises InputError when the sheet is wrong."""
        name = parse_sheet(sheet).car.name
        digest, made = keep_text(self.data, sheet), now_text()
        car_id = secrets.token_hex(6)
        with self._database.write() as table:
            table.execute(
                "INSERT INTO cars (id, name, created, version, sheet) VALUES (?, ?, ?, 1, ?)",
                (car_id, name, made, digest),
            )
            _note(table, car_id, "car", f"Car sheet of {name} entered", digest[:12])
        return self.car(car_id)

    def car(self, car_id: str) -> Car:
        """Return a car; raises Missing."""
        with self._database.read() as table:
            row = table.execute("SELECT * FROM cars WHERE id=?", (car_id,)).fetchone()
        if row is None:
            raise missing("car", car_id, "GET /api/cars lists those that are there.")
        return Car(**dict(row))

    def cars(self, after: int, limit: int) -> list[Car]:
        """Return cars in the order of making."""
        with self._database.read() as table:
            rows = table.execute(
                "SELECT * FROM cars WHERE seq>? ORDER BY seq LIMIT ?", (after, limit)
            ).fetchall()
        return [Car(**dict(row)) for row in rows]

    def sheet_text(self, car: Car) -> str:
        """Return the text of a car's sheet."""
        return blob_path(self.data, car.sheet).read_text(encoding="utf-8")

    def sheet(self, car: Car) -> CarSheet:
        """Return a car's sheet."""
        return parse_sheet(self.sheet_text(car))

    def channels_text(self, car: Car) -> str | None:
        """Return the text of a car's channel map, if it has one."""
        return (
            None if car.channels is None else blob_path(self.data, car.channels).read_text(encoding="utf-8")
        )

    def change_sheet(self, car_id: str, etag: str, sheet: str) -> Car:
        """Put a new sheet in the place of the one that `etag` names."""
        name = parse_sheet(sheet).car.name
        digest = keep_text(self.data, sheet)
        return self._change(
            car_id, etag, {"sheet": digest, "name": name}, ("car", "Car sheet changed", digest[:12])
        )

    def change_channels(self, car_id: str, etag: str, text: str | None) -> Car:
        """Set or clear the channel map of all runs."""
        if text is not None:
            check_channels(text)
        digest = None if text is None else keep_text(self.data, text)
        words = "Channel map removed" if text is None else "Channel map set"
        return self._change(car_id, etag, {"channels": digest}, ("channels", words, (digest or "")[:12]))

    def put_in_force(self, car_id: str, etag: str, pair_id: str) -> Car:
        """Say which pair is in the car now."""
        label = self.pair(car_id, pair_id)["label"]
        return self._change(
            car_id, etag, {"in_force": pair_id}, ("driven", f"In the car now: {label}", pair_id)
        )

    def _change(self, car_id: str, etag: str, values: dict[str, Any], said: tuple[str, str, str]) -> Car:
        self.car(car_id)
        with self._database.write() as table:
            row = table.execute("SELECT * FROM cars WHERE id=?", (car_id,)).fetchone()
            car = Car(**dict(row))
            if etag.strip() not in (car.etag, "*"):
                raise Stale.of(
                    where=f"car {car_id} If-Match",
                    value=etag[:80],
                    allowed=f"must be {car.etag}, the version that stands",
                    remedy="Somebody changed this car meanwhile. Load it anew, put your change to that version, save.",
                )  # fmt: skip
            names = ", ".join(f"{name}=?" for name in values)
            table.execute(
                f"UPDATE cars SET {names}, version=version+1 WHERE id=?", (*values.values(), car_id)
            )
            _note(table, car_id, *said)
        return self.car(car_id)

    # runs

    def add_run(self, car_id: str, name: RunName, given: str, stored: Stored) -> tuple[Run, bool]:
        """Add an upload to a car; the same bytes under the same name are one run. Return it and whether it is new."""
        self.car(car_id)
        kind = "table" if name.is_table else "run"
        with self._database.write() as table:
            stem = table.execute(
                "SELECT name FROM runs WHERE car=? AND name LIKE ? AND name<>? AND kind='run'",
                (car_id, f"{name.stem}.%", name.file),
            ).fetchone()
            if kind == "run" and stem is not None:
                raise Stale.of(
                    where=f"run {name.file}", what="a run of this name is there in another format", value=stem[0],
                    allowed="a run's name must be its own", remedy="Rename the file, or remove the other run first.",
                )  # fmt: skip
            row = table.execute("SELECT * FROM runs WHERE car=? AND name=?", (car_id, name.file)).fetchone()
            if row is not None and row["sha256"] == stored.sha256:
                return run_of(row), False
            if row is not None:
                raise Stale.of(
                    where=f"run {name.file}",
                    what="other bytes are there under this name",
                    value=row["sha256"][:12],
                    allowed="a run is never overwritten",
                    remedy="Rename the file, or remove the run that is there first.",
                )  # fmt: skip
            table.execute(
                "INSERT INTO runs (car, name, kind, sha256, size, given, created) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (car_id, name.file, kind, stored.sha256, stored.size, given[:200], now_text()),
            )
            _note(table, car_id, "run", f"Uploaded {name.file}", stored.sha256[:12])
        return self.run(car_id, name.file), True

    def run(self, car_id: str, name: str) -> Run:
        """Return a run; raises Missing."""
        with self._database.read() as table:
            row = table.execute("SELECT * FROM runs WHERE car=? AND name=?", (car_id, name)).fetchone()
        if row is None:
            raise missing("run", name, f"GET /api/cars/{car_id}/runs lists those that are there.")
        return run_of(row)

    def runs(self, car_id: str, after: int = 0, limit: int = 10_000) -> list[Run]:
        """Return the uploads of a car in the order of arrival."""
        with self._database.read() as table:
            rows = table.execute(
                "SELECT * FROM runs WHERE car=? AND seq>? ORDER BY seq LIMIT ?", (car_id, after, limit)
            ).fetchall()
        return [run_of(row) for row in rows]

    def set_note(self, car_id: str, name: str, note: dict[str, Any]) -> Run:
        """Write the note of a run."""
        self.run(car_id, name)
        if note.get("pair"):
            self.pair(car_id, note["pair"])
        with self._database.write() as table:
            table.execute(
                "UPDATE runs SET note=? WHERE car=? AND name=?",
                (json.dumps(note, sort_keys=True), car_id, name),
            )
            _note(table, car_id, "run", f"Note of {name} written: compound {note['compound']}", name)
        return self.run(car_id, name)

    def remove_run(self, car_id: str, name: str) -> None:
        """Take a run off the car's list; its bytes stay, since results rest on them."""
        self.run(car_id, name)
        with self._database.write() as table:
            table.execute("DELETE FROM runs WHERE car=? AND name=?", (car_id, name))
            _note(table, car_id, "run", f"Removed {name}", name)

    # grid pairs

    def add_pair(self, car_id: str, pair: GridPair, label: str, origin: str) -> dict[str, Any]:
        """Keep a grid pair; the same numbers are one pair."""
        self.car(car_id)
        content = json.dumps(pair.to_dict(), sort_keys=True)
        plain = json.dumps([array.tolist() for array in pair.arrays()])
        pair_id = hashlib.sha256(plain.encode()).hexdigest()[:16]
        with self._database.write() as table:
            made = table.execute(
                "INSERT INTO pairs (car, id, label, origin, content, created) VALUES (?, ?, ?, ?, ?, ?) "
                "ON CONFLICT DO NOTHING",
                (car_id, pair_id, label, origin, content, now_text()),
            )
            if made.rowcount:
                _note(table, car_id, "grids", f"Grid pair kept: {label}", pair_id)
        return self.pair(car_id, pair_id)

    def pair(self, car_id: str, pair_id: str) -> dict[str, Any]:
        """Return a kept pair with its grids; raises Missing."""
        with self._database.read() as table:
            row = table.execute("SELECT * FROM pairs WHERE car=? AND id=?", (car_id, pair_id)).fetchone()
        if row is None:
            raise missing("grid pair", pair_id, f"GET /api/cars/{car_id}/grids lists those that are there.")
        return {**dict(row), "content": json.loads(row["content"])}

    def pairs(self, car_id: str, after: int = 0, limit: int = 10_000) -> list[dict[str, Any]]:
        """Return the kept pairs of a car in the order of keeping."""
        with self._database.read() as table:
            rows = table.execute(
                "SELECT * FROM pairs WHERE car=? AND seq>? ORDER BY seq LIMIT ?", (car_id, after, limit)
            ).fetchall()
        return [{**dict(row), "content": json.loads(row["content"])} for row in rows]

    # history

    def note_once(self, car_id: str, kind: str, text: str, ref: str) -> None:
        """Add a line unless one of this kind about the same thing is there."""
        with self._database.write() as table:
            found = table.execute(
                "SELECT 1 FROM history WHERE car=? AND kind=? AND ref=?", (car_id, kind, ref)
            ).fetchone()
            if found is None:
                _note(table, car_id, kind, text, ref)

    def history(self, car_id: str, before: int = LAST, limit: int = 100) -> list[dict[str, Any]]:
        """Return a car's history, the latest first."""
        with self._database.read() as table:
            rows = table.execute(
                "SELECT seq, at, kind, text, ref FROM history WHERE car=? AND seq<? ORDER BY seq DESC LIMIT ?",
                (car_id, before, limit),
            ).fetchall()
        return [dict(row) for row in rows]


def _note(table: sqlite3.Connection, car_id: str, kind: str, text: str, ref: str) -> None:
    table.execute(
        "INSERT INTO history (car, at, kind, text, ref) VALUES (?, ?, ?, ?, ?)",
        (car_id, now_text(), kind, text, ref),
    )
