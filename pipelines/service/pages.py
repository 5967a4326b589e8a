"""The pages: rendered here, with files of our own beside them and nothing from elsewhere."""

import json
import re
from pathlib import Path
from typing import Any

from fastapi import APIRouter, FastAPI, Request, Response
from fastapi.responses import FileResponse, HTMLResponse
from fastapi.staticfiles import StaticFiles
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

from pipelines.plain import plain
from pipelines.service import sheetform
from pipelines.service.problems import refusal
from pipelines.service.records import missing
from pipelines.service.shapes import CarId, JobId
from pipelines.service.shelf import Parts
from pipelines.service.view import car_view

HERE = Path(__file__).parent
STATIC = HERE / "static"

router = APIRouter(include_in_schema=False)


def _number(value: float, decimals: int = 1) -> str:
    """Return a number with a minus sign that is one."""
    return f"{value:.{decimals}f}".replace("-", "\N{MINUS SIGN}")


def _span(estimate: dict[str, float], decimals: int = 1, factor: float = 1.0) -> str:
    """Return the bounds of an interval."""
    lo, hi = (_number(factor * estimate[name], decimals) for name in ("lo", "hi"))
    return f"{lo} to {hi}"


def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("pipelines.service", "templates"), autoescape=select_autoescape(("html", "j2")),
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    made.filters["number"], made.filters["span"] = _number, _span
    made.filters["signed"] = lambda text: re.sub(r"(?<![\w.)])-(?=\d)", "\N{MINUS SIGN}", text)
    made.filters["cell"] = lambda value: f"{value:g}"
    made.filters["day"] = lambda text: text[:16].replace("T", " ")
    made.filters["as_json"] = lambda value: json.dumps(plain(value))
    return made


PAGES = _environment()


def _page(name: str, **values: Any) -> HTMLResponse:  # noqa: ANN401 - whatever the template shows
    return HTMLResponse(PAGES.get_template(name).render(**values))


@router.get("/")
def shelf_page(parts: Parts) -> Response:
    """List the cars, and take in a new one."""
    cars = parts.garage.cars(0, 500)
    return _page(
        "cars.html.j2", cars=cars, fields=sheetform.fields(""), needs_token=parts.settings.needs_token
    )


@router.get("/cars/{car_id}")
def car_page(parts: Parts, car_id: CarId) -> Response:
    """Show the notebook of a car."""
    car = parts.garage.car(car_id)
    return _page("car.html.j2", needs_token=parts.settings.needs_token, **car_view(parts, car))


@router.get("/cars/{car_id}/overlays/{job_id}")
def overlay_file(parts: Parts, car_id: CarId, job_id: JobId) -> Response:
    """Return measured and predicted episodes of a refine."""
    job = parts.jobs.get(job_id)
    path = parts.settings.data.overlay(job_id)
    if job is None or job.car != car_id or not path.is_file():
        raise missing("episodes of", job_id, "A finished refine of this car has some.")
    return FileResponse(path, media_type="application/json")


@router.get("/sign-in")
def sign_in_page(parts: Parts) -> Response:
    """Ask for the token."""
    return _page("sign_in.html.j2", needs_token=parts.settings.needs_token)


@router.get("/favicon.svg")
@router.get("/favicon.ico")
def favicon(request: Request) -> Response:
    """Return the mark of the page."""
    return FileResponse(STATIC / "favicon.svg", media_type="image/svg+xml")


def mount(app: FastAPI) -> None:
    """Mount the static files."""
    if not STATIC.is_dir():
        raise refusal(
            500, "static", allowed="must be part of the installation", remedy="Install gridfit again."
        )
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
