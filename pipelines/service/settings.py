"""How a service is set up, and what it puts up with."""

import ipaddress
import socket
from dataclasses import dataclass, field

from pipelines.service.jobtable import LEASE_S, MOST_TRIES
from pipelines.service.places import Data
from pipelines.service.uploads import MOST_BYTES

PORT = 8642
"""Port unless told otherwise."""

LOOPBACK = "127.0.0.1"
"""Address unless told otherwise: this machine alone."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What one client may ask for.

    Parameters
    ----------
    upload_bytes, body_bytes : int
        Largest upload, and largest other body [B].
    per_second, burst : float
        Requests a second in the long run, and at once.
    wrong_tokens : int
        Wrong tokens in a minute before a client has to wait.
    streams, uploads : int
        Event streams and uploads at a time.
    waiting_jobs : int
        Jobs that may wait at a time, of all clients.
    """

    upload_bytes: int = MOST_BYTES
    body_bytes: int = 1 << 20
    per_second: float = 300.0
    burst: float = 600.0
    wrong_tokens: int = 10
    streams: int = 64
    uploads: int = 64
    waiting_jobs: int = 200


@dataclass(frozen=True, slots=True)
class Settings:
    """How a service is set up.

    Parameters
    ----------
    data : Data
    host : str
        Address to listen on.
    port : int
        0 for any that is free.
    names : tuple of str
        Host names under which it may be called, beside addresses and loopback.
    slots : int
        Jobs at a time.
    niceness : int
        By how much workers give way to others; a person who edits a cell goes first.
    lease_s, most_tries : float, int
        As in `jobtable`.
    limits : Limits
    """

    data: Data
    host: str = LOOPBACK
    port: int = PORT
    names: tuple[str, ...] = ()
    slots: int = 1
    niceness: int = 10
    lease_s: float = LEASE_S
    most_tries: int = MOST_TRIES
    limits: Limits = field(default_factory=Limits)

    @property
    def needs_token(self) -> bool:
        """Whether a token is asked for: always, unless only this machine can call."""
        return not is_loopback(self.host)

    def knows_host(self, host: str) -> bool:
        """Say whether a Host header names this service, so that no foreign page can speak to it under its own name.

        Beyond loopback any bare address will do: whoever rebinds a name of his own to us sends that name.
        """
        name = _without_port(host).lower()
        if is_loopback(name):
            return True
        if not self.needs_token:
            return False
        return _is_address(name) or name in {self.host.lower(), socket.gethostname().lower(), *self.names}


def is_loopback(name: str) -> bool:
    """Say whether a name or address means this machine alone."""
    bare = name.strip("[]").lower()
    if bare == "localhost":
        return True
    try:
        return ipaddress.ip_address(bare).is_loopback
    except ValueError:
        return False


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name.strip("[]"))
    except ValueError:
        return False
    return True


def _without_port(host: str) -> str:
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.rpartition(":")[0] if ":" in host else host
