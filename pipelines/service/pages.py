"""Pages (placeholder while the rest is built)."""

from fastapi import APIRouter, FastAPI

router = APIRouter(include_in_schema=False)


def mount(app: FastAPI) -> None:
    """Mount static files."""
