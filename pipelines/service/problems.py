"""Errors as problem details (RFC 9457): one shape for every fault, with place and remedy."""

import json
from collections.abc import Iterable
from dataclasses import asdict
from html import escape
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, Response
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from gridfit.errors import DataError, GridfitError, InputError
from gridfit.errors import Problem as Fault
from pipelines.service.records import Missing, Stale
from pipelines.service.uploads import TooLarge

MEDIA_TYPE = "application/problem+json"


class FaultOut(BaseModel):
    """One fault: where it is, what stands there, what may, what to do."""

    where: str = Field(description="Place: file with line or key, header, or part of the body")
    what: str = Field(description="What is wrong there, or empty")
    value: str = Field(description="What was found there, or empty")
    allowed: str = Field(description="What may stand there")
    remedy: str = Field(description="What to do about it")


class ProblemOut(BaseModel):
    """Problem details."""

    type: str = Field(description="Kind of the problem, as a URN", examples=["urn:gridfit:problem:not-found"])
    title: str = Field(description="The same in words")
    status: int = Field(ge=400, le=599, description="Status of the answer")
    detail: str = Field(description="The faults as one text")
    instance: str = Field(description="Path that was asked")
    problems: list[FaultOut] = Field(description="The faults one by one, worst first")


STATUSES = (400, 401, 403, 404, 405, 409, 412, 413, 421, 422, 428, 429)
"""Client errors that any operation may answer with."""


def documented() -> dict[int | str, dict[str, Any]]:
    """Return the answers beside success that every operation declares."""
    schema = {"$ref": "#/components/schemas/ProblemOut"}
    return {
        status: {"description": HTTPStatus(status).phrase, "content": {MEDIA_TYPE: {"schema": schema}}}
        for status in STATUSES
    }


def problem_body(status: int, path: str, faults: Iterable[Fault]) -> dict[str, Any]:
    """Return problem details as plain values."""
    said = list(faults)
    phrase = HTTPStatus(status).phrase
    return {
        "type": f"urn:gridfit:problem:{phrase.lower().replace(' ', '-')}",
        "title": phrase,
        "status": status,
        "detail": "\n".join(str(fault) for fault in said),
        "instance": path[:300],
        "problems": [asdict(fault) for fault in said],
    }


def answer(
    status: int, path: str, faults: Iterable[Fault], headers: dict[str, str] | None = None
) -> Response:
    """Return problem details as a response."""
    # Half of a pair of surrogates, which JSON may carry, has no UTF-8: escaped here.
    text = json.dumps(problem_body(status, path, faults))
    return Response(text, status, {"cache-control": "no-store", **(headers or {})}, MEDIA_TYPE)


PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title} - gridfit</title><link rel="icon" href="/favicon.svg">
<link rel="stylesheet" href="/static/notebook.css"></head>
<body><main><h1>{title}</h1><p class="answer">{detail}</p><p><a href="/">Back to the cars</a></p></main></body></html>
"""
"""What a person is shown who asked for a page."""


def reply(
    request: Request, status: int, faults: Iterable[Fault], headers: dict[str, str] | None = None
) -> Response:
    """Return problem details, as a page when a browser asked for one."""
    path = request.url.path
    if path.startswith("/api/") or "text/html" not in request.headers.get("accept", ""):
        return answer(status, path, faults, headers)
    detail = escape("\n".join(str(fault) for fault in faults)).replace("\n", "<br>")
    return HTMLResponse(PAGE.format(title=HTTPStatus(status).phrase, detail=detail), status, headers)


class Refusal(HTTPException):
    """A request that is answered with a problem of a given status.

    An `HTTPException`, so that it passes through whatever reads the body.

    Parameters
    ----------
    status : int
    fault : Fault
    headers : dict, optional
    """

    def __init__(self, status: int, fault: Fault, headers: dict[str, str] | None = None) -> None:
        super().__init__(status, str(fault), headers)
        self.fault = fault


def refusal(
    status: int,
    where: str,
    *,
    what: str = "",
    value: str = "",
    allowed: str,
    remedy: str,
    headers: dict[str, str] | None = None,
) -> Refusal:
    """Make the refusal of one fault."""
    return Refusal(status, Fault(where, what, value, allowed, remedy), headers)


def status_of(error: GridfitError) -> int:
    """Return the status that an error of the library is answered with."""
    kinds: tuple[tuple[type[GridfitError], int], ...] = (
        (Missing, 404), (Stale, 412), (TooLarge, 413), (InputError, 422), (DataError, 422),
    )  # fmt: skip
    return next((status for kind, status in kinds if isinstance(error, kind)), 400)


def install(app: FastAPI) -> None:
    """Make an application answer every error with problem details."""

    @app.exception_handler(GridfitError)
    def of_library(request: Request, error: GridfitError) -> Response:
        return reply(request, status_of(error), error.problems)

    @app.exception_handler(Refusal)
    def of_refusal(request: Request, error: Refusal) -> Response:
        return reply(request, error.status_code, [error.fault], dict(error.headers or {}))

    @app.exception_handler(RequestValidationError)
    def of_validation(request: Request, error: RequestValidationError) -> Response:
        return reply(request, 422, [_fault(detail) for detail in error.errors()[:20]])

    @app.exception_handler(HTTPException)
    def of_http(request: Request, error: HTTPException) -> Response:
        remedies = {
            404: "GET /api/openapi.json lists what is there.",
            405: "Use a method that the API names.",
        }
        fault = Fault(
            f"{request.method} {request.url.path[:200]}", str(error.detail), "", "must be a request of the API",
            remedies.get(error.status_code, "Correct the request."),
        )  # fmt: skip
        return reply(request, error.status_code, [fault], dict(error.headers or {}))

    @app.exception_handler(Exception)
    def of_us(request: Request, error: Exception) -> Response:
        fault = Fault(
            f"{request.method} {request.url.path[:200]}", "a fault of gridfit, not of your request",
            type(error).__name__,
            "", "Send the lines that serve printed just now, with a word on what you did.",
        )  # fmt: skip
        return reply(request, 500, [fault])


def _fault(detail: dict[str, Any]) -> Fault:
    where = ".".join(str(part) for part in detail["loc"])[:200]
    value = detail.get("input")
    missing = detail["type"] == "missing"
    shown = "" if missing or isinstance(value, dict | list) else repr(value)[:120]
    remedy = "Add it." if missing else "Correct the value; GET /api/openapi.json says what may stand there."
    return Fault(where or "request", "", shown, str(detail["msg"])[:300], remedy)
