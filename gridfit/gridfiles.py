"""The form of a grid pair in files: the checked content of grids.json, and the two CSV tables to paste."""

import csv
import io
import json
import re
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gridfit.documents import decode, read_head
from gridfit.errors import InputError, Problem, nearest
from gridfit.units import KMH_PER_MPH

FORMAT = "gridfit-grids/1"
"""Format mark of a grid pair's file."""

KEYS: tuple[tuple[str, str, int], ...] = (
    ("target", "speed_kmh", 1),
    ("target", "slip_pct", 1),
    ("cut", "slip_error_pct", 1),
    ("cut", "gear", 1),
    ("cut", "cut_pct", 2),
)
"""Grid, key and depth of every list in the file."""

Floats = NDArray[np.float64]


def load(path: Path) -> dict[str, Any]:
    """Return the content of a grid pair's file, with every list a list of numbers.

    Parameters
    ----------
    path : Path

    Returns
    -------
    dict
        Keys ``format``, ``target``, ``cut`` and whatever else the file holds.

    Raises
    ------
    CallError
        When there is no such file.
    InputError
        When it is not JSON, or a list is missing or holds something else than numbers.
    """
    data = _json_object(path)
    problems = _format_problems(path, data)
    for grid, key, depth in KEYS:
        problems += _list_problems(path, data, grid, key, depth)
    if problems:
        raise InputError(problems)
    return data


def _json_object(path: Path) -> dict[str, Any]:
    text = decode(read_head(path, -1, "grid pair"), path.name)
    try:
        data = json.loads(text)
    except json.JSONDecodeError as error:
        raise InputError([_syntax_problem(path, text, error)]) from None
    if not isinstance(data, dict):
        allowed = 'must be a JSON object with "format", "target" and "cut"'
        raise InputError([Problem(path.name, "grid pair", _shown(data), allowed, "Is this the right file?")])
    return data


def _syntax_problem(path: Path, text: str, error: json.JSONDecodeError) -> Problem:
    shown = text.split("\n")[error.lineno - 1].strip()[:60] or "the end of the file"
    remedy = "Look for a missing comma, bracket or quote just before this place."
    return Problem(f"{path.name}:{error.lineno}", "grid pair", shown, f"must be JSON ({error.msg})", remedy)


def _format_problems(path: Path, data: dict[str, Any]) -> list[Problem]:
    if data.get("format") == FORMAT:
        return []
    found = _shown(data["format"]) if "format" in data else ""
    remedy = f'Is this a grid pair? Then write "format": "{FORMAT}".'
    return [Problem(path.name, "format", found, f'must be "{FORMAT}"', remedy)]


def _list_problems(path: Path, data: dict[str, Any], grid: str, key: str, depth: int) -> list[Problem]:
    what, kind = f"{grid}.{key}", "a list of rows of numbers" if depth == 2 else "a list of numbers"
    table = data.get(grid)
    if not isinstance(table, dict) or key not in table:
        near = nearest(key, table) if isinstance(table, dict) else nearest(grid, data)
        return [
            Problem(
                path.name, what, "", f"is missing; must be {kind}", f"Add it; {near}" if near else "Add it."
            )
        ]
    rows = table[key] if depth == 2 else [table[key]]
    if not isinstance(rows, list) or not all(isinstance(row, list) for row in rows):
        remedy = "Use [brackets], one pair a row." if depth == 2 else "Use [brackets]."
        return [Problem(path.name, what, _shown(table[key]), f"must be {kind}", remedy)]
    problems = [
        Problem(path.name, f"{what}{place}", _shown(value), "must be a number", "Write a number.")
        for place, value in _cells(rows, depth)
        if isinstance(value, bool) or not isinstance(value, int | float)
    ]
    if len({len(row) for row in rows}) > 1:
        shown = f"rows of {', '.join(str(len(row)) for row in rows)} values"
        allowed = "every row must have the same number of values"
        problems.append(Problem(path.name, what, shown, allowed, "Complete the short row."))
    return problems


def _cells(rows: list[list[Any]], depth: int) -> Iterator[tuple[str, Any]]:
    for number, row in enumerate(rows, start=1):
        for at, value in enumerate(row, start=1):
            yield (f"[{number}][{at}]" if depth == 2 else f"[{at}]"), value


def _shown(value: object) -> str:
    text = json.dumps(value)
    return text if len(text) <= 40 else text[:36] + " ..."


def target_csv(speed_kmh: Floats, slip_pct: Floats, units: str) -> str:
    """Return the target grid as CSV: speeds in the first row [units, two decimals], slip [%] in the second.

    Raises
    ------
    InputError
        When `units` is neither ``km/h`` nor ``mph``.
    """
    speeds = np.round(speed_kmh / _kmh_per(units), 2)
    return _csv_text([[f"speed [{units}]", *_texts(speeds)], ["target slip [%]", *_texts(slip_pct)]])


def cut_csv(slip_error_pct: Floats, gear: Floats, cut_pct: Floats) -> str:
    """Return the cut grid as CSV: slip errors [percentage points] in the first row, a row per gear [%]."""
    rows = [[f"{one:g}", *_texts(cells)] for one, cells in zip(gear, cut_pct, strict=True)]
    return _csv_text([["gear / slip error [%]", *_texts(slip_error_pct)], *rows])


def from_csv(target_text: str, cut_text: str) -> dict[str, Any]:
    """Return the texts of `target_csv` and `cut_csv` in the form of the JSON file.

    Parameters
    ----------
    target_text, cut_text : str
        The unit of the speeds is taken from the first cell.

    Returns
    -------
    dict
        Keys ``format``, ``target``, ``cut``; speeds in km/h.
    """
    target, cut = (list(csv.reader(io.StringIO(text))) for text in (target_text, cut_text))
    unit = re.search(r"\[(.+?)\]", target[0][0])
    speed = np.array(target[0][1:], dtype=np.float64) * _kmh_per(unit.group(1) if unit else "km/h")
    rows = np.array(cut[1:], dtype=np.float64)
    return {
        "format": FORMAT,
        "target": {"speed_kmh": speed.tolist(), "slip_pct": [float(cell) for cell in target[1][1:]]},
        "cut": {
            "slip_error_pct": [float(cell) for cell in cut[0][1:]],
            "gear": rows[:, 0].tolist(),
            "cut_pct": rows[:, 1:].tolist(),
        },
    }


def _kmh_per(units: str) -> float:
    known = {"km/h": 1.0, "mph": KMH_PER_MPH}
    if units not in known:
        allowed, remedy = 'must be "km/h" or "mph"', "Write one of the two."
        raise InputError.of(where="grid tables", what="units", value=units, allowed=allowed, remedy=remedy)
    return known[units]


def _texts(values: Sequence[float] | Floats) -> list[str]:
    return [f"{value:.10g}" for value in values]


def _csv_text(rows: Iterable[list[str]]) -> str:
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerows(rows)
    return stream.getvalue()
