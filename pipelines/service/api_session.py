"""Routes that need no token: is the service there, and signing in."""

from importlib.metadata import version
from typing import Any

from fastapi import APIRouter, Request, Response

from pipelines.service.problems import documented, refusal
from pipelines.service.security import session_secret
from pipelines.service.shapes import Health, TokenIn
from pipelines.service.shelf import Parts
from pipelines.service.tokens import COOKIE, SESSION_S

router = APIRouter(prefix="/api", tags=["service"], responses=documented())


@router.get("/health", response_model=Health)
def health(parts: Parts) -> dict[str, Any]:
    """Say that the service is there."""
    return {"status": "ok", "version": version("gridfit"), "token_needed": parts.settings.needs_token}


@router.post("/session", status_code=204)
def sign_in(parts: Parts, request: Request, response: Response, body: TokenIn) -> None:
    """Open a session of this browser with the token; the cookie is out of scripts' reach and goes nowhere else."""
    throttle = request.app.state.sign_ins
    client = request.client.host if request.client else "unknown"
    wait = throttle.wrong_wait_s(client)
    if wait > 0.0:
        raise refusal(
            429, "client", what="too many wrong tokens", allowed="must be fewer", remedy=f"Wait {wait:.0f} s.",
            headers={"retry-after": str(max(1, round(wait)))},
        )  # fmt: skip
    if not parts.tokens.fits(body.token):
        throttle.count_wrong(client)
        raise refusal(
            401, "body.token", value="a wrong token", allowed="must be the token that serve printed",
            remedy="Copy it again. gridfit serve --new-token makes a new one.",
        )  # fmt: skip
    response.set_cookie(
        COOKIE, parts.tokens.open_session(), max_age=int(SESSION_S), httponly=True, samesite="strict",
        secure=request.url.scheme == "https",
    )  # fmt: skip


@router.delete("/session", status_code=204)
def sign_out(parts: Parts, request: Request, response: Response) -> None:
    """End the session of this browser."""
    headers = {key.lower(): value for key, value in request.headers.items()}
    secret = session_secret(headers)
    if secret:
        parts.tokens.close_session(secret)
    response.delete_cookie(COOKIE)
