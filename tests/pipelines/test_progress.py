"""Progress is shown to people only, and only when it takes long."""

import io

from pipelines import progress
from pipelines.progress import _Bar, _Lines, shown


class Clock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_short_work_says_nothing():
    stream, clock = io.StringIO(), Clock()
    lines = _Lines(stream, clock)
    for clock.now_s in (0.0, 0.5, 1.9):
        lines.update("search", 0.5)
    assert stream.getvalue() == ""


def test_long_work_says_a_line_now_and_then():
    stream, clock = io.StringIO(), Clock()
    lines = _Lines(stream, clock)
    for clock.now_s in (2.4, 3.0, 9.0, 12.6):
        lines.update("search", clock.now_s / 20)
    assert stream.getvalue().splitlines() == ["gridfit: search, 12 %", "gridfit: search, 63 %"]


def test_a_terminal_gets_a_bar_only_after_a_while():
    stream, clock = Terminal(), Clock()
    bar = _Bar(stream, clock)
    bar.update("search", 0.1)
    assert stream.getvalue() == ""
    clock.now_s = 2.5
    bar.update("search", 0.4)
    bar.close()
    assert "search" in stream.getvalue()


def test_a_pipe_never_gets_a_bar(monkeypatch):
    stream = io.StringIO()
    monkeypatch.setattr(progress, "QUIET_S", -1.0)
    with shown(stream) as report:
        report("fit", 2.0)
    assert stream.getvalue() == "gridfit: fit, 100 %\n"
