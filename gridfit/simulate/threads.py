"""Compiled blocks spread over threads: they let go of the interpreter, so threads are all that it takes."""

import itertools
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numba

THREADS: int = numba.config.NUMBA_NUM_THREADS
"""Threads of a call unless told otherwise: one per core, or what NUMBA_NUM_THREADS says."""

SHARES = 4
"""Shares per thread: blocks end at different times, and who has done his share takes another."""

_pools: dict[int, ThreadPoolExecutor] = {}
os.register_at_fork(after_in_child=_pools.clear)


def spread(work: Callable[[int, int], None], count: int, threads: int | None = None) -> None:
    """Call `work` on shares of 0 .. count - 1 from several threads, and come back when all is done.

    Parameters
    ----------
    work : callable
        Takes the first number and the one after the last; must let go of the interpreter to be worth it.
    count : int
        How many there are.
    threads : int, optional
        Threads to use, this one among them; `THREADS` if left out.
    """
    threads = min(threads or THREADS, count)
    if threads <= 1:
        work(0, count)
        return
    shares = min(count, SHARES * threads)
    ends = [count * i // shares for i in range(shares + 1)]
    numbers = itertools.count()

    def help_out() -> None:
        # one number goes to one thread only: `next` of a counter is not interrupted
        while (i := next(numbers)) < shares:
            work(ends[i], ends[i + 1])

    helpers = [_pool(threads).submit(help_out) for _ in range(threads - 1)]
    help_out()
    for helper in helpers:
        helper.result()


def _pool(threads: int) -> ThreadPoolExecutor:
    if threads not in _pools:
        _pools[threads] = ThreadPoolExecutor(threads - 1, thread_name_prefix="gridfit-blocks")
    return _pools[threads]
