"""gridfit serve: the application behind a socket, until it is stopped."""

import os
import socket
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import uvicorn

from gridfit.errors import CallError
from pipelines.service import demo
from pipelines.service.app import make_app
from pipelines.service.places import Data
from pipelines.service.settings import Settings
from pipelines.service.tokens import Tokens

GRACE_S = 3
"""How long [s] requests are given to end when the service stops; event streams never do."""


def data_folder() -> Path:
    """Return the user's data directory for gridfit, by the custom of the system."""
    home = Path.home()
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local") / "gridfit"
    if sys.platform == "darwin":
        return home / "Library" / "Application Support" / "gridfit"
    return Path(os.environ.get("XDG_DATA_HOME") or home / ".local" / "share") / "gridfit"


def serve(
    settings: Settings, say: Callable[[str], None], *, new_token: bool = False, with_demo: bool = False
) -> None:
    """Serve until the process is told to stop.

    Parameters
    ----------
    settings : Settings
    say : callable
        Takes lines for the person who started it.
    new_token : bool
        Make a new token first; the old one and all sessions end.
    with_demo : bool
        Enter the demo car.

    Raises
    ------
    CallError
        The data directory or the address cannot be used.
    """
    settings = replace(settings, data=_prepared(settings.data))
    listener = _listen(settings)
    settings = replace(settings, port=listener.getsockname()[1])
    tokens = Tokens(settings.data.database)
    if new_token or (settings.needs_token and not tokens.known):
        say(f"Token (told only now; keep it): {tokens.renew()}")
    car = demo.enter(settings.data) if with_demo else None
    app = make_app(settings)
    # The access log would carry what people asked for; nothing of it is kept.
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, server_header=False, timeout_graceful_shutdown=GRACE_S,
        timeout_keep_alive=20, loop="asyncio", http="h11", ws="none", h11_max_incomplete_event_size=64 << 10,
    )  # fmt: skip
    address = f"http://{_shown(settings.host)}:{settings.port}/"
    told = (
        f"gridfit is at {address}{f'cars/{car}' if car else ''}\n"
        f"Data: {settings.data.root}. Stop with Ctrl-C; jobs under way go on at the next start."
    )
    _Announced(config, lambda: say(told)).run(sockets=[listener])


class _Announced(uvicorn.Server):
    """A server that says where it is only once it answers, and once a signal stops it.

    Ahead of that a signal raises, and what raises inside a callback of the garbage collector is dropped by Python: a
    stop in the moment after the address was told could be lost.
    """

    def __init__(self, config: uvicorn.Config, announce: Callable[[], None]) -> None:
        super().__init__(config)
        self._announce = announce

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            self._announce()


def _shown(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _prepared(data: Data) -> Data:
    try:
        return Data(data.root.absolute()).prepare()
    except OSError as error:
        raise CallError.of(
            where=f"--data {data.root}", what="cannot be used", value=error.strerror or type(error).__name__,
            allowed="must be a folder where you may write", remedy="Name another folder.",
        ) from error  # fmt: skip


def _listen(settings: Settings) -> socket.socket:
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    # With the protocol named, asyncio sends small answers at once; else each waits 40 ms for an acknowledgement.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        if os.name != "nt":  # there it would let a second service take the port over
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((settings.host, settings.port))
    except OSError as error:
        listener.close()
        raise CallError.of(
            where=f"--host {settings.host} --port {settings.port}", what="cannot be listened on",
            value=error.strerror or str(error), allowed="must be an address of this machine and a port that is free",
            remedy="Choose another port; 0 takes any that is free.",
        ) from error  # fmt: skip
    return listener
