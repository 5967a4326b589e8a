"""Finished searches, kept so that they can be reopened: one journal of Optuna's per result, written at once."""

import json
import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from pipelines.stores import Place, quiet_environment

if TYPE_CHECKING:
    import optuna
    from optuna.storages.journal import BaseJournalBackend


def keep(place: Place, prefix: str, studies: "Mapping[str, optuna.Study]") -> tuple[str, ...]:
    """Copy finished studies to a journal of their own and return the names under which they can be reopened.

    A database takes 16 ms a trial, most of it in its object layer; the lines of a journal take a tenth of one.

    Parameters
    ----------
    place : Place
    prefix : str
        First part of every name, ``car/job/result``.
    studies : mapping of str to optuna.Study
        By what was searched, for instance ``gear 2`` or ``target``.

    Returns
    -------
    tuple of str
        ``car/job/result/gear-2`` and so on; reopen one with ``optuna.load_study`` and a ``JournalStorage`` on the
        file that `journal` names.
    """
    quiet_environment()
    import optuna  # takes 0.3 s, and only jobs that search need it

    from gridfit.search.population import plain_trials

    if not studies:
        return ()
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    lines = _Lines()
    storage = optuna.storages.JournalStorage(cast("BaseJournalBackend", lines))
    names = []
    for what, study in studies.items():
        name = f"{prefix}/{slug(what)}"
        copy = optuna.create_study(study_name=name, storage=storage, directions=study.directions)
        copy.add_trials(plain_trials(study))
        names.append(name)
    _write_whole(journal(place, prefix), "".join(f"{json.dumps(line)}\n" for line in lines.kept))
    return tuple(names)


def journal(place: Place, prefix: str) -> Path:
    """Return the file that holds the studies of the result that `prefix` (``car/job/result``) names."""
    return place.folder / "studies" / f"{prefix.rsplit('/', 1)[-1]}.jsonl"


def forget(place: Place, result_id: str) -> None:
    """Remove the kept studies of a result that does not stand."""
    journal(place, result_id).unlink(missing_ok=True)


def slug(text: str) -> str:
    """Return `text` in lower case with anything but letters, digits, dot and dash turned into a dash."""
    return re.sub(r"[^\w.]+", "-", text.strip().lower(), flags=re.UNICODE).strip("-") or "unnamed"


class _Lines:
    """Journal backend that collects its lines; it has what Optuna's base class asks, which is imported late."""

    def __init__(self) -> None:
        self.kept: list[dict[str, Any]] = []

    def read_logs(self, log_number_from: int) -> list[dict[str, Any]]:
        return self.kept[log_number_from:]

    def append_logs(self, logs: list[dict[str, Any]]) -> None:
        self.kept += logs


def _write_whole(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_suffix(".unfinished")
    with unfinished.open("w", encoding="utf-8") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())
    os.replace(unfinished, path)
