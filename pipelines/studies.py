"""Finished searches, kept so that they can be reopened: copied in bulk from memory to a durable store."""

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING

from pipelines.stores import Place, locked, make_sqlite, quiet_environment

if TYPE_CHECKING:
    import optuna


def keep(place: Place, prefix: str, studies: "Mapping[str, optuna.Study]") -> tuple[str, ...]:
    """Copy finished studies to the store of `place` and return the names under which they can be reopened.

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
        ``car/job/result/gear-2`` and so on; reopen one with ``optuna.load_study``.
    """
    quiet_environment()
    import optuna  # takes 0.3 s, and only jobs that search need it

    from gridfit.search.population import plain_trials

    if not studies:
        return ()
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    names = []
    with locked(place.folder):
        make_sqlite(place.folder / "studies.db", _make_tables)
        storage = optuna.storages.RDBStorage(place.studies_uri)
        try:
            for what, study in studies.items():
                name = f"{prefix}/{slug(what)}"
                copy = optuna.create_study(study_name=name, storage=storage, directions=study.directions)
                copy.add_trials(plain_trials(study))
                names.append(name)
        finally:
            storage.engine.dispose()
    return tuple(names)


def _make_tables(address: str) -> None:
    import optuna

    optuna.storages.RDBStorage(address).engine.dispose()


def slug(text: str) -> str:
    """Return `text` in lower case with anything but letters, digits, dot and dash turned into a dash."""
    return re.sub(r"[^\w.]+", "-", text.strip().lower(), flags=re.UNICODE).strip("-") or "unnamed"
