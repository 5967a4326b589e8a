"""The shapes that the search may draw: unit cube <-> target grid and cut rows. Knows no optimiser.

A coordinate in [0, 1] stands for a shape parameter; the outer `EDGE` on either side is a margin that maps to
the end of the range, so that a shape at its limit (a target of constant per cent, a row without a step) lies
inside the cube and an optimiser can settle around it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.grids import CutGrid, GridPair, TargetGrid

FloatArray = NDArray[np.float64]

EDGE = 0.08
"""Share of a coordinate's range, on either side, that maps to the end of the range [1]."""

SLIP_LOW_KMH, SLIP_HIGH_KMH = 2.0, 40.0
"""Allowed slip is kept between these slip speeds [km/h] (good range 10 to 20 in common practice)."""

SLIP_HIGH_PCT = 60.0
"""No target allows more slip than this [%]."""

STEEPEST = 1.25
"""Largest n in `target ~ speed**-n` between two knots [1]; n = 1 is a constant slip speed."""


def fraction(unit: FloatArray) -> FloatArray:
    """Fraction in [0, 1] that a coordinate stands for, margins flattened."""
    return np.asarray(np.clip((unit - EDGE) / (1.0 - 2.0 * EDGE), 0.0, 1.0), dtype=np.float64)


def coordinate(share: FloatArray) -> FloatArray:
    """Coordinate of a fraction: the inverse of `fraction` away from the margins."""
    return np.asarray(EDGE + np.asarray(share) * (1.0 - 2.0 * EDGE), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class TargetSpace:
    """Target grids that never rise with speed, smooth between a few knots.

    Between two knots the target falls as speed**-n with 0 <= n <= `STEEPEST`; beyond the outer knots it is
    held, within the limits on slip speed.

    Parameters
    ----------
    speed_kmh : float64[K]
        Breakpoints of the grid [km/h].
    knot : tuple[int, ...]
        Indices of the breakpoints that are knots, rising.
    """

    speed_kmh: FloatArray
    knot: tuple[int, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the coordinates: the level at the first knot, then one exponent per stretch."""
        knots = self.speed_kmh[list(self.knot)]
        return (f"target_level_{knots[0]:g}kmh", *(f"target_fall_to_{v:g}kmh" for v in knots[1:]))

    @property
    def _level_log(self) -> tuple[float, float]:
        low, high = self._bounds_pct(self.speed_kmh[self.knot[0]])
        return float(np.log(low)), float(np.log(high))

    @staticmethod
    def _bounds_pct(speed_kmh: FloatArray) -> tuple[FloatArray, FloatArray]:
        speed = np.maximum(speed_kmh, 1.0)
        high = np.minimum(100.0 * SLIP_HIGH_KMH / speed, SLIP_HIGH_PCT)
        return np.minimum(100.0 * SLIP_LOW_KMH / speed, SLIP_HIGH_PCT), high

    def grid(self, unit: FloatArray) -> TargetGrid:
        """Target grid at a point of the cube.

        Parameters
        ----------
        unit : float64[J]
            Coordinates in the order of `names`; values outside [0, 1] act as the nearer end.
        """
        low, high = self._level_log
        level = low + (high - low) * float(fraction(unit[:1])[0])
        log_knot = np.log(np.maximum(self.speed_kmh[list(self.knot)], 1.0))
        fall = STEEPEST * fraction(unit[1:]) * np.diff(log_knot)
        log_pct = np.interp(
            np.log(np.maximum(self.speed_kmh, 1.0)),
            log_knot,
            level - np.concatenate(([0.0], np.cumsum(fall))),
        )
        return TargetGrid(self.speed_kmh, np.clip(np.exp(log_pct), *self._bounds_pct(self.speed_kmh)))

    def unit(self, target: TargetGrid) -> FloatArray:
        """Coordinates of the nearest shape that the space can draw.

        Each knot is matched in turn, so that a stretch that falls too steeply (or rises) does not shift the
        knots after it more than it must.
        """
        log_knot = np.log(np.maximum(self.speed_kmh[list(self.knot)], 1.0))
        low, high = self._level_log
        wanted = np.log(np.maximum(target.at(self.speed_kmh[list(self.knot)]), 1e-3))
        reached = min(max(float(wanted[0]), low), high)
        shares = [(reached - low) / (high - low)]
        for stretch, goal in zip(np.diff(log_knot), wanted[1:], strict=True):
            share = min(max((reached - float(goal)) / (STEEPEST * float(stretch)), 0.0), 1.0)
            reached -= share * STEEPEST * float(stretch)
            shares.append(share)
        return coordinate(np.array(shares))


def target_space(speed_kmh: FloatArray, low_kmh: float, high_kmh: float, knots: int = 4) -> TargetSpace:
    """Space whose knots are the breakpoints nearest to even ratios of speed over the range in use.

    Parameters
    ----------
    speed_kmh : float64[K]
        Breakpoints of the target grid [km/h].
    low_kmh, high_kmh : float
        Lowest and highest speed at which a gear can break traction [km/h].
    knots : int
        Number of knots asked for, 1 to 5; fewer where breakpoints coincide.
    """
    wanted = np.geomspace(max(low_kmh, 1.0), max(high_kmh, low_kmh, 1.0), max(knots, 1))
    distance = np.abs(np.log(np.maximum(speed_kmh, 1.0))[:, None] - np.log(wanted)[None, :])
    return TargetSpace(speed_kmh, tuple(int(i) for i in np.unique(distance.argmin(axis=0))))


@dataclass(frozen=True, slots=True)
class RowSpace:
    """Cut rows that never fall with slip error.

    Each coordinate is the share of what is left up to `cut_max_pct` that the row climbs to the next knot, so
    every point of the cube is a row that rises and every rising row is a point.

    Parameters
    ----------
    slip_error_pct : float64[E]
        Breakpoints of the row [percentage points].
    knot : tuple[int, ...]
        Indices of the breakpoints that are knots, rising.
    cut_max_pct : float
        Largest cut that the controller may ask for [%].
    """

    slip_error_pct: FloatArray
    knot: tuple[int, ...]
    cut_max_pct: float

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the coordinates: one climb per knot."""
        return tuple(f"cut_climb_{self.slip_error_pct[i]:g}pct" for i in self.knot)

    def row(self, unit: FloatArray) -> FloatArray:
        """Cut [%] at every breakpoint, float64[E], at a point of the cube float64[J]."""
        left = np.cumprod(1.0 - fraction(unit))
        at_knots = self.cut_max_pct * (1.0 - left)
        cut = np.interp(self.slip_error_pct, self.slip_error_pct[list(self.knot)], at_knots)
        cut[: self.knot[0]] = 0.0
        return np.asarray(cut, dtype=np.float64)

    def unit(self, row_pct: FloatArray) -> FloatArray:
        """Coordinates of the rising row nearest from above to `row_pct`, float64[E] -> float64[J]."""
        rising = np.maximum.accumulate(np.clip(row_pct[list(self.knot)], 0.0, self.cut_max_pct))
        before = np.concatenate(([0.0], rising[:-1]))
        left = self.cut_max_pct - before
        # Where nothing is left to climb every share draws the same row; the middle is the calmest choice.
        share = np.where(left > 1e-9, (rising - before) / np.maximum(left, 1e-9), 0.5)
        return coordinate(share)


def row_space(slip_error_pct: FloatArray, cut_max_pct: float, knots: int = 7) -> RowSpace:
    """Space of cut rows with at most `knots` knots on the breakpoints.

    A breakpoint at a negative error always has no cut; then the one at zero has none either, because the
    controller draws a line between the two.
    """
    negative = bool(np.any(slip_error_pct < 0.0))
    free = np.flatnonzero(slip_error_pct > 0.0 if negative else slip_error_pct >= 0.0)
    picks = np.unique(np.round(np.linspace(0, free.size - 1, min(knots, free.size))).astype(int))
    return RowSpace(slip_error_pct, tuple(int(i) for i in free[picks]), cut_max_pct)


def with_row(pair: GridPair, gear: int, row_pct: FloatArray) -> GridPair:
    """Grid pair with the row of one gear replaced; the gear must have a row of its own."""
    cut = np.where((pair.cut.gear == gear)[:, None], row_pct[None, :], pair.cut.cut_pct)
    return GridPair(pair.target, CutGrid(pair.cut.slip_error_pct, pair.cut.gear, cut), pair.extra)


def with_target(pair: GridPair, target: TargetGrid) -> GridPair:
    """Grid pair with the target replaced."""
    return GridPair(target, pair.cut, pair.extra)


def rows_at(pair: GridPair, axes: GridPair) -> FloatArray:
    """Cut [%] of `pair` at the cells of `axes`, float64[G, E], as a controller would look it up."""
    error = axes.cut.slip_error_pct
    rows = [np.interp(error, pair.cut.slip_error_pct, pair.cut.row(int(gear))) for gear in axes.cut.gear]
    return np.where(error < pair.cut.slip_error_pct[0], 0.0, np.array(rows))


def on_axes(pair: GridPair, axes: GridPair) -> GridPair:
    """Grid pair resampled on the breakpoints and gears of `axes`."""
    speed = axes.target.speed_kmh
    cut = CutGrid(axes.cut.slip_error_pct, axes.cut.gear, rows_at(pair, axes))
    return GridPair(TargetGrid(speed, pair.target.at(speed)), cut, pair.extra)


def same_axes(one: GridPair, other: GridPair) -> bool:
    """Whether two pairs have the same breakpoints and gears."""
    return (
        np.array_equal(one.target.speed_kmh, other.target.speed_kmh)
        and np.array_equal(one.cut.slip_error_pct, other.cut.slip_error_pct)
        and np.array_equal(one.cut.gear, other.cut.gear)
    )


GENERIC_SPEED_KMH = (100.0, 200.0)
GENERIC_TARGET_PCT = (10.5, 8.5)
"""Target of the generic pair [%] against speed [km/h]."""

GENERIC_ERROR_PCT = (0.0, 5.0, 10.0, 20.0, 30.0)
GENERIC_CUT_PCT = ((15.0, 33.0, 52.0, 77.0, 92.0), (10.0, 27.0, 50.0, 75.0, 84.0))
"""Cut of the generic pair [%] against slip error [percentage points], in first gear and in all others."""

SCAN_TARGET_PCT = (3.0, 5.0, 7.0, 14.0, 20.0)
"""Targets that a search looks at before it begins [%]."""

SCAN_ROW_FACTOR = (0.4, 0.7, 1.5)
"""Rows that it looks at: shares of the generic one [1]."""


def generic(axes: GridPair, cut_max_pct: float = 100.0) -> GridPair:
    """Return the one pair that is decent on many cars, on the breakpoints of `axes`.

    Source
    ------
    Found by search over 160 invented cars (tests/benchmarks/one_pair.py) and smoothed; no published source.
    """
    space = row_space(axes.cut.slip_error_pct, cut_max_pct)
    first, other = (
        np.interp(space.slip_error_pct, GENERIC_ERROR_PCT, row, left=row[0]) for row in GENERIC_CUT_PCT
    )
    rows = np.where((axes.cut.gear == 1)[:, None], first, other)
    rows = np.asarray(np.round(np.minimum(rows, cut_max_pct)), dtype=np.float64)
    rows[:, : space.knot[0]] = 0.0
    speed = axes.target.speed_kmh
    slip = np.round(2.0 * np.interp(speed, GENERIC_SPEED_KMH, GENERIC_TARGET_PCT)) / 2.0
    target = TargetGrid(speed, slip)
    return GridPair(target, CutGrid(axes.cut.slip_error_pct, axes.cut.gear, rows), axes.extra)


def scanned(axes: GridPair, cut_max_pct: float = 100.0) -> tuple[list[GridPair], list[GridPair]]:
    """Return pairs to begin from: targets at `SCAN_TARGET_PCT`, and the generic row made milder and sharper."""
    known = generic(axes, cut_max_pct)
    speed = axes.target.speed_kmh
    targets = [with_target(known, TargetGrid(speed, np.full(speed.size, level))) for level in SCAN_TARGET_PCT]
    rows = []
    for factor in SCAN_ROW_FACTOR:
        cut = np.minimum(factor * known.cut.cut_pct, cut_max_pct)
        rows.append(
            GridPair(known.target, CutGrid(known.cut.slip_error_pct, known.cut.gear, cut), axes.extra)
        )
    return targets, rows


def blend(one: GridPair, other: GridPair, share: float) -> GridPair:
    """Return the pair between two on the same axes: `share` of the other; targets by their logarithm."""
    slip = one.target.slip_pct ** (1.0 - share) * other.target.slip_pct**share
    cut = (1.0 - share) * one.cut.cut_pct + share * other.cut.cut_pct
    target = TargetGrid(other.target.speed_kmh, slip)
    return GridPair(target, CutGrid(other.cut.slip_error_pct, other.cut.gear, cut), other.extra)
