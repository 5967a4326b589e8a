"""The last look at every changed cell: what it rests on, whether it stays, and the rows nobody could test."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from gridfit.estimate import Estimate
from gridfit.grids import CutGrid, GridPair, TargetGrid
from gridfit.search.blocks import Bench, Incumbent
from gridfit.search.space import on_axes, with_row, with_target
from gridfit.search.support import ENOUGH_EPISODES, Support

FloatArray = NDArray[np.float64]


AGREE = 0.75
"""Share of the plant's draws that must say that a change without enough episodes helps [1]."""

LOOK_PER_GEAR = 8
"""Scenarios of a gear that each draw meets where the reasons of changes are only told, not acted on."""

GIVE_BACK, GIVE_BACK_COST = 0.03, 0.002
"""Shares of the gain over the grids in force, and of the cost, that taking changes back may cost [1]."""


@dataclass(frozen=True, slots=True)
class CellNote:
    """One cell that changed, or that was kept on purpose.

    Parameters
    ----------
    grid : str
        "target" or "cut".
    gear : int or None
        Gear of a cut cell.
    breakpoint : float
        Speed [km/h] of a target cell, slip error [percentage points] of a cut cell.
    before_pct, after_pct : float
        Value in the grids in force and in the proposal [%].
    episodes : int
        Episodes that passed through the cell.
    time_s : float
        Time that they spent there [s].
    basis : str
        "data", "prior" (no or few episodes), "held" (kept, or moved only with its neighbours) or "copied" (a gear
        without test).
    gain : Estimate or None
        How much the cost would rise if this cell alone went back, over the plant's draws.
    reason : str
        The above in words.
    """

    grid: str
    gear: int | None
    breakpoint: float
    before_pct: float
    after_pct: float
    episodes: int
    time_s: float
    basis: str
    gain: Estimate | None
    reason: str


@dataclass(frozen=True, slots=True)
class Change:
    """A cell that differs from the grids in force, with what taking it back would cost, draw by draw."""

    gear: int | None
    index: int
    episodes: int
    time_s: float
    gain: Estimate
    agree: float

    @property
    def supported(self) -> bool:
        """Whether enough episodes passed through, or most draws of the plant say that the change helps."""
        return self.episodes >= ENOUGH_EPISODES or self.agree >= AGREE


def fill_untested(pair: GridPair, gears: Sequence[int]) -> GridPair:
    """Return the pair with each gear outside `gears` on the row of the nearest inside (the lower of two)."""
    known = np.asarray(sorted(gears))
    source = [int(known[np.abs(known - gear).argmin()]) for gear in pair.cut.gear]
    rows = np.array([pair.cut.row(gear) for gear in source])
    return GridPair(pair.target, CutGrid(pair.cut.slip_error_pct, pair.cut.gear, rows), pair.extra)


def gear_order(pair: GridPair, gears: Sequence[int], allowance_pct: float = 1.0) -> list[str]:
    """Say where a higher gear asks for more cut than the one below it, against the usual order.

    Source: common practice, no source: lower gears need more cut, since the gearbox multiplies torque.
    """
    said = []
    for low, high in pairwise(gears):
        more = float(np.mean(pair.cut.row(high) - pair.cut.row(low)))
        if more > allowance_pct:
            said.append(
                f"Gear {high} asks for more cut than gear {low} ({more:.0f} points on average), against the "
                f"usual order in which lower gears need more."
            )
    return said


def _reverted(after: FloatArray, before: FloatArray, index: int, sign: float) -> FloatArray:
    """`after` with one cell taken back and its neighbours pushed along, so that the order (sign) holds."""
    value = before[index]
    moved = sign * after
    moved[index] = sign * value
    moved[:index] = np.minimum(moved[:index], sign * value)
    moved[index + 1 :] = np.maximum(moved[index + 1 :], sign * value)
    return np.asarray(sign * moved, dtype=np.float64)


def _gains(bench: Bench, at: Incumbent, pairs: list[GridPair], gear: int | None) -> FloatArray:
    """Return what taking each change back would add to the cost, draw by draw, float64[C, D]."""
    if not pairs:
        return np.empty((0, 1))
    played, _ = bench.costs(pairs, gear, at)
    rise = bench.judge.cost_draws(played) - bench.judge.cost_draws(at.played)
    return np.asarray(rise, dtype=np.float64)


def changes(
    bench: Bench, at: Incumbent, before: GridPair, support: Support | None, gears: Sequence[int]
) -> list[Change]:
    """Cells of the searched gears and the target that differ from `before`, each with its gain."""
    found = []
    for gear in (*gears, None):
        if gear is None:
            new, old = at.pair.target.slip_pct, before.target.slip_pct
            counts = None if support is None else (support.target_episodes, support.target_time_s)
        else:
            new, old = at.pair.cut.row(gear), before.cut.row(gear)
            row = int(np.flatnonzero(before.cut.gear == gear)[0])
            counts = None if support is None else (support.cut_episodes[row], support.cut_time_s[row])
        cells = np.flatnonzero(np.abs(new - old) > 1e-9)
        pairs = []
        for i in cells:
            sign = -1.0 if gear is None else 1.0
            back = _reverted(new, old, int(i), sign)
            if gear is None:
                pairs.append(with_target(at.pair, TargetGrid(at.pair.target.speed_kmh, back)))
            else:
                pairs.append(with_row(at.pair, gear, back))
        for i, gain in zip(cells, _gains(bench, at, pairs, gear), strict=True):
            episodes, time_s = (0, 0.0) if counts is None else (int(counts[0][i]), float(counts[1][i]))
            agree = float(np.mean(gain > 0.0))
            found.append(Change(gear, int(i), episodes, time_s, Estimate.from_draws(gain), agree))
    return found


def hold(pair: GridPair, before: GridPair, held: Sequence[Change]) -> GridPair:
    """Return the pair with these cells back at `before`, as near as the order of rows and target allows."""
    target = pair.target.slip_pct.copy()
    rows = {int(gear): pair.cut.row(int(gear)).copy() for gear in pair.cut.gear}
    for change in held:
        if change.gear is None:
            target[change.index] = before.target.slip_pct[change.index]
        else:
            rows[change.gear][change.index] = before.cut.row(change.gear)[change.index]
    if np.all(np.diff(pair.target.slip_pct) <= 0.0):
        target = np.minimum.accumulate(target)
    cut = np.maximum.accumulate(np.array(list(rows.values())), axis=1)
    return GridPair(
        TargetGrid(pair.target.speed_kmh, target),
        CutGrid(pair.cut.slip_error_pct, pair.cut.gear, cut),
        pair.extra,
    )


def _silent(gain: Estimate) -> bool:
    return max(abs(gain.lo), abs(gain.hi)) < 5e-4


def _rise(gain: Estimate) -> str:
    if _silent(gain):
        return "by itself it changes nothing; it keeps the curve in order"
    return (
        f"taking it back alone would change the cost by {gain.mean:+.3f} ({gain.lo:+.3f} to {gain.hi:+.3f})"
    )


def _held(moved: bool) -> str:
    return "moved only as far as its neighbours ask" if moved else "kept as it was"


def _reason(change: Change, basis: str, logs: bool, moved: bool) -> str:
    count = f"{change.episodes} episode{'' if change.episodes == 1 else 's'} passed here"
    seen = count if change.episodes else "no episode passed here"
    if basis == "held" and _silent(change.gain):
        return f"{seen}, and a change shows in no scenario: {_held(moved)}"
    if basis == "held":
        return f"{seen}, and the plants that fit disagree on whether a change helps: {_held(moved)}"
    if basis == "data":
        return f"{seen}; {_rise(change.gain)}"
    source = f"{seen}, so this rests on the prior" if logs else "rests on the car sheet alone"
    return f"{source}; {_rise(change.gain)}"


def _note(change: Change, pair: GridPair, before: GridPair, basis: str, logs: bool) -> CellNote:
    if change.gear is None:
        grid, axis = "target", pair.target.speed_kmh
        old, new = before.target.slip_pct, pair.target.slip_pct
    else:
        grid, axis = "cut", pair.cut.slip_error_pct
        old, new = before.cut.row(change.gear), pair.cut.row(change.gear)
    i = change.index
    return CellNote(
        grid, change.gear, float(axis[i]), float(old[i]), float(new[i]), change.episodes, change.time_s,
        basis, change.gain, _reason(change, basis, logs, abs(new[i] - old[i]) > 1e-9),
    )  # fmt: skip


def copied_notes(pair: GridPair, before: GridPair, gears: Sequence[int]) -> list[CellNote]:
    """Make notes for the rows that copy another gear's because theirs cannot break traction."""
    notes = []
    known = np.asarray(sorted(gears))
    for gear in (int(g) for g in pair.cut.gear if int(g) not in set(gears)):
        source = int(known[np.abs(known - gear).argmin()])
        reason = f"gear {gear} cannot break traction in any scenario: copies gear {source}, prior only"
        old, new = before.cut.row(gear), pair.cut.row(gear)
        notes += [
            CellNote("cut", gear, float(e), float(o), float(n), 0, 0.0, "copied", None, reason)
            for e, o, n in zip(pair.cut.slip_error_pct, old, new, strict=True)
            if abs(o - n) > 1e-9
        ]
    return notes


def _take_back(
    jury: Bench, pair: GridPair, before: GridPair, held: list[Change]
) -> tuple[GridPair, list[Change]]:
    """Take back as many of the changes, from the first on, as cost next to nothing of the gain."""
    backs = [hold(pair, before, held[: n + 1]) for n in range(len(held))]
    old, whole, *costs = (at.cost for at in jury.stands([before, pair, *backs]))
    most = whole + min(GIVE_BACK * max(0.0, old - whole), GIVE_BACK_COST * whole)
    fine = np.flatnonzero(np.array(costs) <= most)
    n = int(fine[-1]) + 1 if fine.size else 0
    return [pair, *backs][n], held[:n]


def settle(
    bench: Bench,
    at: Incumbent,
    start: GridPair,
    support: Support | None,
    gears: Sequence[int],
    jury: Bench | None = None,
) -> tuple[Incumbent, tuple[CellNote, ...]]:
    """Take back what nothing supports, and say of every changed cell what it rests on.

    A cell without enough episodes keeps its change only if most draws of the plant say that the change
    helps. The others go back, those that gain least first, as long as that costs next to nothing of the
    gain. Without logs (`support` None) everything rests on the prior and stays.

    Parameters
    ----------
    bench : Bench
        Judge at the final fidelity.
    at : Incumbent
        The polished pair.
    start : GridPair
        Grids in force.
    support : Support or None
        On the axes of the pair.
    gears : sequence of int
        Gears that were searched.
    jury : Bench, optional
        Where the cost of taking changes back is judged; `bench` if left out.

    Returns
    -------
    Incumbent
        The pair to propose.
    tuple of CellNote
    """
    before = on_axes(start, at.pair)
    if support is None:
        look = bench.dealt(LOOK_PER_GEAR)
        found = changes(look, look.stand(at.pair), before, support, gears)
    else:
        found = changes(bench, at, before, support, gears)
    held = [] if support is None else [change for change in found if not change.supported]
    held.sort(key=lambda change: change.gain.mean)
    if held:
        pair, held = _take_back(jury or bench, at.pair, before, held)
        at = bench.stand(pair)
    notes = []
    for change in found:
        data = support is not None and change.episodes >= ENOUGH_EPISODES
        basis = "held" if change in held else "data" if data else "prior"
        notes.append(_note(change, at.pair, before, basis, support is not None))
    return at, tuple(notes)
