"""Preferences as people keep them: a name of ours, or a TOML file with weights that one can edit and give back."""

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Literal

from pydantic import Field

from gridfit.documents import Document, Table, read_toml, unknown_sections
from gridfit.errors import InputError, Problem
from gridfit.recovery import PREFERENCES, Preference, preference

SUFFIX = ".toml"
"""What ends in this is a file, anything else a name."""

MEANINGS = {
    "drive_lost": "per km/h of speed lost",
    "excess_slip": "per metre that the driven wheels turned too far",
    "recovery": "per whole window of recovery",
    "reslips": "per re-slip",
    "jerk": "per 1/s of jerk",
    "lateral": "per g of lateral acceleration lost",
    "tail": "share of what the worst tenth of the scenarios adds to the mean",
    "cut_swing": "per point of the cut's swing above 5 Hz",
}
"""Weights in the order of a file, with what one counts."""


class Head(Table):
    """Keys above the table of weights."""

    name: str = Field(min_length=1, max_length=60, description="how you call it, in quotes")
    based_on: Literal["balanced", "calm", "sharp"] | None = Field(
        default=None, description="where weights that are left out come from"
    )
    sharpness: float | None = Field(
        default=None,
        ge=-1.0,
        le=1.0,
        description="from -1 (calm) over 0 (balanced) to 1 (sharp), instead of based_on",
    )


Place = Callable[[str, str], str]
"""Table and key -> how a message names the place."""


class Weights(Table):
    """The weights; one that is left out comes from what the preference is based on."""

    drive_lost: float | None = Field(default=None, ge=0.0, le=1000.0, description=MEANINGS["drive_lost"])
    excess_slip: float | None = Field(default=None, ge=0.0, le=1000.0, description=MEANINGS["excess_slip"])
    recovery: float | None = Field(default=None, ge=0.0, le=1000.0, description=MEANINGS["recovery"])
    reslips: float | None = Field(default=None, ge=0.0, le=1000.0, description=MEANINGS["reslips"])
    jerk: float | None = Field(default=None, ge=0.0, le=1000.0, description=MEANINGS["jerk"])
    lateral: float | None = Field(default=None, ge=0.0, le=1000.0, description=MEANINGS["lateral"])
    tail: float | None = Field(default=None, ge=0.0, le=1.0, description=MEANINGS["tail"])
    cut_swing: float | None = Field(default=None, ge=0.0, le=1000.0, description=MEANINGS["cut_swing"])

    def given(self) -> dict[str, float]:
        """Return the weights that were written."""
        return {key: value for key, value in self.model_dump().items() if value is not None}


def preference_of(text: str) -> Preference:
    """Return what `--preference` asks for: one of ours by name, or what a file says.

    Raises
    ------
    CallError
        There is no such name, or no such file.
    InputError
        The file is not a preference: every fault with its line.
    """
    return read_preference(Path(text)) if text.endswith(SUFFIX) else preference(text)


def read_preference(path: Path) -> Preference:
    """Read a preference from a TOML file.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Preference

    Raises
    ------
    CallError
        There is no such file.
    InputError
        As in `preference_of`.
    """
    document = read_toml(path, "preference")
    problems = unknown_sections(document, (*Head.model_fields, "weights"))
    top = {key: value for key, value in document.data.items() if key in Head.model_fields}
    head, faults = document.check(Head, "", top)
    weights, more = _weights(document, document.data.get("weights", {}))
    problems = [*problems, *faults, *more]
    if problems or head is None or weights is None:
        raise InputError(problems)
    return compose(head, weights, document.where)


def _weights(document: Document, data: object) -> tuple[Weights | None, list[Problem]]:
    if isinstance(data, Mapping):
        return document.check(Weights, "weights", data)
    allowed = "must be a table: a line [weights], then a line for each weight"
    return None, [Problem(document.where("", "weights"), "weights", str(data), allowed, "Write it so.")]


def compose(head: Head, weights: Weights, where: Place) -> Preference:
    """Put a preference together from what somebody wrote.

    Parameters
    ----------
    head : Head
    weights : Weights
    where : callable
        Table and key -> place, for messages.

    Returns
    -------
    Preference

    Raises
    ------
    InputError
        Both grounds were chosen, nothing weighs anything, or a name that stands for other weights was taken.
    """
    if head.based_on is not None and head.sharpness is not None:
        raise InputError.of(
            where=where("", "sharpness"), what="sharpness", value=f"{head.sharpness:g}",
            allowed="only without based_on", remedy="Keep one of the two lines, remove the other.",
        )  # fmt: skip
    ground = (
        between(head.sharpness) if head.sharpness is not None else PREFERENCES[head.based_on or "balanced"]
    )
    made = replace(ground, name=head.name, **weights.given())
    if PREFERENCES.get(head.name.casefold(), made) != made:
        raise InputError.of(
            where=where("", "name"), what="name", value=f'"{head.name}"',
            allowed=f"must not be {', '.join(PREFERENCES)} where the weights are others",
            remedy="Give it a name of your own.",
        )  # fmt: skip
    if not any(value for key, value in made.weights().items() if key != "tail"):
        raise InputError.of(
            where=where("weights", ""), what="every weight but tail", value="0", allowed="at least one must be above 0",
            remedy="Without any, all grid pairs cost the same; raise what matters to you.",
        )  # fmt: skip
    return made


def between(sharpness: float) -> Preference:
    """Mix calm, balanced and sharp.

    Parameters
    ----------
    sharpness : float
        -1 is calm, 0 balanced, 1 sharp.

    Returns
    -------
    Preference
        Weights between the two neighbours: by the logarithm, evenly where one of them is 0.
    """
    balanced, other = PREFERENCES["balanced"], PREFERENCES["calm" if sharpness < 0.0 else "sharp"]
    share = abs(sharpness)
    if share in (0.0, 1.0):  # exactly the weights of a name, without rounding
        return replace(other if share else balanced, name=f"sharpness {sharpness:g}")
    mixed = {}
    for key in MEANINGS:
        low, high = getattr(balanced, key), getattr(other, key)
        if min(low, high) > 0.0:
            mixed[key] = math.exp((1.0 - share) * math.log(low) + share * math.log(high))
        else:
            mixed[key] = (1.0 - share) * low + share * high
    return Preference(name=f"sharpness {sharpness:g}", **mixed)


def to_toml(weights: Preference) -> str:
    """Write a preference as a file that `read_preference` reads back to the same figures."""
    lines = [
        "# Weights of the recovery score's parts: cost per unit, lower cost is better.",
        "# Edit a copy, call it by a name of its own, and give its path to --preference.",
        f"name = {_quoted(weights.name)}",
        "",
        "[weights]",
    ]
    lines += [f"{key} = {float(getattr(weights, key))!r}  # {meaning}" for key, meaning in MEANINGS.items()]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """Return text as a basic string of TOML 1.0."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return (
        '"'
        + "".join(char if ord(char) >= 32 and ord(char) != 127 else f"\\u{ord(char):04x}" for char in escaped)
        + '"'
    )
