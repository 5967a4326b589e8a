"""Target grid, cut grid and the pair of them: looked up as the controller does it, checked, rounded."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import ArrayLike

from gridfit import gridchecks, gridfiles
from gridfit.errors import InputError, Problem
from gridfit.gridchecks import Floats

if TYPE_CHECKING:
    from gridfit.carsheet import CarSheet

SLIP_STEP_PCT = 0.5
"""Resolution to which a target cell is rounded [%]."""
START_SLIP_KMH = 15.0
"""Slip speed of the starting target; common practice, no source."""
START_CUT_PCT = 25.0
"""Cut of every cell of the starting cut grid; common practice, no source."""
SPEED_RANGE_KMH = (0.0, 450.0)
SLIP_RANGE_PCT = (0.0, 2000.0)
ERROR_RANGE_PCT = (-100.0, 200.0)
CUT_RANGE_PCT = (0.0, 100.0)
GEAR_RANGE = (1.0, 10.0)


@dataclass(frozen=True, slots=True, eq=False)
class TargetGrid:
    """Allowed slip against vehicle speed.

    Parameters
    ----------
    speed_kmh : float64[K]
        Breakpoints, increasing [km/h].
    slip_pct : float64[K]
        Allowed slip on vehicle speed [%].

    Raises
    ------
    InputError
        When the arrays do not make a grid.
    """

    speed_kmh: Floats
    slip_pct: Floats

    def __post_init__(self) -> None:
        for name in ("speed_kmh", "slip_pct"):
            object.__setattr__(self, name, _read_only(getattr(self, name)))
        gridchecks.refuse(self._problems())

    def _problems(self) -> Iterable[Problem]:
        speed, slip = self.speed_kmh, self.slip_pct
        yield from gridchecks.axis_problems("target.speed_kmh", speed, SPEED_RANGE_KMH, "km/h")
        yield from gridchecks.cell_problems("target.slip_pct", slip, SLIP_RANGE_PCT, "%")
        yield from gridchecks.shape_problems("target.slip_pct", slip, speed.shape, "one per speed")

    def at(self, speed_kmh: ArrayLike) -> Floats:
        """Return the target slip at a speed: linear between breakpoints, held at both ends.

        Parameters
        ----------
        speed_kmh : float64[S]
            Vehicle speed [km/h].

        Returns
        -------
        float64[S]
            Target slip [%].
        """
        speed = np.asarray(speed_kmh, dtype=np.float64)
        return np.asarray(np.interp(speed, self.speed_kmh, self.slip_pct), dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class CutGrid:
    """Share of firing events dropped against slip error, one row per gear.

    Parameters
    ----------
    slip_error_pct : float64[E]
        Breakpoints, increasing [percentage points].
    gear : float64[G]
        Gears that have a row, increasing [1].
    cut_pct : float64[G, E]
        Cut, 0 to 100 [%]; 0 at a negative error.

    Raises
    ------
    InputError
        When the arrays do not make a grid.
    """

    slip_error_pct: Floats
    gear: Floats
    cut_pct: Floats

    def __post_init__(self) -> None:
        for name in ("slip_error_pct", "gear", "cut_pct"):
            object.__setattr__(self, name, _read_only(getattr(self, name)))
        gridchecks.refuse(self._problems())

    def _problems(self) -> Iterable[Problem]:
        error, cut = self.slip_error_pct, self.cut_pct
        shape = (self.gear.size, error.size)
        yield from gridchecks.axis_problems("cut.slip_error_pct", error, ERROR_RANGE_PCT, "percentage points")
        yield from gridchecks.axis_problems("cut.gear", self.gear, GEAR_RANGE, "a gear number", least=1)
        yield from gridchecks.gear_problems(self.gear)
        yield from gridchecks.shape_problems("cut.cut_pct", cut, shape, "a row per gear, a value per error")
        yield from gridchecks.cell_problems("cut.cut_pct", cut, CUT_RANGE_PCT, "%")
        if cut.shape == shape:
            yield from gridchecks.negative_error_problems(error, cut)

    def row(self, gear: float) -> Floats:
        """Return a gear's row, float64[E] [%]; that of the nearest gear (the lower of two) if it has none."""
        row: Floats = self.cut_pct[int(np.argmin(np.abs(self.gear - gear)))]
        return row

    def at(self, slip_error_pct: ArrayLike, gear: ArrayLike) -> Floats:
        """Return the cut: linear between breakpoints, 0 below the first, held above the last.

        Parameters
        ----------
        slip_error_pct : float64[S]
            Slip minus target [percentage points].
        gear : float or float64[S]
            Gear engaged.

        Returns
        -------
        float64[S]
            Cut [%].
        """
        error, gears = np.broadcast_arrays(
            np.asarray(slip_error_pct, dtype=np.float64), np.asarray(gear, dtype=np.float64)
        )
        cut = np.full(error.shape, np.nan)
        for one in np.unique(gears[np.isfinite(gears)]):
            chosen = gears == one
            cut[chosen] = np.interp(error[chosen], self.slip_error_pct, self.row(float(one)), left=0.0)
        return cut


@dataclass(frozen=True, slots=True, eq=False)
class GridPair:
    """The two grids that steer the loop.

    Parameters
    ----------
    target : TargetGrid
    cut : CutGrid
    extra : dict
        Other keys of the file, kept as they were.
    """

    target: TargetGrid
    cut: CutGrid
    extra: dict[str, Any] = field(default_factory=dict)

    def arrays(self) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Return speed_kmh[K], slip_pct[K], slip_error_pct[E], gear[G], cut_pct[G, E]."""
        cut = self.cut
        return self.target.speed_kmh, self.target.slip_pct, cut.slip_error_pct, cut.gear, cut.cut_pct

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, GridPair):
            return NotImplemented
        pairs = zip(self.arrays(), other.arrays(), strict=True)
        return self.extra == other.extra and all(np.array_equal(mine, theirs) for mine, theirs in pairs)

    def __hash__(self) -> int:
        return hash(tuple(array.tobytes() for array in self.arrays()))

    @property
    def is_monotone(self) -> bool:
        """Whether the target never rises with speed and the cut never falls with slip error."""
        falls = np.all(np.diff(self.target.slip_pct) <= 0.0)
        rises = np.all(np.diff(self.cut.cut_pct, axis=1) >= 0.0)
        return bool(falls and rises)

    def to_dict(self) -> dict[str, Any]:
        """Return the pair as plain values for JSON, in the form that `from_dict` reads."""
        cut = self.cut
        return {
            "format": gridfiles.FORMAT,
            "target": {
                "speed_kmh": self.target.speed_kmh.tolist(),
                "slip_pct": self.target.slip_pct.tolist(),
            },
            "cut": {
                "slip_error_pct": cut.slip_error_pct.tolist(),
                "gear": [int(gear) for gear in cut.gear],
                "cut_pct": cut.cut_pct.tolist(),
            },
            **self.extra,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """Make a pair from numbers in the form of `to_dict`; raises InputError when they make no grid."""
        extra = {key: value for key, value in data.items() if key not in ("format", "target", "cut")}
        target, cut = data["target"], data["cut"]
        return cls(
            TargetGrid(target["speed_kmh"], target["slip_pct"]),
            CutGrid(cut["slip_error_pct"], cut["gear"], cut["cut_pct"]),
            extra,
        )

    def to_csv(self, units: str = "km/h") -> tuple[str, str]:
        """Return target and cut grid as CSV texts, speeds in `units`, which is ``km/h`` or ``mph``."""
        cut = self.cut
        target = gridfiles.target_csv(self.target.speed_kmh, self.target.slip_pct, units)
        return target, gridfiles.cut_csv(cut.slip_error_pct, cut.gear, cut.cut_pct)


def read_grids(path: Path | str) -> GridPair:
    """Read a grid pair.

    Parameters
    ----------
    path : Path or str
        A JSON file in the form of `GridPair.to_dict`; keys beside it are kept in `extra`.

    Returns
    -------
    GridPair

    Raises
    ------
    CallError
        When there is no such file.
    InputError
        When it is not a grid pair; all faults are listed, with the file's name.
    """
    path = Path(path)
    try:
        return GridPair.from_dict(gridfiles.load(path))
    except InputError as error:
        named = [replace(one, where=one.where.replace("grid pair", path.name)) for one in error.problems]
        raise InputError(named) from None


def common_practice(sheet: "CarSheet") -> GridPair:
    """Return the starting pair: 15 km/h of slip at every speed, 25 % cut everywhere.

    Parameters
    ----------
    sheet : CarSheet
        Gives breakpoints, gears, the minimum speed and the largest cut.

    Returns
    -------
    GridPair
        Common practice, no source.
    """
    speed, error = sheet.speed_breakpoints_kmh, sheet.error_breakpoints_pct
    slip = 100.0 * START_SLIP_KMH / np.maximum(speed, sheet.controller.min_speed_kmh)
    gears = np.arange(1.0, sheet.gears + 1.0)
    cut = np.full((gears.size, error.size), min(START_CUT_PCT, sheet.controller.cut_max_pct))
    return GridPair(TargetGrid(speed, slip), CutGrid(error, gears, cut))


def rounded(pair: GridPair, sheet: "CarSheet") -> GridPair:
    """Return the pair as the controller can hold it.

    Parameters
    ----------
    pair : GridPair
    sheet : CarSheet
        Gives the step and the largest value of a cut cell.

    Returns
    -------
    GridPair
        Target cells on multiples of 0.5 %, cut cells of ``cut_step_pct`` and not above ``cut_max_pct``.
    """
    step = sheet.controller.cut_step_pct
    top = np.floor(sheet.controller.cut_max_pct / step + 1e-9) * step
    cut = np.minimum(_on_step(pair.cut.cut_pct, step), top)
    target = replace(pair.target, slip_pct=_on_step(pair.target.slip_pct, SLIP_STEP_PCT))
    return replace(pair, target=target, cut=replace(pair.cut, cut_pct=cut))


def _on_step(values: Floats, step: float) -> Floats:
    # The second rounding takes off the 1e-16 that a step such as 0.1 leaves behind.
    return np.round(np.round(values / step) * step, 9)


def _read_only(values: ArrayLike) -> Floats:
    array = np.array(values, dtype=np.float64, order="C")
    array.setflags(write=False)
    return array
