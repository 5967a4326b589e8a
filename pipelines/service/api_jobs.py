"""Routes of jobs: ask, watch, cancel, retry, read the result."""

import asyncio
import csv
import io
import json
from collections.abc import AsyncIterator
from typing import Annotated, Any

from fastapi import APIRouter, Header, Path, Request, Response
from fastapi.responses import FileResponse, StreamingResponse
from pydantic import StringConstraints
from starlette.concurrency import run_in_threadpool

from pipelines.service.asking import question
from pipelines.service.jobtable import ENDED_STATES, Job
from pipelines.service.places import Data
from pipelines.service.problems import documented, refusal
from pipelines.service.records import missing
from pipelines.service.results import standing_summary
from pipelines.service.security import REPORT_POLICY
from pipelines.service.shapes import CarId, JobId, JobIn, JobList, JobOut
from pipelines.service.shelf import PAGE, Cursor, Limit, Parts, Shelf, Turnstile, from_cursor, to_cursor

router = APIRouter(prefix="/api", tags=["jobs"], responses=documented())

LOOK_S = 0.25
"""Time between two looks at a job that is watched [s]."""

ALIVE_S = 15.0
"""Time after which a quiet stream says that it is alive [s]."""

MEDIA = {
    ".json": "application/json", ".csv": "text/csv; charset=utf-8", ".html": "text/html; charset=utf-8",
    ".toml": "text/plain; charset=utf-8",
}  # fmt: skip

FileName = Annotated[
    str, StringConstraints(pattern=r"^[a-z0-9_]{1,40}\.(json|csv|html|toml|parquet)$"), Path()
]


def job_out(data: Data, job: Job) -> dict[str, Any]:
    """Return a job as the API shows it."""
    names = (
        "id", "car", "kind", "state", "stage", "share", "attempts", "created", "started", "ended", "headline",
        "problem",
    )  # fmt: skip
    files: list[str] = []
    if job.state == "done":
        summary = standing_summary(data, job.id) or {}
        files = [str(name) for name in summary.get("files", [])]
    told = {"files": files, "preference": job.asked.get("preference")}
    return {**{name: getattr(job, name) for name in names}, **told}


def _job(parts: Shelf, job_id: str) -> Job:
    job = parts.jobs.get(job_id)
    if job is None:
        raise missing("job", job_id, "GET /api/cars/{car}/jobs lists those that are there.")
    return job


@router.post(
    "/cars/{car_id}/jobs",
    status_code=201,
    response_model=JobOut,
    responses={200: {"model": JobOut, "description": "It was asked already: this is that job"}},
)
def submit(parts: Parts, response: Response, car_id: CarId, body: JobIn) -> dict[str, Any]:
    """Ask for a job. The same question twice is one job."""
    car = parts.garage.car(car_id)
    most = parts.settings.limits.waiting_jobs
    if len(parts.jobs.in_state("queued")) >= most:
        raise refusal(
            429, "jobs", what="waiting", value=str(most), allowed=f"fewer than {most}", remedy="Wait for some to end.",
            headers={"retry-after": "30"},
        )  # fmt: skip
    job, new = parts.jobs.submit(car_id, body.kind, question(parts.garage, car, body.wish()))
    response.status_code = 201 if new else 200
    response.headers["location"] = f"/api/jobs/{job.id}"
    return job_out(parts.settings.data, job)


@router.get("/cars/{car_id}/jobs", response_model=JobList)
def list_jobs(parts: Parts, car_id: CarId, cursor: Cursor = None, limit: Limit = PAGE) -> dict[str, Any]:
    """List the jobs of a car, the latest first."""
    parts.garage.car(car_id)
    jobs = parts.jobs.of_car(car_id, from_cursor(cursor), limit + 1)
    following = to_cursor(jobs[limit - 1].seq) if len(jobs) > limit else None
    return {"items": [job_out(parts.settings.data, job) for job in jobs[:limit]], "next": following}


@router.get("/jobs/{job_id}", response_model=JobOut)
def get_job(parts: Parts, job_id: JobId) -> dict[str, Any]:
    """Return a job."""
    return job_out(parts.settings.data, _job(parts, job_id))


@router.post("/jobs/{job_id}/cancel", response_model=JobOut)
def cancel(parts: Parts, job_id: JobId) -> dict[str, Any]:
    """Cancel a job that waits or runs."""
    _job(parts, job_id)
    if not parts.jobs.cancel(job_id):
        raise refusal(
            409, f"job {job_id}", what="state", value=_job(parts, job_id).state, allowed="must be queued or running",
            remedy="It has ended; there is nothing to cancel.",
        )  # fmt: skip
    return job_out(parts.settings.data, _job(parts, job_id))


@router.post("/jobs/{job_id}/retry", response_model=JobOut)
def retry(parts: Parts, job_id: JobId) -> dict[str, Any]:
    """Queue a job again that ended without a result; what it had got done is used."""
    _job(parts, job_id)
    if parts.jobs.retry(job_id) is None:
        raise refusal(
            409, f"job {job_id}", what="state", value=_job(parts, job_id).state,
            allowed="must be failed, refused or cancelled, and the same question not under way elsewhere",
            remedy="Wait for it, or read its result.",
        )  # fmt: skip
    return job_out(parts.settings.data, _job(parts, job_id))


@router.get(
    "/jobs/{job_id}/events",
    response_class=StreamingResponse,
    responses={
        200: {
            "description": "A JobOut per change, as server-sent events",
            "content": {"text/event-stream": {}},
        }
    },
)
async def events(
    parts: Parts,
    request: Request,
    job_id: JobId,
    last_event_id: Annotated[str | None, Header(max_length=40)] = None,
) -> StreamingResponse:
    """Watch a job: an event at once and at every change, until it has ended. Reconnecting goes on where it was."""
    await run_in_threadpool(_job, parts, job_id)
    turnstile: Turnstile = request.app.state.streams
    turnstile.__enter__()
    return StreamingResponse(_events(parts, job_id, last_event_id, turnstile), media_type="text/event-stream")


async def _events(parts: Shelf, job_id: str, seen: str | None, turnstile: Turnstile) -> AsyncIterator[str]:
    quiet_s = 0.0
    try:
        while True:
            job = await run_in_threadpool(_job, parts, job_id)
            if str(job.change) != seen:
                seen, quiet_s = str(job.change), 0.0
                shown = await run_in_threadpool(job_out, parts.settings.data, job)
                yield f"id: {seen}\nevent: job\ndata: {json.dumps(shown)}\n\n"
            if job.state in ENDED_STATES:
                yield "event: end\ndata: {}\n\n"
                return
            await asyncio.sleep(LOOK_S)
            quiet_s += LOOK_S
            if quiet_s >= ALIVE_S:
                quiet_s = 0.0
                yield ": alive\n\n"
    finally:
        turnstile.__exit__()


@router.get(
    "/jobs/{job_id}/files/{name}",
    response_class=Response,
    responses={
        200: {
            "content": {
                kind: {} for kind in ("application/json", "text/csv", "text/html", "application/octet-stream")
            }
        }
    },
)
def read_file(parts: Parts, job_id: JobId, name: FileName) -> Response:
    """Return a file of a result. In tables, a text that a spreadsheet would calculate is marked as text."""
    job = _job(parts, job_id)
    if name not in job_out(parts.settings.data, job)["files"]:
        raise missing("file", name, f"GET /api/jobs/{job_id} lists the files of its result.")
    path = parts.settings.data.result(job_id) / name
    media = MEDIA.get(path.suffix, "application/octet-stream")
    if path.suffix == ".csv":
        return Response(without_formulas(path.read_text(encoding="utf-8")), media_type=media)
    if path.suffix == ".html":
        return FileResponse(path, media_type=media, headers={"content-security-policy": REPORT_POLICY})
    return FileResponse(path, media_type=media)


def without_formulas(text: str) -> str:
    """Return a CSV text whose cells no spreadsheet takes for formulas: texts that begin as one get a quote ahead.

    Numbers keep their sign. Source: the OWASP page on CSV injection, from memory.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    for row in csv.reader(io.StringIO(text)):
        writer.writerow(
            [f"'{cell}" if cell[:1] in "=+-@\t\r" and cell and not _number(cell) else cell for cell in row]
        )
    return out.getvalue()


def _number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True
