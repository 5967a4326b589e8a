"""The token of a service beyond loopback, and the sessions that browsers get for it.

Only digests are kept. A new token ends the old one and every session at once.
"""

import hashlib
import hmac
import secrets
import time

from pipelines.service.database import Database

SESSION_S = 12 * 3600.0
"""How long a browser's session lasts [s]: a day at the track."""

COOKIE = "gridfit_session"


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


class Tokens:
    """The one token, and its sessions.

    Parameters
    ----------
    database : Database
    """

    def __init__(self, database: Database) -> None:
        self._database = database

    @property
    def known(self) -> bool:
        """Whether there is a token."""
        return bool(self._kept())

    def renew(self) -> str:
        """Make a new token, end the old one and its sessions, and return the new one: it is told only here."""
        token = secrets.token_urlsafe(32)
        with self._database.write() as table:
            table.execute("DELETE FROM settings WHERE key='token' OR key LIKE 'session:%'")
            table.execute("INSERT INTO settings (key, value) VALUES ('token', ?)", (_digest(token),))
        return token

    def fits(self, token: str) -> bool:
        """Say whether a token is the right one, in the same time for every wrong one."""
        return hmac.compare_digest(_digest(token), self._kept() or _digest(secrets.token_hex()))

    def open_session(self) -> str:
        """Return the secret of a new session."""
        secret = secrets.token_urlsafe(32)
        with self._database.write() as table:
            table.execute(
                "INSERT INTO settings (key, value) VALUES (?, ?)",
                (f"session:{_digest(secret)}", str(time.time() + SESSION_S)),
            )
        return secret

    def close_session(self, secret: str) -> None:
        """End a session."""
        with self._database.write() as table:
            table.execute("DELETE FROM settings WHERE key=?", (f"session:{_digest(secret)}",))

    def in_session(self, secret: str) -> bool:
        """Say whether a session is open; it is found by its digest, so its spelling cannot be felt out by time."""
        with self._database.read() as table:
            row = table.execute(
                "SELECT value FROM settings WHERE key=?", (f"session:{_digest(secret)}",)
            ).fetchone()
        return row is not None and float(row[0]) > time.time()

    def _kept(self) -> str:
        with self._database.read() as table:
            row = table.execute("SELECT value FROM settings WHERE key='token'").fetchone()
        return "" if row is None else str(row[0])
