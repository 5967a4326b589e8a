"""The preference that a job runs with: by name, from a file or given; and what the record keeps of it."""

from dataclasses import dataclass
from pathlib import Path

from gridfit.preferences import SUFFIX, preference_of
from gridfit.recovery import Preference
from pipelines.record import InputFile

Asked = str | Preference
"""Name of a preference, path of its file, or the preference itself."""


@dataclass(frozen=True, slots=True)
class Preferred:
    """A preference with its origin.

    Parameters
    ----------
    weights : Preference
    source : Path or None
        The file that it was read from.
    """

    weights: Preference
    source: Path | None

    def asked(self) -> dict[str, object]:
        """Return name and weights, for the record of what was asked."""
        return {"preference": self.weights.name, "weights": self.weights.weights()}

    def inputs(self) -> tuple[InputFile, ...]:
        """Return the file as an input, if there was one."""
        return () if self.source is None else (InputFile.of("preference", self.source),)


def preferred(asked: Asked) -> Preferred:
    """Find a preference.

    Raises
    ------
    CallError
        No such name, or no such file.
    InputError
        The file is wrong.
    """
    if isinstance(asked, Preference):
        return Preferred(asked, None)
    return Preferred(preference_of(asked), Path(asked) if asked.endswith(SUFFIX) else None)
