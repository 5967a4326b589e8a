"""What can go wrong because of a call, an input file or the evidence, worded once for every reader.

GridfitError            exit code 1, never raised itself
|-- CallError           2: the call is wrong (missing file, result folder exists, unknown option)
|-- InputError          3: an input file is wrong (which file, line or key, value, allowed, remedy)
|-- DataError           4: the evidence does not carry the answer
`-- FitError            4: a fit was made and is not credible
"""

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import ClassVar, Self


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault: where it is, what is wrong, what stands there, what may stand there, what to do.

    Parameters
    ----------
    where : str
        File with line or key, run, or option.
    what : str
        What is wrong, or the name of the offending item; may be empty when `where` says it.
    value : str
        What was found there; empty when nothing was found.
    allowed : str
        What may stand there, with its unit.
    remedy : str
        What to do about it, one or two sentences.
    """

    where: str
    what: str
    value: str
    allowed: str
    remedy: str

    def __str__(self) -> str:
        subject = f"{self.where} {self.what}".strip()
        found = f" = {self.value}" if self.value else ""
        allowed = f": {self.allowed}." if self.allowed else "."
        remedy = f" {self.remedy}" if self.remedy else ""
        return f"{subject}{found}{allowed}{remedy}"


class GridfitError(Exception):
    """An error that the user can act on: one or more problems, worst first.

    Parameters
    ----------
    problems : iterable of Problem
        At least one, worst first.

    Attributes
    ----------
    problems : tuple of Problem
    exit_code : int
        What the command line ends with.
    """

    exit_code: ClassVar[int] = 1
    problems: tuple[Problem, ...]

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    @classmethod
    def of(
        cls, *, where: str, what: str = "", value: object = "", allowed: str = "", remedy: str = ""
    ) -> Self:
        """Make the error of a single problem.

        Parameters
        ----------
        where, what, allowed, remedy : str
            As in `Problem`.
        value : object
            As in `Problem`; turned into text.

        Returns
        -------
        GridfitError
            Of the class on which it was called.
        """
        return cls([Problem(where, what, str(value), allowed, remedy)])

    def to_dict(self) -> dict[str, object]:
        """Return the error as plain values for JSON: kind, exit code and problems."""
        return {
            "error": type(self).__name__,
            "exit_code": self.exit_code,
            "problems": [asdict(problem) for problem in self.problems],
        }

    def __reduce__(self) -> tuple[type[Self], tuple[tuple[Problem, ...]]]:
        # An exception is rebuilt from its message by default; a worker process must send the problems.
        return type(self), (self.problems,)


class CallError(GridfitError):
    """The call is wrong: a path that does not exist, a result folder that does, an impossible option."""

    exit_code = 2


class InputError(GridfitError):
    """An input file is wrong; every fault found in it is listed."""

    exit_code = 3


class DataError(GridfitError):
    """The inputs are well formed, but the evidence in them does not carry the answer."""

    exit_code = 4


class FitError(GridfitError):
    """A fit ended, and its result is not credible."""

    exit_code = 4


def nearest(name: str, names: Iterable[str]) -> str:
    """Return a question that offers the known name most like `name`, or an empty text.

    Parameters
    ----------
    name : str
        What was written.
    names : iterable of str
        What is known.

    Returns
    -------
    str
        For instance ``did you mean 'gearbox'?``; empty when nothing is near.
    """
    known: Sequence[str] = list(names)
    lowered = {item.lower(): item for item in known}
    match = difflib.get_close_matches(name.lower(), list(lowered), n=1, cutoff=0.6)
    return f"did you mean '{lowered[match[0]]}'?" if match else ""


def suggestion(name: str, names: Iterable[str], otherwise: str) -> str:
    """Return `nearest` as a sentence of its own, or `otherwise` when nothing is near."""
    question = nearest(name, names)
    return question[:1].upper() + question[1:] if question else otherwise


def check_name(option: str, kind: str, name: str, names: Iterable[str], also: str = "") -> None:
    """Raise CallError unless an option was given a name that is known.

    Parameters
    ----------
    option : str
        For instance ``--budget``.
    kind : str
        What the name is of, for instance ``budget``.
    name : str
        What was written.
    names : iterable of str
        What is known.
    also : str
        What else the option takes, as the end of the list.
    """
    known = list(names)
    if name in known:
        return
    raise CallError.of(
        where=option,
        what=f"is not a known {kind}",
        value=repr(name),
        allowed=", ".join(known) + also,
        remedy=nearest(name, known) or "Choose one of those.",
    )
