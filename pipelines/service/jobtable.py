"""Jobs as rows: asked once, claimed under a lease, kept alive by a heartbeat, taken up again when that stops.

queued -> running -> done | refused | failed | cancelled; a running job whose worker died is queued again.
"""

import hashlib
import json
import secrets
import socket
import sqlite3
import time
from dataclasses import dataclass
from typing import Any

from pipelines.service.database import Database, now_text

LEASE_S = 30.0
"""Time [s] after which a worker that says nothing counts as dead; a long compilation takes less."""

MOST_TRIES = 3
"""Attempts in a row that get no further before a job is given up."""

OPEN_STATES = ("queued", "running")
ENDED_STATES = ("done", "refused", "failed", "cancelled")

_COLUMNS = (
    "seq, id, car, kind, state, stage, share, change, tries, attempts, marks, created, started, ended, problem, "
    "headline, asked, owner"
)


@dataclass(frozen=True, slots=True)
class Job:
    """One row of the table.

    Parameters
    ----------
    seq, change : int
        Place in the order of asking; count of changes to the row, for those who watch it.
    id, car, kind, state, stage : str
    share : float
        Done of the stage [0..1].
    tries, attempts, marks : int
        Attempts since the job last got further; attempts in all; what the job has got done, as a count.
    created, started, ended, headline, owner : str or None
    problem : dict or None
        Why it ended without a result.
    asked : dict
        The whole question, inputs by their digests.
    """

    seq: int
    id: str
    car: str
    kind: str
    state: str
    stage: str
    share: float
    change: int
    tries: int
    attempts: int
    marks: int
    created: str
    started: str | None
    ended: str | None
    problem: dict[str, Any] | None
    headline: str | None
    asked: dict[str, Any]
    owner: str | None

    @classmethod
    def of(cls, row: sqlite3.Row) -> "Job":
        """Make a job of a row of the table."""
        values = dict(row)
        values["problem"] = None if values["problem"] is None else json.loads(values["problem"])
        values["asked"] = json.loads(values["asked"])
        return cls(**values)


def question_key(car: str, kind: str, asked: dict[str, Any]) -> str:
    """Return the digest of a question: two jobs with one key are one job."""
    text = json.dumps([car, kind, asked], sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def owner_name(pid: int, token: str) -> str:
    """Return the name under which a process of this machine holds a job."""
    return f"{this_host()}:{pid}:{token}"


def this_host() -> str:
    """Return this machine's name, without colons."""
    return socket.gethostname().replace(":", "-") or "host"


class JobTable:
    """The table of jobs.

    Parameters
    ----------
    database : Database
    lease_s : float
        As `LEASE_S`.
    most_tries : int
        As `MOST_TRIES`.
    """

    def __init__(self, database: Database, *, lease_s: float = LEASE_S, most_tries: int = MOST_TRIES) -> None:
        self._database = database
        self.lease_s = lease_s
        self.most_tries = most_tries

    def submit(self, car: str, kind: str, asked: dict[str, Any]) -> tuple[Job, bool]:
        """Ask for a job; a question that is open or answered already gives the job that it is.

        Returns
        -------
        (Job, bool)
            And whether it is new.
        """
        key = question_key(car, kind, asked)
        with self._database.write() as table:
            found = table.execute(
                f"SELECT {_COLUMNS} FROM jobs WHERE key=? AND state IN ('queued', 'running', 'done')", (key,)
            ).fetchone()
            if found is not None:
                return Job.of(found), False
            row = table.execute(
                "INSERT INTO jobs (id, car, kind, key, asked, state, stage, created) "
                f"VALUES (?, ?, ?, ?, ?, 'queued', 'waiting', ?) RETURNING {_COLUMNS}",
                (secrets.token_hex(8), car, kind, key, json.dumps(asked, sort_keys=True), now_text()),
            ).fetchone()
            return Job.of(row), True

    def get(self, job_id: str) -> Job | None:
        """Return a job, or None."""
        with self._database.read() as table:
            row = table.execute(f"SELECT {_COLUMNS} FROM jobs WHERE id=?", (job_id,)).fetchone()
        return None if row is None else Job.of(row)

    def of_car(self, car: str, before: int | None, limit: int) -> list[Job]:
        """Return jobs of a car, the latest first, from those asked before `before` on."""
        with self._database.read() as table:
            rows = table.execute(
                f"SELECT {_COLUMNS} FROM jobs WHERE car=? AND seq<? ORDER BY seq DESC LIMIT ?",
                (car, before if before is not None else 1 << 62, limit),
            ).fetchall()
        return [Job.of(row) for row in rows]

    def in_state(self, state: str) -> list[Job]:
        """Return the jobs in a state, the first asked first."""
        with self._database.read() as table:
            rows = table.execute(
                f"SELECT {_COLUMNS} FROM jobs WHERE state=? ORDER BY seq", (state,)
            ).fetchall()
        return [Job.of(row) for row in rows]

    def claim(self, owner: str) -> Job | None:
        """Take the job that has waited longest, or None when none waits."""
        with self._database.write() as table:
            row = table.execute(
                "UPDATE jobs SET state='running', owner=?, lease=?, started=COALESCE(started, ?), change=change+1, "
                "attempts=attempts+1, stage='starting', share=0, "
                "tries=CASE WHEN marks>marks_claimed THEN 1 ELSE tries+1 END, marks_claimed=marks "
                "WHERE id=(SELECT id FROM jobs WHERE state='queued' ORDER BY seq LIMIT 1) AND state='queued' "
                f"RETURNING {_COLUMNS}",
                (owner, time.time() + self.lease_s, now_text()),
            ).fetchone()
        return None if row is None else Job.of(row)

    def beat(self, job_id: str, owner: str, stage: str, share: float, marks: int) -> bool:
        """Renew a lease and say how far the job is; False when it is no longer this owner's."""
        with self._database.write() as table:
            done = table.execute(
                "UPDATE jobs SET lease=?, change=change+(stage<>? OR share<>?), stage=?, share=?, marks=MAX(marks, ?) "
                "WHERE id=? AND owner=? AND state='running'",
                (time.time() + self.lease_s, stage, share, stage, share, marks, job_id, owner),
            )
            return done.rowcount == 1

    def finish(
        self,
        job_id: str,
        owner: str,
        state: str,
        *,
        headline: str = "",
        problem: dict[str, Any] | None = None,
    ) -> bool:
        """End a job that this owner holds; False when it is no longer this owner's."""
        text = None if problem is None else json.dumps(problem)
        with self._database.write() as table:
            done = table.execute(
                "UPDATE jobs SET state=?, stage='', share=1, headline=?, problem=?, ended=?, owner=NULL, lease=NULL, "
                "change=change+1 WHERE id=? AND owner=? AND state='running'",
                (state, headline, text, now_text(), job_id, owner),
            )
            return done.rowcount == 1

    def cancel(self, job_id: str) -> bool:
        """Cancel a job that waits or runs; its worker stops at its next heartbeat."""
        with self._database.write() as table:
            done = table.execute(
                "UPDATE jobs SET state='cancelled', stage='', ended=?, owner=NULL, lease=NULL, change=change+1 "
                "WHERE id=? AND state IN ('queued', 'running')",
                (now_text(), job_id),
            )
            return done.rowcount == 1

    def retry(self, job_id: str) -> Job | None:
        """Queue a job again that ended without a result; None when it did not, or the same one is under way."""
        with self._database.write() as table:
            try:
                row = table.execute(
                    "UPDATE jobs SET state='queued', stage='waiting', share=0, tries=0, problem=NULL, headline=NULL, "
                    "ended=NULL, change=change+1 WHERE id=? AND state IN ('failed', 'refused', 'cancelled') "
                    f"RETURNING {_COLUMNS}",
                    (job_id,),
                ).fetchone()
            except sqlite3.IntegrityError:
                return None
        return None if row is None else Job.of(row)

    def release(self, job_id: str, owner: str) -> str:
        """Queue a dead worker's job again, or give it up after too many tries; return the new state or ''."""
        problem = json.dumps({
            "error": "WorkerDied", "exit_code": 1,
            "problems": [{
                "where": f"job {job_id}", "what": "worker process", "value": f"died {self.most_tries} times in a row",
                "allowed": "must get further at each attempt",
                "remedy": "Look for memory or disk that ran out, then retry the job.",
            }],
        })  # fmt: skip
        with self._database.write() as table:
            row = table.execute(
                "UPDATE jobs SET state=CASE WHEN tries>=? AND marks<=marks_claimed THEN 'failed' ELSE 'queued' END, "
                "problem=CASE WHEN tries>=? AND marks<=marks_claimed THEN ? ELSE NULL END, "
                "ended=CASE WHEN tries>=? AND marks<=marks_claimed THEN ? ELSE NULL END, "
                "stage='waiting', owner=NULL, lease=NULL, change=change+1 "
                "WHERE id=? AND owner=? AND state='running' RETURNING state",
                (self.most_tries, self.most_tries, problem, self.most_tries, now_text(), job_id, owner),
            ).fetchone()
        return "" if row is None else str(row[0])

    def expired(self) -> list[Job]:
        """Return running jobs whose lease has run out."""
        with self._database.read() as table:
            rows = table.execute(
                f"SELECT {_COLUMNS} FROM jobs WHERE state='running' AND lease<?", (time.time(),)
            ).fetchall()
        return [Job.of(row) for row in rows]
