"""Checks of the arrays that make a grid; places count from 1, as gears do."""

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from gridfit.errors import InputError, Problem

Floats = NDArray[np.float64]


def refuse(problems: Iterable[Problem]) -> None:
    """Raise InputError when there is a problem."""
    found = list(problems)
    if found:
        raise InputError(found)


def problem(what: str, at: tuple[int, ...], value: object, allowed: str, remedy: str) -> Problem:
    """Return a problem of a grid's cell; `at` is its index from 0."""
    place = what + "".join(f"[{index + 1}]" for index in at)
    shown = f"{value:g}" if isinstance(value, float | int) else str(value)
    return Problem("grid pair", place, shown, allowed, remedy)


def axis_problems(
    what: str, axis: Floats, bounds: tuple[float, float], unit: str, least: int = 2
) -> Iterator[Problem]:
    """Yield what is wrong with breakpoints: too few, out of range [unit], not increasing."""
    if axis.ndim != 1 or axis.size < least:
        allowed = f"must hold at least {least}"
        yield problem(what, (), f"{axis.size} values", allowed, "Add the missing values.")
        return
    yield from cell_problems(what, axis, bounds, unit)
    for at in np.flatnonzero(np.diff(axis) <= 0.0)[:1] + 1:
        allowed = f"must be larger than the value before it ({axis[at - 1]:g})"
        yield problem(what, (int(at),), axis[at], allowed, "Put the breakpoints in increasing order.")


def cell_problems(what: str, cells: Floats, bounds: tuple[float, float], unit: str) -> Iterator[Problem]:
    """Yield the first three cells that are no number within the bounds [unit]."""
    bad = ~((cells >= bounds[0]) & (cells <= bounds[1]))
    for at in np.argwhere(bad)[:3]:
        index = tuple(int(one) for one in at)
        allowed = f"must lie in {bounds[0]:g} to {bounds[1]:g} ({unit})"
        yield problem(what, index, float(cells[index]), allowed, "Correct the value.")


def gear_problems(gear: Floats) -> Iterator[Problem]:
    """Yield gears that are no whole number."""
    for at in np.flatnonzero(gear != np.round(gear)):
        yield problem("cut.gear", (int(at),), float(gear[at]), "must be a whole number", "Correct the gear.")


def negative_error_problems(slip_error_pct: Floats, cut_pct: Floats) -> Iterator[Problem]:
    """Yield cells that cut although slip is below the target."""
    for row, column in np.argwhere((cut_pct != 0.0) & (slip_error_pct < 0.0)):
        allowed = f"must be 0, for the slip error there is {slip_error_pct[column]:g}"
        value = float(cut_pct[row, column])
        yield problem("cut.cut_pct", (int(row), int(column)), value, allowed, "Write 0.")


def shape_problems(what: str, cells: Floats, shape: tuple[int, ...], meaning: str) -> Iterator[Problem]:
    """Yield a problem when the cells have another shape than their axes."""
    if cells.shape != shape:
        text, wanted = (" x ".join(map(str, one)) for one in (cells.shape, shape))
        yield problem(what, (), f"{text} values", f"must be {wanted} ({meaning})", "Add or remove values.")
