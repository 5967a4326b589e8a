"""What every request passes before it reaches the service: host, origin, rate, size, token; and headers on the way out.

A plain ASGI layer, so that nothing of the body is read before it has passed.
"""

from http.cookies import CookieError, SimpleCookie
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from pipelines.service.problems import Refusal, answer, refusal
from pipelines.service.settings import Settings
from pipelines.service.throttle import Throttle
from pipelines.service.tokens import COOKIE, Tokens

SAFE_METHODS = ("GET", "HEAD", "OPTIONS")

OPEN_PATHS = ("/api/health", "/api/session", "/sign-in", "/favicon.svg")
"""What may be asked without a token: is it there, and how to get in."""

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
"""Content security policy of the page: our own files, nothing inline, nothing from elsewhere."""

REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox; frame-ancestors 'none'"
)
"""Of reports, which are one file with its style inside: no script, no frame, no origin."""

HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}


class Security:
    """Checks requests, and marks answers.

    Parameters
    ----------
    app : ASGI application
    settings : Settings
    tokens : Tokens
    """

    def __init__(self, app: ASGIApp, settings: Settings, tokens: Tokens) -> None:
        self._app, self._settings, self._tokens = app, settings, tokens
        limits = settings.limits
        self._throttle = Throttle(limits.per_second, limits.burst, limits.wrong_tokens)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        marked = _marked(send)
        try:
            headers = _headers(scope)
            self._check(scope, headers)
            await self._check_token(scope, headers)
            await self._app(scope, self._measured(scope, headers, receive), marked)
        except Refusal as error:
            if error.status_code == 401 and not scope["path"].startswith("/api/"):
                await RedirectResponse("/sign-in", 303)(scope, receive, marked)
                return
            response = answer(error.status_code, scope["path"], [error.fault], dict(error.headers or {}))
            await response(scope, receive, marked)

    def _check(self, scope: Scope, headers: dict[str, str]) -> None:
        host = headers.get("host", "")
        if not self._settings.knows_host(host):
            raise refusal(
                421, "Host header", value=repr(host[:100]), allowed="must name this service",
                remedy="Call it by its address, or start it with --name for a name of its own.",
            )  # fmt: skip
        origin = headers.get("origin")
        foreign = origin is not None and origin != f"{scope['scheme']}://{host}"
        elsewhere = headers.get("sec-fetch-site", "none") not in ("same-origin", "none")
        if scope["method"] not in SAFE_METHODS and (foreign or elsewhere):
            raise refusal(
                403, "Origin header", value=repr((origin or "another site")[:100]),
                allowed="must be this service's own",
                remedy="Send the request from the service's own page, or from a program that names no origin.",
            )  # fmt: skip
        wait = self._throttle.wait_s(_client(scope))
        if wait > 0.0:
            raise _slow_down("requests", wait)

    async def _check_token(self, scope: Scope, headers: dict[str, str]) -> None:
        path = scope["path"]
        if not self._settings.needs_token or path in OPEN_PATHS or path.startswith("/static/"):
            return
        client = _client(scope)
        wait = self._throttle.wrong_wait_s(client)
        if wait > 0.0:
            raise _slow_down("wrong tokens", wait)
        kind, _, token = headers.get("authorization", "").partition(" ")
        if kind.lower() == "bearer":
            fits: bool = await run_in_threadpool(self._tokens.fits, token.strip())
            if fits:
                return
            self._throttle.count_wrong(client)
        else:
            secret = session_secret(headers)
            open_: bool = bool(secret) and await run_in_threadpool(self._tokens.in_session, secret)
            if open_:
                return
        raise refusal(
            401, "Authorization header", value="a wrong token" if kind else "nothing",
            allowed="must be 'Bearer' and the token that serve printed",
            remedy="Send the token, or sign in at /sign-in. gridfit serve --new-token makes a new one.",
            headers={"www-authenticate": "Bearer"},
        )  # fmt: skip

    def _measured(self, scope: Scope, headers: dict[str, str], receive: Receive) -> Receive:
        """Return a receive that stops at the largest body that this path may have."""
        limits = self._settings.limits
        most = limits.upload_bytes if is_upload(scope) else limits.body_bytes
        said = headers.get("content-length", "0")
        if said.isdigit() and int(said) > most:
            raise _too_large(most)
        got = 0

        async def measured() -> Message:
            nonlocal got
            message = await receive()
            got += len(message.get("body", b""))
            if got > most:
                raise _too_large(most)
            return message

        return measured


def is_upload(scope: Scope) -> bool:
    """Say whether a request is an upload of a log, which may be large."""
    parts = scope["path"].split("/")
    return (
        scope["method"] == "PUT" and len(parts) == 6 and parts[1:3] == ["api", "cars"] and parts[4] == "runs"
    )


def session_secret(headers: dict[str, str]) -> str:
    """Return the secret of a browser's session, empty without one."""
    try:
        cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return "" if cookie is None else cookie.value


def _slow_down(what: str, wait_s: float) -> Refusal:
    return refusal(
        429, "client", what=f"too many {what}", allowed="must be fewer",
        remedy=f"Wait {wait_s:.0f} s.", headers={"retry-after": str(max(1, round(wait_s)))},
    )  # fmt: skip


def _too_large(most: int) -> Refusal:
    return refusal(
        413, "body", value=f"more than {most} bytes", allowed=f"at most {most} bytes",
        remedy="Send less: split a log, log fewer channels, or pack it with gzip.",
    )  # fmt: skip


def _client(scope: Scope) -> str:
    client: Any = scope.get("client")
    return str(client[0]) if client else "unknown"


def _headers(scope: Scope) -> dict[str, str]:
    return {key.decode("latin-1").lower(): value.decode("latin-1") for key, value in scope["headers"]}


def _marked(send: Send) -> Send:
    async def marked(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = list(message.get("headers", []))
            names = {key.lower() for key, _ in headers}
            for key, value in {
                **HEADERS,
                "content-security-policy": POLICY,
                "cache-control": "no-store",
            }.items():
                if key.encode() not in names:
                    headers.append((key.encode(), value.encode()))
            message = {**message, "headers": headers}
        await send(message)

    return marked
