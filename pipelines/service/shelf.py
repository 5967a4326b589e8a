"""What the routes share: the parts of a service, cursors, preconditions."""

import base64
import binascii
from dataclasses import dataclass
from threading import Lock
from typing import Annotated

from fastapi import Depends, Header, Query, Request

from pipelines.service.desk import Desks
from pipelines.service.garage import Garage
from pipelines.service.jobtable import JobTable
from pipelines.service.problems import refusal
from pipelines.service.settings import Settings
from pipelines.service.tokens import Tokens

PAGE = 50
"""Items of a page unless told otherwise."""


@dataclass(slots=True)
class Shelf:
    """The parts of a running service.

    Parameters
    ----------
    settings : Settings
    garage : Garage
    jobs : JobTable
    tokens : Tokens
    desks : Desks
        Warm simulators for what-if.
    """

    settings: Settings
    garage: Garage
    jobs: JobTable
    tokens: Tokens
    desks: Desks


class Turnstile:
    """Counts what is under way at a time.

    Parameters
    ----------
    most : int
    what : str
        For the message.
    """

    def __init__(self, most: int, what: str) -> None:
        self._most, self._what, self._now, self._lock = most, what, 0, Lock()

    def __enter__(self) -> None:
        with self._lock:
            if self._now >= self._most:
                raise refusal(
                    429, "service", what=f"{self._what} at a time", value=str(self._now),
                    allowed=f"at most {self._most}", remedy="Wait a moment and try again.",
                    headers={"retry-after": "2"},
                )  # fmt: skip
            self._now += 1

    def __exit__(self, *_: object) -> None:
        with self._lock:
            self._now -= 1


def shelf(request: Request) -> Shelf:
    """Return the parts of the service that a request came to."""
    found: Shelf = request.app.state.shelf
    return found


Parts = Annotated[Shelf, Depends(shelf)]
Limit = Annotated[int, Query(ge=1, le=200, description="Most items of a page")]
Cursor = Annotated[
    str | None,
    Query(
        max_length=64, description="Where to go on: `next` of the page before", pattern=r"^[A-Za-z0-9_-]*$"
    ),
]
IfMatch = Annotated[str | None, Header(max_length=200, description="ETag of the version that is changed")]


def to_cursor(seq: int) -> str:
    """Return a place in an order as a cursor."""
    return base64.urlsafe_b64encode(f"at{seq}".encode()).decode().rstrip("=")


def from_cursor(cursor: str | None) -> int | None:
    """Return the place that a cursor means; raises Refusal."""
    if not cursor:
        return None
    try:
        text = base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)).decode()
    except (binascii.Error, UnicodeDecodeError, ValueError):
        text = ""
    if not text.startswith("at") or not text[2:].isascii() or not text[2:].isdigit() or len(text) > 20:
        raise refusal(
            400, "cursor", value=repr(cursor[:40]), allowed="must be `next` of the page before",
            remedy="Leave it out to begin at the first page.",
        )  # fmt: skip
    return int(text[2:])


def matched(if_match: str | None, etag: str, what: str = "car") -> str:
    """Return the ETag that a change was made to; raises Refusal when none was sent."""
    if if_match is None:
        raise refusal(
            428, "If-Match header", value="missing", allowed=f"must be the ETag of the version that is changed, {etag}",
            remedy=f"Load the {what}, change it, and send its ETag with the change.",
        )  # fmt: skip
    return if_match
