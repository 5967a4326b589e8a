"""The note beside a run: which tyre, when, where, and which grid pair was in force."""

import datetime
from pathlib import Path
from typing import Any

from pydantic import Field

from gridfit.documents import Document, Table, read_toml
from gridfit.errors import InputError, Problem
from gridfit.signals.run import RunNote
from gridfit.signals.source import stem


class NoteTable(Table):
    """Keys of a note."""

    compound: str = Field(min_length=1, description="the compound's name in quotes")
    date: datetime.date | datetime.datetime | str = Field(description="a date such as 2025-05-26")
    track: str = Field(description="the track's name in quotes")
    track_temp_c: float | None = Field(
        default=None, ge=-30, le=90, description="deg C, of the track's surface"
    )
    grids: str | None = Field(default=None, description="the file name of the grid pair in force, in quotes")
    notes: str = Field(default="", description="free text in quotes")


def note_path(run: Path) -> Path:
    """Return where the note of a log is looked for: ``NAME.toml`` beside ``NAME.csv`` or ``NAME.csv.gz``."""
    return run.with_name(f"{stem(run)}.toml")


def read_note(run: Path) -> RunNote:
    """Read the note of a log.

    Parameters
    ----------
    run : Path
        The log.

    Returns
    -------
    RunNote
        With compound ``"unknown"`` when there is no note.

    Raises
    ------
    InputError
        When the note is wrong, or names a grid pair that is not there; all faults are listed.
    """
    path = note_path(run)
    if not path.exists():
        return RunNote()
    document = read_toml(path, "note")
    table, problems = document.check(NoteTable, "", document.data)
    problems += _date_problems(document) + _grids_problems(document)
    if problems or table is None:
        raise InputError(problems)
    date = table.date if isinstance(table.date, str) else table.date.isoformat()
    return RunNote(table.compound, date, table.track, table.track_temp_c, table.grids, table.notes)


def _date_problems(document: Document) -> list[Problem]:
    written: Any = document.data.get("date")
    if not isinstance(written, str):
        return []
    try:
        datetime.datetime.fromisoformat(written)
    except ValueError:
        allowed, remedy = "must be a date such as 2025-05-26", "Write year-month-day."
        return [Problem(document.where("", "date"), "date", f'"{written}"', allowed, remedy)]
    return []


def _grids_problems(document: Document) -> list[Problem]:
    written: Any = document.data.get("grids")
    if not isinstance(written, str) or (document.path.parent / written).is_file():
        return []
    allowed = "must name a file in the run's folder"
    remedy = "Put the grid pair's file there, correct the name, or remove the line if it is not known."
    return [Problem(document.where("", "grids"), "grids", f'"{written}"', allowed, remedy)]
