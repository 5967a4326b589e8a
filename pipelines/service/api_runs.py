"""Routes of runs: uploads, notes."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response
from starlette.concurrency import run_in_threadpool

from pipelines.service.problems import documented
from pipelines.service.records import Run
from pipelines.service.shapes import CarId, NoteIn, RunFile, RunList, RunOut
from pipelines.service.shelf import PAGE, Cursor, Limit, Parts, Turnstile, from_cursor, to_cursor
from pipelines.service.uploads import RunName, take_in

router = APIRouter(prefix="/api/cars/{car_id}/runs", tags=["runs"], responses=documented())

GivenName = Annotated[
    str, Path(min_length=1, max_length=200, description="File name of the log, with the ending of its format")
]

BINARY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
    }
}
"""The body is the file itself."""


def run_out(run: Run) -> dict[str, Any]:
    """Return a run as the API shows it."""
    names = ("name", "kind", "sha256", "size", "given", "created", "note")
    return {name: getattr(run, name) for name in names}


@router.get("", response_model=RunList)
def list_runs(parts: Parts, car_id: CarId, cursor: Cursor = None, limit: Limit = PAGE) -> dict[str, Any]:
    """List the uploads of a car, in the order of arrival."""
    parts.garage.car(car_id)
    runs = parts.garage.runs(car_id, from_cursor(cursor) or 0, limit + 1)
    following = to_cursor(runs[limit - 1].seq) if len(runs) > limit else None
    return {"items": [run_out(run) for run in runs[:limit]], "next": following}


@router.put(
    "/{name}",
    status_code=201,
    response_model=RunOut,
    responses={200: {"model": RunOut, "description": "It was there already"}},
    openapi_extra=BINARY,
)
async def upload(
    parts: Parts, request: Request, response: Response, car_id: CarId, name: GivenName
) -> dict[str, Any]:
    """Upload a log, or a message table of CAN logs (.dbc), as the body itself. The same bytes twice are one run."""
    await run_in_threadpool(parts.garage.car, car_id)
    ours = RunName.of(name)
    turnstile: Turnstile = request.app.state.uploads
    with turnstile:
        data, most = parts.settings.data, parts.settings.limits.upload_bytes
        stored = await take_in(data, ours, request.stream(), most)
    run, new = await run_in_threadpool(parts.garage.add_run, car_id, ours, name, stored)
    response.status_code = 201 if new else 200
    response.headers["location"] = f"/api/cars/{car_id}/runs/{run.name}"
    return run_out(run)


@router.get("/{name}", response_model=RunOut)
def get_run(parts: Parts, car_id: CarId, name: RunFile) -> dict[str, Any]:
    """Return an upload."""
    parts.garage.car(car_id)
    return run_out(parts.garage.run(car_id, name))


@router.put("/{name}/note", response_model=RunOut)
def write_note(parts: Parts, car_id: CarId, name: RunFile, body: NoteIn) -> dict[str, Any]:
    """Write the note of a run: compound, day, track, and which grid pair was in the car."""
    parts.garage.car(car_id)
    return run_out(parts.garage.set_note(car_id, name, body.model_dump()))


@router.delete("/{name}", status_code=204)
def remove_run(parts: Parts, car_id: CarId, name: RunFile) -> None:
    """Take an upload off the list. Its bytes stay, since results may rest on them."""
    parts.garage.car(car_id)
    parts.garage.remove_run(car_id, name)
