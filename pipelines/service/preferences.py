"""Preferences that people saved: of the data directory, so of all its cars; each change to the version that stood."""

import json
from dataclasses import dataclass

from gridfit.recovery import PREFERENCES, Preference
from pipelines.service.database import Database, now_text
from pipelines.service.records import Stale, missing

_COLUMNS = "seq, name, version, weights, created, changed"


@dataclass(frozen=True, slots=True)
class Saved:
    """A preference as it stands.

    Parameters
    ----------
    seq : int
        Place in the order of making; 0 for one that is built in.
    name : str
    version : int
        Counts the changes.
    weights : Preference
    created, changed : str or None
        None for one that is built in.
    """

    seq: int
    name: str
    version: int
    weights: Preference
    created: str | None
    changed: str | None

    @property
    def etag(self) -> str:
        """Tag of this version, for If-Match; a name that is removed and taken again gets another."""
        return f'"p{self.seq}.{self.version}"'

    @property
    def built_in(self) -> bool:
        """Whether it comes with gridfit and never changes."""
        return self.seq == 0


def built_in() -> list[Saved]:
    """Return those that come with gridfit, from calm to sharp."""
    return [Saved(0, name, 1, PREFERENCES[name], None, None) for name in ("calm", "balanced", "sharp")]


class Preferences:
    """The saved preferences of a data directory.

    Parameters
    ----------
    database : Database
    """

    def __init__(self, database: Database) -> None:
        self._database = database

    def saved(self, after: int = 0, limit: int = 10_000) -> list[Saved]:
        """Return saved preferences in the order of making."""
        with self._database.read() as table:
            rows = table.execute(
                f"SELECT {_COLUMNS} FROM preferences WHERE seq>? ORDER BY seq LIMIT ?", (after, limit)
            ).fetchall()
        return [_of(tuple(row)) for row in rows]

    def get(self, name: str) -> Saved:
        """Return a preference, built in or saved; raises Missing."""
        found = next((one for one in built_in() if one.name == name), None) or self.find(name)
        if found is None:
            remedy = f"GET /api/preferences lists those that are there, beside {', '.join(PREFERENCES)}."
            raise missing("preference", name, remedy)
        return found

    def put(self, weights: Preference, etag: str | None) -> tuple[Saved, bool]:
        """Save weights under their name.

        Parameters
        ----------
        weights : Preference
        etag : str or None
            Version that is changed; None to make a new one.

        Returns
        -------
        (Saved, bool)
            And whether it is new.

        Raises
        ------
        Stale
            Another version stands, or none; or there is one, and no version was named.
        """
        text, now = json.dumps(weights.weights()), now_text()
        with self._database.write() as table:
            row = table.execute(
                f"SELECT {_COLUMNS} FROM preferences WHERE name=?", (weights.name,)
            ).fetchone()
            stands = None if row is None else _of(tuple(row))
            _check(weights.name, stands, etag)
            if stands is None:
                table.execute(
                    "INSERT INTO preferences (name, version, weights, created, changed) VALUES (?, 1, ?, ?, ?)",
                    (weights.name, text, now, now),
                )
            else:
                table.execute(
                    "UPDATE preferences SET weights=?, changed=?, version=version+1 WHERE name=?",
                    (text, now, weights.name),
                )
            made = table.execute(
                f"SELECT {_COLUMNS} FROM preferences WHERE name=?", (weights.name,)
            ).fetchone()
        return _of(tuple(made)), stands is None

    def remove(self, name: str, etag: str) -> None:
        """Remove a preference; jobs that were asked with it keep its weights. Raises Missing or Stale."""
        with self._database.write() as table:
            row = table.execute(f"SELECT {_COLUMNS} FROM preferences WHERE name=?", (name,)).fetchone()
            if row is None:
                raise missing("preference", name, "GET /api/preferences lists those that are there.")
            _check(name, _of(tuple(row)), etag)
            table.execute("DELETE FROM preferences WHERE name=?", (name,))

    def find(self, name: str) -> Saved | None:
        """Return a saved preference, or None."""
        with self._database.read() as table:
            row = table.execute(f"SELECT {_COLUMNS} FROM preferences WHERE name=?", (name,)).fetchone()
        return None if row is None else _of(tuple(row))


def _check(name: str, stands: Saved | None, etag: str | None) -> None:
    """Raise Stale unless the change was made to what stands."""
    if stands is None and etag is None:
        return
    if stands is not None and etag is not None and etag.strip() in (stands.etag, "*"):
        return
    raise Stale.of(
        where=f"preference {name} If-Match",
        value="missing" if etag is None else etag[:80],
        allowed="must be left out, since there is none of this name" if stands is None
        else f"must be {stands.etag}, the version that stands",
        remedy="Somebody saved or removed it meanwhile. Load the preferences anew, and save under another name or "
        "to the version that stands.",
    )  # fmt: skip


def _of(row: tuple[int, str, int, str, str, str]) -> Saved:
    seq, name, version, weights, created, changed = row
    return Saved(seq, name, version, Preference(name, **json.loads(weights)), created, changed)
