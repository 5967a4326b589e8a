"""Progress for people: a bar on a terminal, a plain line now and then elsewhere, nothing for short work."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Protocol, TextIO

Progress = Callable[[str, float], None]
"""What a long computation calls: name of the stage, and the share of it that is done [0..1]."""

QUIET_S = 2.0
"""Nothing is shown before this time [s] has passed."""

LINE_EVERY_S = 10.0
"""Time [s] between lines where there is no terminal."""


class Display(Protocol):
    """Something that shows progress until it is closed."""

    def update(self, stage: str, fraction: float) -> None:
        """Show that `fraction` [0..1] of `stage` is done."""

    def close(self) -> None:
        """Leave the screen as it was."""


def silent(stage: str, fraction: float) -> None:
    """Take progress and show nothing."""


@contextmanager
def shown(stream: TextIO | None = None) -> Iterator[Progress]:
    """Show progress on `stream` (standard error unless given) while the block runs.

    Parameters
    ----------
    stream : text stream, optional
        A bar is drawn when it is a terminal; otherwise a plain line is written every ten seconds.

    Yields
    ------
    Progress
        To be handed to the computation.
    """
    target = sys.stderr if stream is None else stream
    display: Display = _Bar(target) if target.isatty() else _Lines(target)
    try:
        yield display.update
    finally:
        display.close()


class _Lines:
    """Plain lines, for a file or a pipe."""

    def __init__(self, stream: TextIO, clock: Callable[[], float] = time.monotonic) -> None:
        self._stream = stream
        self._clock = clock
        self._next_s = clock() + QUIET_S

    def update(self, stage: str, fraction: float) -> None:
        now_s = self._clock()
        if now_s < self._next_s:
            return
        self._next_s = now_s + LINE_EVERY_S
        self._stream.write(f"gridfit: {stage}, {100 * min(1.0, max(0.0, fraction)):.0f} %\n")
        self._stream.flush()

    def close(self) -> None:
        """Nothing to clear."""


class _Bar:
    """A bar by rich, made only once the work has taken longer than `QUIET_S`."""

    def __init__(self, stream: TextIO, clock: Callable[[], float] = time.monotonic) -> None:
        self._stream = stream
        self._clock = clock
        self._start_s = clock()
        self._bar: Display | None = None

    def update(self, stage: str, fraction: float) -> None:
        if self._bar is None:
            if self._clock() - self._start_s < QUIET_S:
                return
            self._bar = _RichBar(self._stream)
        self._bar.update(stage, fraction)

    def close(self) -> None:
        if self._bar is not None:
            self._bar.close()


class _RichBar:
    def __init__(self, stream: TextIO) -> None:
        # rich takes 50 ms to import; short jobs never need it
        from rich.console import Console
        from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
        from rich.progress import Progress as RichProgress

        columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
        self._progress = RichProgress(*columns, console=Console(file=stream), transient=True)
        self._task = self._progress.add_task("", total=1.0)
        self._progress.start()

    def update(self, stage: str, fraction: float) -> None:
        self._progress.update(self._task, description=stage, completed=min(1.0, max(0.0, fraction)))

    def close(self) -> None:
        self._progress.stop()
