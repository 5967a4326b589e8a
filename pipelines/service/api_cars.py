"""Routes of cars: sheet, channel map, pair in force, history."""

from typing import Any

from fastapi import APIRouter, Response

from pipelines.plain import plain
from pipelines.service.garage import LAST, Garage
from pipelines.service.problems import documented
from pipelines.service.records import Car
from pipelines.service.shapes import (
    CarId,
    CarList,
    CarOut,
    ChannelsIn,
    HistoryList,
    InForceIn,
    SheetIn,
)
from pipelines.service.shelf import PAGE, Cursor, IfMatch, Limit, Parts, from_cursor, matched, to_cursor

router = APIRouter(prefix="/api/cars", tags=["cars"], responses=documented())

TAGGED: dict[int | str, dict[str, Any]] = {
    200: {"headers": {"ETag": {"description": "Version, for If-Match", "schema": {"type": "string"}}}}
}
"""Answers that carry the version of a car."""


def car_out(garage: Garage, car: Car) -> dict[str, Any]:
    """Return a car as the API shows it."""
    sheet = garage.sheet(car)
    return {
        "id": car.id,
        "name": car.name,
        "version": car.version,
        "created": car.created,
        "sheet": garage.sheet_text(car),
        "channels": garage.channels_text(car),
        "in_force": car.in_force,
        "units": sheet.controller.units,
        "stood_in": sorted(sheet.stood_in),
    }


def _tagged(response: Response, parts: Parts, car: Car) -> dict[str, Any]:
    response.headers["etag"] = car.etag
    return car_out(parts.garage, car)


@router.post("", status_code=201, response_model=CarOut)
def add_car(parts: Parts, response: Response, body: SheetIn) -> dict[str, Any]:
    """Add a car by its sheet."""
    car = parts.garage.add(body.sheet)
    response.headers["location"] = f"/api/cars/{car.id}"
    return _tagged(response, parts, car)


@router.get("", response_model=CarList)
def list_cars(parts: Parts, cursor: Cursor = None, limit: Limit = PAGE) -> dict[str, Any]:
    """List the cars, in the order in which they were added."""
    cars = parts.garage.cars(from_cursor(cursor) or 0, limit + 1)
    following = to_cursor(cars[limit - 1].seq) if len(cars) > limit else None
    return {"items": [car_out(parts.garage, car) for car in cars[:limit]], "next": following}


@router.get("/{car_id}", response_model=CarOut, responses=TAGGED)
def get_car(parts: Parts, response: Response, car_id: CarId) -> dict[str, Any]:
    """Return a car; its ETag names the version that a change refers to."""
    return _tagged(response, parts, parts.garage.car(car_id))


@router.put("/{car_id}/sheet", response_model=CarOut, responses=TAGGED)
def change_sheet(
    parts: Parts, response: Response, car_id: CarId, body: SheetIn, if_match: IfMatch = None
) -> dict[str, Any]:
    """Change the car sheet, unless somebody else has changed the car meanwhile."""
    etag = matched(if_match, parts.garage.car(car_id).etag)
    return _tagged(response, parts, parts.garage.change_sheet(car_id, etag, body.sheet))


@router.put("/{car_id}/channels", response_model=CarOut, responses=TAGGED)
def change_channels(
    parts: Parts, response: Response, car_id: CarId, body: ChannelsIn, if_match: IfMatch = None
) -> dict[str, Any]:
    """Set the channel map of all runs, or remove it."""
    etag = matched(if_match, parts.garage.car(car_id).etag)
    return _tagged(response, parts, parts.garage.change_channels(car_id, etag, body.channels))


@router.put("/{car_id}/in-force", response_model=CarOut, responses=TAGGED)
def put_in_force(
    parts: Parts, response: Response, car_id: CarId, body: InForceIn, if_match: IfMatch = None
) -> dict[str, Any]:
    """Say which grid pair is in the car now."""
    etag = matched(if_match, parts.garage.car(car_id).etag)
    return _tagged(response, parts, parts.garage.put_in_force(car_id, etag, body.pair))


@router.get("/{car_id}/history", response_model=HistoryList)
def history(parts: Parts, car_id: CarId, cursor: Cursor = None, limit: Limit = PAGE) -> Any:  # noqa: ANN401 - JSON
    """Return what was entered, proposed, driven and changed, the latest first."""
    parts.garage.car(car_id)
    before = from_cursor(cursor)
    lines = parts.garage.history(car_id, LAST if before is None else before, limit + 1)
    following = to_cursor(lines[limit - 1]["seq"]) if len(lines) > limit else None
    return plain({"items": lines[:limit], "next": following})
