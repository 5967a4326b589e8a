"""TOML files that people write: read, checked against a model, every fault with line, range and remedy."""

import hashlib
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, TypeVar, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic.fields import FieldInfo

from gridfit.errors import CallError, InputError, Problem, suggestion

M = TypeVar("M", bound=BaseModel)

TOO_LARGE = 1e300
"""Beyond this no factor of ten is looked for: a whole number may have more digits than a float can hold."""

MOST_SHOWN = 400
"""Characters of a value that a message quotes whole."""


class Table(BaseModel):
    """Base of every table that a person writes: strict types, no unknown keys, no NaN, never changed."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


@dataclass(frozen=True, slots=True)
class Document:
    """A parsed TOML file that still knows its lines.

    Parameters
    ----------
    path : Path
    data : dict
        As tomllib returns it, lists turned into tuples.
    lines : dict of str to int
        ``"section.key"``, ``"section"`` or ``"key"`` -> line, from 1.
    sha256 : str
        Digest of the file's bytes, hexadecimal.
    """

    path: Path
    data: dict[str, Any]
    lines: dict[str, int]
    sha256: str

    def where(self, section: str, key: str = "") -> str:
        """Return ``name.toml:12 [section]`` for messages; the line of the key when it is there."""
        dotted = f"{section}.{key}" if section and key else section or key
        line = self.lines.get(dotted) or self.lines.get(section)
        place = f"{self.path.name}:{line}" if line else self.path.name
        return f"{place} [{section}]" if section else place

    def check(self, model: type[M], section: str, data: Mapping[str, Any]) -> tuple[M | None, list[Problem]]:
        """Check one table against its model.

        Parameters
        ----------
        model : type of Table
        section : str
            Name of the table in the file; empty for the file's top level.
        data : mapping
            The table.

        Returns
        -------
        (Table or None, list of Problem)
            The model when there is no problem.
        """
        try:
            return model.model_validate(dict(data)), []
        except ValidationError as error:
            return None, [self._problem(model, section, detail) for detail in error.errors()]

    def _problem(self, model: type[BaseModel], section: str, detail: Any) -> Problem:  # noqa: ANN401 - pydantic's
        key = str(detail["loc"][0]) if detail["loc"] else ""
        # Positions count from 1, as gears do.
        what = key + "".join(f"[{at + 1}]" if isinstance(at, int) else f".{at}" for at in detail["loc"][1:])
        where = self.where(section, key)
        if detail["type"] == "missing":
            field = _field(model, detail["loc"])
            remedy = f"Add a line {detail['loc'][-1]} = ... to the table."
            return Problem(where, what, "", f"is missing ({_allowed(field)})", remedy)
        if detail["type"] == "extra_forbidden":
            known = list(model.model_fields)
            remedy = suggestion(key, known, "Remove the line.")
            return Problem(
                where, what, _shown(detail["input"]), f"unknown key; known are {', '.join(known)}", remedy
            )
        field = _field(model, detail["loc"])
        remedy = _remedy(detail["input"], field)
        return Problem(where, what, _shown(detail["input"]), _allowed(field) or detail["msg"], remedy)


def read_head(path: Path, size: int, kind: str) -> bytes:
    """Return at most the first `size` bytes of a file; all of it when `size` is negative.

    Parameters
    ----------
    path : Path
    size : int
    kind : str
        What the file is, for the message.

    Raises
    ------
    CallError
        When there is no such file, or it cannot be read.
    """
    allowed, remedy = "must be a file that can be read", "Check the path."
    if path.is_dir():
        raise CallError.of(where=str(path), what=kind, value="a folder", allowed=allowed, remedy=remedy)
    try:
        with path.open("rb") as stream:
            return stream.read(size)
    except OSError as error:
        reason = error.strerror or "cannot be read"
        raise CallError.of(where=str(path), what=kind, value=reason, allowed=allowed, remedy=remedy) from None


def decode(raw: bytes, name: str) -> str:
    """Return UTF-8 text, without a byte order mark.

    Raises
    ------
    InputError
        When the bytes are not UTF-8; names the line.
    """
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputError.of(
            where=f"{name}:{line}",
            what="byte",
            value=f"0x{raw[error.start]:02x}",
            allowed="the file must be UTF-8 text",
            remedy="Save the file as UTF-8.",
        ) from None


def read_toml(path: Path, kind: str) -> Document:
    """Read a TOML file.

    Parameters
    ----------
    path : Path
    kind : str
        What the file is ("car sheet"), for messages.

    Raises
    ------
    CallError
        When there is no such file.
    InputError
        When it is not TOML 1.0; names the line.
    """
    raw = read_head(path, -1, kind)
    text = decode(raw, path.name).replace("\r\n", "\n")
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        # Beside faults of syntax: a number of thousands of digits, or tables without end in each other.
        raise InputError([_syntax_problem(path, kind, text, str(error)[:200])]) from None
    return Document(path, _tuples(data), dict(_scan(text)), hashlib.sha256(raw).hexdigest())


def _syntax_problem(path: Path, kind: str, text: str, message: str) -> Problem:
    place = re.search(r"\(at line (\d+), column (\d+)\)", message)
    lines = text.split("\n")
    number = int(place.group(1)) if place else len(lines)
    said = re.sub(r"\s*\(at .*\)$", "", message)
    shown = lines[number - 1].strip()[:60] if number <= len(lines) else ""
    remedy = (
        'Write key = value, text in "quotes", lists in [brackets], and a decimal point instead of a comma.'
    )
    return Problem(f"{path.name}:{number}", kind, shown, f"must be TOML 1.0 ({said})", remedy)


def _scan(text: str) -> Iterator[tuple[str, int]]:
    """Yield each table and key with its line; enough for files without multi-line text."""
    section = ""
    for number, line in enumerate(text.split("\n"), start=1):
        if header := re.match(r"\s*\[\s*([^\[\]]+?)\s*\]\s*(#.*)?$", line):
            section = header.group(1).strip("\"'")
            yield section, number
        elif entry := re.match(r"\s*(\"[^\"]+\"|'[^']+'|[\w.-]+)\s*=", line):
            key = entry.group(1).strip("\"'")
            yield (f"{section}.{key}" if section else key), number


def _tuples(value: Any) -> Any:  # noqa: ANN401 - any TOML value
    if isinstance(value, dict):
        return {key: _tuples(item) for key, item in value.items()}
    return tuple(_tuples(item) for item in value) if isinstance(value, list) else value


def unknown_sections(document: Document, known: Iterable[str]) -> list[Problem]:
    """Return a problem for each top-level key of the file that is not in `known`."""
    names = list(known)
    return [
        Problem(
            document.where("", name),
            f"[{name}]" if isinstance(document.data[name], dict) else name,
            "" if isinstance(document.data[name], dict) else _shown(document.data[name]),
            f"unknown {'table' if isinstance(document.data[name], dict) else 'key'}; known are {', '.join(names)}",
            suggestion(name, names, "Remove it."),
        )
        for name in document.data
        if name not in names
    ]


def _field(model: type[BaseModel], loc: tuple[Any, ...]) -> FieldInfo | None:
    """Return the field that an error location points at; for an item of a list the item's own."""
    info = model.model_fields.get(str(loc[0])) if loc else None
    if info is None or len(loc) < 2 or not isinstance(loc[1], int):
        return info
    inner = get_args(info.annotation)[0]
    if get_origin(inner) is not Annotated:
        return info
    item = FieldInfo.from_annotation(inner)
    item.description = info.description
    return item


def _bounds(field: FieldInfo | None) -> tuple[float | None, float | None]:
    metadata = field.metadata if field else []
    low = next((item.ge for item in metadata if hasattr(item, "ge")), None)
    high = next((item.le for item in metadata if hasattr(item, "le")), None)
    return low, high


def _choices(field: FieldInfo | None) -> list[str]:
    """Return the texts that a field may hold, if only some; also of a field that may be left out."""
    found = get_args(field.annotation) if field else ()
    inner = [item for one in found for item in get_args(one)]
    return [item for item in (*found, *inner) if isinstance(item, str)]


def _allowed(field: FieldInfo | None) -> str:
    """Word what a field may hold: its range or choices, and its description."""
    if field is None:
        return ""
    low, high = _bounds(field)
    meaning = f" ({field.description})" if field.description else ""
    if low is not None and high is not None:
        return f"must lie in {low:g} to {high:g}{meaning}"
    choices = _choices(field)
    if choices:
        return "must be " + " or ".join(f'"{choice}"' for choice in choices) + meaning
    least = next((item.min_length for item in field.metadata if hasattr(item, "min_length")), None)
    most = next((item.max_length for item in field.metadata if hasattr(item, "max_length")), None)
    if get_origin(field.annotation) is tuple and least is not None and most is not None:
        return f"must hold {least} to {most} values{meaning}"
    return f"must be {field.description}" if field.description else ""


def _remedy(value: object, field: FieldInfo | None) -> str:
    low, high = _bounds(field)
    if isinstance(value, bool) or low is None or high is None:
        choices = _choices(field)
        return suggestion(str(value), choices, "Write one of them." if choices else "Correct the value.")
    if isinstance(value, str):
        return "Write a number without quotes, with a decimal point."
    if isinstance(value, int | float) and abs(value) < TOO_LARGE:
        for factor in (0.1, 10.0, 0.01, 100.0, 0.001, 1000.0):
            if low <= value * factor <= high and value:
                return (
                    f"Is the decimal point in the wrong place, or the unit another? Write {value * factor:g}."
                )
    return "Correct the value."


def _shown(value: object) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, tuple):
        return f"[{', '.join(_shown(item) for item in value[:4])}{', ...' if len(value) > 4 else ''}]"
    shown = str(value).lower() if isinstance(value, bool) else str(value)
    return shown if len(shown) <= MOST_SHOWN else f"{shown[:20]}... ({len(shown)} characters)"
