"""Routes of grid pairs: keep, list, export; and what-if."""

from typing import Any, Literal

from fastapi import APIRouter, Response

from gridfit.grids import GridPair
from pipelines.plain import plain
from pipelines.service.desk import Desk
from pipelines.service.problems import documented, refusal
from pipelines.service.shapes import CarId, GridsIn, PairId, PairIn, PairList, PairOut, WhatIfIn
from pipelines.service.shelf import PAGE, Cursor, Limit, Parts, from_cursor, to_cursor

router = APIRouter(prefix="/api/cars/{car_id}", tags=["grids"], responses=documented())

CSV: dict[int | str, dict[str, Any]] = {200: {"content": {"text/csv": {"schema": {"type": "string"}}}}}


def pair_out(pair: dict[str, Any]) -> dict[str, Any]:
    """Return a grid pair as the API shows it."""
    return {**{key: pair[key] for key in ("id", "label", "origin", "created")}, "grids": pair["content"]}


def pair_of(grids: GridsIn) -> GridPair:
    """Return the grid pair of a body; raises InputError when the numbers make none."""
    return GridPair.from_dict(grids.model_dump())


@router.get("/grids", response_model=PairList)
def list_pairs(parts: Parts, car_id: CarId, cursor: Cursor = None, limit: Limit = PAGE) -> dict[str, Any]:
    """List the kept grid pairs, in the order of keeping."""
    parts.garage.car(car_id)
    pairs = parts.garage.pairs(car_id, from_cursor(cursor) or 0, limit + 1)
    following = to_cursor(pairs[limit - 1]["seq"]) if len(pairs) > limit else None
    return {"items": [pair_out(pair) for pair in pairs[:limit]], "next": following}


@router.post("/grids", status_code=201, response_model=PairOut)
def keep_pair(parts: Parts, response: Response, car_id: CarId, body: PairIn) -> dict[str, Any]:
    """Keep a grid pair. The same numbers are one pair, under the label that they had first."""
    pair = parts.garage.add_pair(car_id, pair_of(body.grids), body.label, "entered")
    response.headers["location"] = f"/api/cars/{car_id}/grids/{pair['id']}"
    return pair_out(pair)


@router.get("/grids/{pair_id}", response_model=PairOut)
def get_pair(parts: Parts, car_id: CarId, pair_id: PairId) -> dict[str, Any]:
    """Return a kept grid pair."""
    parts.garage.car(car_id)
    return pair_out(parts.garage.pair(car_id, pair_id))


@router.get("/grids/{pair_id}/{grid}.csv", responses=CSV, response_class=Response)
def export_grid(
    parts: Parts,
    car_id: CarId,
    pair_id: PairId,
    grid: Literal["target", "cut"],
    units: Literal["km/h", "mph"] = "km/h",
) -> Response:
    """Return one grid as CSV, to paste into a controller's editor."""
    parts.garage.car(car_id)
    kept = parts.garage.pair(car_id, pair_id)
    target, cut = GridPair.from_dict(kept["content"]).to_csv(units)
    name = f'attachment; filename="{grid}.csv"'
    return Response(
        target if grid == "target" else cut, media_type="text/csv", headers={"content-disposition": name}
    )


@router.post(
    "/what-if",
    response_model=None,
    responses={200: {"content": {"application/json": {"schema": {"type": "object"}}}}},
)
def what_if(parts: Parts, car_id: CarId, body: WhatIfIn) -> Response | Any:  # noqa: ANN401 - JSON
    """Play an edited grid pair on the standard scenarios and 16 plants, beside another one."""
    garage = parts.garage
    car = garage.car(car_id)
    plant = None
    if body.plant_of is not None:
        plant = parts.settings.data.result(body.plant_of) / "plant.json"
        job = parts.jobs.get(body.plant_of)
        if job is None or job.car != car_id or not plant.is_file():
            raise refusal(
                404, "body.plant_of", value=body.plant_of, allowed="must be a finished refine or propose of this car",
                remedy="Choose another one, or leave it out for the car sheet's prior.",
            )  # fmt: skip
    weights = garage.preferences.get(body.preference).weights
    beside = body.beside or car.in_force
    other = None if beside is None else GridPair.from_dict(garage.pair(car_id, beside)["content"])
    answer = parts.desks.play(
        (car.sheet, body.plant_of or ""), lambda: Desk.of(garage.sheet(car), plant), pair_of(body.grids), other,
        weights, body.scenario,
    )  # fmt: skip
    return plain({**answer, "beside": beside})
