"""Running a job from the command line: progress, messages, exit codes, the last line of defence."""

import os
import sys
import tempfile
import traceback
import webbrowser
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from gridfit.errors import GridfitError

if TYPE_CHECKING:
    from pipelines.delivery import Delivery, JobResult
    from pipelines.progress import Progress

EXIT_FAULT, EXIT_CALL, EXIT_INTERRUPTED = 1, 2, 130
"""Exit codes beside those that the errors carry."""


def run_job(
    job: "Callable[[Delivery, Progress], JobResult]",
    out: Path,
    overwrite: bool,
    tracking: str | None,
    no_tracking: bool,
    as_json: bool,
    open_report: bool,
) -> None:
    """Run a job with progress, then say where the result is.

    Parameters
    ----------
    job : callable
        Takes delivery and progress.
    out, overwrite, tracking, no_tracking, as_json, open_report
        The options of that name.
    """
    from pipelines.delivery import Delivery
    from pipelines.plain import to_json
    from pipelines.progress import shown
    from pipelines.stores import place

    delivery = Delivery(out, overwrite, None if no_tracking else place(tracking))
    with shown() as progress:
        result = job(delivery, progress)
    for warning in result.warnings:
        typer.echo(f"Note: {warning}", err=True)
    if as_json:
        typer.echo(to_json(result.summary), nl=False)
    else:
        typer.echo(result.headline)
        typer.echo(f"Report: {result.report}")
    if open_report:
        _open(result.report)


def _open(report: Path) -> None:
    """Open the report in a browser, or say where it is when there is none."""
    # Without a display the module would start a browser in the terminal and wait for it.
    desktop = sys.platform in ("win32", "darwin")
    screen = desktop or os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    if not screen or not webbrowser.open(report.as_uri()):
        typer.echo(f"No browser could be opened. Open this file yourself: {report}", err=True)


def guarded(call: Callable[[], object]) -> int:
    """Call something and turn whatever it raises into messages and an exit code.

    Parameters
    ----------
    call : callable
        May return an exit code.

    Returns
    -------
    int
        0 done, 1 fault, 2 wrong call, 3 wrong input file, 4 refused, 130 interrupted.
    """
    try:
        code = call()
    except GridfitError as error:
        typer.echo(str(error), err=True)
        return error.exit_code
    except KeyboardInterrupt:
        code = EXIT_INTERRUPTED
    except Exception as error:  # noqa: BLE001 - the last line of defence: a tuner is shown no traceback
        return _usage(error) if _message(error) else _fault(error)
    if code == EXIT_INTERRUPTED:
        typer.echo(
            "Stopped; no half result was left behind. Run the same command again to start over.", err=True
        )
    return code if isinstance(code, int) else 0


def _message(error: Exception) -> str:
    """Return what the parser of arguments has to say; empty for an error of any other kind."""
    words = getattr(error, "format_message", None)
    return str(words()) if callable(words) else ""


def _usage(error: Exception) -> int:
    context = getattr(error, "ctx", None)
    command = context.command_path if context is not None else "gridfit"
    typer.echo(f"{_message(error)}\nTry: {command} --help", err=True)
    return EXIT_CALL


def _fault(error: Exception) -> int:
    """Save the traceback where it can be sent from, and say so in a line."""
    stamp = f"{datetime.now(UTC):%Y%m%d-%H%M%S}"
    with tempfile.NamedTemporaryFile(
        "w", prefix=f"gridfit-fault-{stamp}-", suffix=".txt", delete=False, encoding="utf-8"
    ) as file:
        file.write("".join(traceback.format_exception(error)))
    typer.echo(
        f"This is a fault of gridfit, not of your files: {type(error).__name__}: {str(error)[:200]}\n"
        f"Nothing was written. The details are in {file.name}; please send them with a word on what you did.",
        err=True,
    )
    return EXIT_FAULT
