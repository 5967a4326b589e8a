"""The application: routes, problem details, security, and a supervisor that lives as long as it does."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import version
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from starlette.types import ASGIApp

from pipelines.service import api_cars, api_grids, api_jobs, api_preferences, api_runs, api_session, pages
from pipelines.service.desk import Desks
from pipelines.service.garage import Garage
from pipelines.service.jobtable import JobTable
from pipelines.service.problems import FaultOut, ProblemOut, install
from pipelines.service.security import Security
from pipelines.service.settings import Settings
from pipelines.service.shelf import Shelf, Turnstile
from pipelines.service.supervisor import Supervisor
from pipelines.service.throttle import Throttle
from pipelines.service.tokens import Tokens

ABOUT = """
Measured plants and objective search for the two grids of closed-loop slip control, over HTTP.

Errors are problem details (RFC 9457), with place and remedy. Changes to a car or a preference need the `ETag` of the
version that they were made to, in `If-Match`. Lists are paged by cursor. Beyond loopback every request needs
`Authorization: Bearer`.
Closed course and trained driver only; this is not a stability, braking or safety system.
"""


def make_app(settings: Settings, *, supervise: bool = True) -> ASGIApp:
    """Make the application of a service.

    Parameters
    ----------
    settings : Settings
        Its data directory is made where it is missing.
    supervise : bool
        Whether jobs are worked on.

    Returns
    -------
    ASGI application
    """
    settings.data.prepare()
    table = JobTable(settings.data.database, lease_s=settings.lease_s, most_tries=settings.most_tries)
    tokens = Tokens(settings.data.database)
    supervisor = Supervisor(settings.data, table, settings.slots, settings.niceness)

    @asynccontextmanager
    async def life(_: FastAPI) -> AsyncIterator[None]:
        if supervise:
            supervisor.start()
        try:
            yield
        finally:
            if supervise:
                supervisor.stop()

    app = FastAPI(
        title="gridfit", description=ABOUT, version=version("gridfit"), lifespan=life, docs_url=None, redoc_url=None,
        openapi_url="/api/openapi.json",
    )  # fmt: skip
    app.state.shelf = Shelf(settings, Garage(settings.data), table, tokens, Desks())
    app.state.streams = Turnstile(settings.limits.streams, "event streams")
    app.state.uploads = Turnstile(settings.limits.uploads, "uploads")
    app.state.sign_ins = Throttle(1.0, 1.0, settings.limits.wrong_tokens)
    for router in (api_session, api_cars, api_runs, api_grids, api_jobs, api_preferences, pages):
        app.include_router(router.router)
    pages.mount(app)
    install(app)
    app.openapi = lambda: _openapi(app)  # type: ignore[method-assign]
    return Security(app, settings, tokens)


def _openapi(app: FastAPI) -> dict[str, Any]:
    """Return the description of the API, with the shape that all errors have."""
    if app.openapi_schema is None:
        schema = get_openapi(
            title=app.title, version=app.version, description=app.description, routes=app.routes
        )
        shapes = schema["components"]["schemas"]
        for model in (FaultOut, ProblemOut):
            made = model.model_json_schema(ref_template="#/components/schemas/{model}")
            made.pop("$defs", None)
            shapes[model.__name__] = made
        for unused in ("HTTPValidationError", "ValidationError"):
            shapes.pop(unused, None)
        schema["components"]["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
        schema["security"] = [{}, {"token": []}]
        app.openapi_schema = schema
    return app.openapi_schema
