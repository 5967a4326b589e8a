"""The application behind a real socket in this process, with everything a test needs at hand."""

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import httpx
import uvicorn

from pipelines.service.app import make_app
from pipelines.service.garage import Garage
from pipelines.service.jobtable import JobTable
from pipelines.service.places import Data
from pipelines.service.settings import Limits, Settings
from pipelines.service.tokens import Tokens

GENEROUS = Limits(per_second=1e6, burst=1e6)


@dataclass
class Service:
    """A running application, its client and its parts."""

    client: httpx.Client
    data: Data
    garage: Garage
    jobs: JobTable
    tokens: Tokens

    @property
    def address(self) -> str:
        return str(self.client.base_url).rstrip("/")


@contextmanager
def running(
    data: Data, *, limits: Limits = GENEROUS, supervise: bool = False, guarded: bool = False
) -> Iterator[Service]:
    """Serve a data directory; `guarded` asks for a token as beyond loopback, while listening on loopback."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.bind(("127.0.0.1", 0))
    port = listener.getsockname()[1]
    settings = Settings(data, "0.0.0.0" if guarded else "127.0.0.1", port, niceness=0, limits=replace(limits))
    app = make_app(settings, supervise=supervise)
    config = uvicorn.Config(
        app, log_level="error", access_log=False, server_header=False, loop="asyncio", http="h11", ws="none",
        timeout_graceful_shutdown=2,
    )  # fmt: skip
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    client = httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=120.0)
    try:
        yield Service(client, data, Garage(data), JobTable(data.database), Tokens(data.database))
    finally:
        client.close()
        server.should_exit = True
        thread.join(20)
        listener.close()
