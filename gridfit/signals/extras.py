"""Libraries that only some formats need: a clear word when one is not installed."""

import importlib.util

from gridfit.errors import CallError

PACKAGES = {"can": "python-can"}
"""Names of packages that differ from the name of what they install."""


def need(library: str, purpose: str, extra: str) -> None:
    """Refuse to go on without a library.

    Parameters
    ----------
    library : str
        Name by which it is imported.
    purpose : str
        What it is needed for.
    extra : str
        The extra of gridfit that brings it.

    Raises
    ------
    CallError
        When it is not installed; says what to install.
    """
    if importlib.util.find_spec(library) is None:
        raise CallError.of(
            where="gridfit",
            what=purpose,
            value=f"the library {library} is not installed",
            allowed=f"reading {purpose} needs it",
            remedy=f"Install it: pip install {PACKAGES.get(library, library)}, or gridfit with its extra [{extra}].",
        )
