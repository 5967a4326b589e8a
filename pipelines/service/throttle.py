"""How much one client may ask for at a time: requests by a bucket that refills, wrong tokens by the minute."""

import time
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass, field

MOST_CLIENTS = 4096
"""Clients that are remembered; the one that was quiet longest is forgotten first."""


@dataclass(slots=True)
class _Client:
    left: float
    seen_s: float
    wrong: deque[float] = field(default_factory=deque)


class Throttle:
    """Counts what clients ask for; not shared between processes, since there is one.

    Parameters
    ----------
    per_second, burst : float
        Refill of the bucket, and its size.
    wrong_tokens : int
        In a minute.
    clock : callable
        Seconds.
    """

    def __init__(
        self, per_second: float, burst: float, wrong_tokens: int, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._per_second, self._burst, self._wrong_tokens, self._clock = (
            per_second,
            burst,
            wrong_tokens,
            clock,
        )
        self._clients: OrderedDict[str, _Client] = OrderedDict()

    def wait_s(self, client: str) -> float:
        """Count a request; return how long [s] the client has to wait first, 0 when it need not."""
        one, now = self._client(client), self._clock()
        one.left = min(self._burst, one.left + (now - one.seen_s) * self._per_second)
        one.seen_s = now
        if one.left < 1.0:
            return (1.0 - one.left) / self._per_second
        one.left -= 1.0
        return 0.0

    def wrong_wait_s(self, client: str) -> float:
        """Return how long [s] a client has to wait because of wrong tokens, 0 when it need not."""
        one, now = self._client(client), self._clock()
        while one.wrong and now - one.wrong[0] > 60.0:
            one.wrong.popleft()
        return 60.0 - (now - one.wrong[0]) if len(one.wrong) >= self._wrong_tokens else 0.0

    def count_wrong(self, client: str) -> None:
        """Count a wrong token."""
        self._client(client).wrong.append(self._clock())

    def _client(self, name: str) -> _Client:
        one = self._clients.pop(name, None) or _Client(self._burst, self._clock())
        self._clients[name] = one
        if len(self._clients) > MOST_CLIENTS:
            self._clients.popitem(last=False)
        return one
