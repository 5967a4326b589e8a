"""Candidates x scenarios x draws -> parts of the score; alone knows the kernel's layout of grids."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.grids import GridPair
from gridfit.recovery import WINDOW_S
from gridfit.simulate import kernel
from gridfit.simulate.packing import gear_rows_of, loop_row, pack, steps_per_cycle
from gridfit.simulate.parameters import Floats, Plant
from gridfit.simulate.scenarios import Scenarios
from gridfit.simulate.threads import spread

SEARCH_STEP_S = 0.0025
"""Largest time step of a search [s]."""
VERIFY_STEP_S = 0.001
"""Largest time step of a reported score [s]."""


def _pad(rows: list[Floats], step: float) -> Floats:
    """Stack rows of different lengths, going on by `step` past each row's end (0 repeats its last value)."""
    width = max(row.size for row in rows)
    out = np.empty((len(rows), width))
    for i, row in enumerate(rows):
        out[i, : row.size] = row
        out[i, row.size :] = row[-1] + step * np.arange(1, width - row.size + 1)
    return out


def grid_rows(pairs: Sequence[GridPair], n_gears: int) -> tuple[Floats, Floats, Floats, Floats]:
    """Lay grid pairs out for the kernel.

    Returns
    -------
    target_kmh : float64[C, K]
    target_pct : float64[C, K]
    error_pct : float64[C, E]
    cut_pct : float64[C, G, E]
        A gear without a row has the nearest row.
    """
    rows = [np.array([p.cut.row(g) for g in range(1, n_gears + 1)]) for p in pairs]
    error = _pad([p.cut.slip_error_pct for p in pairs], 1e6)
    cut = np.empty((len(pairs), n_gears, error.shape[1]))
    for i, row in enumerate(rows):
        cut[i, :, : row.shape[1]] = row
        cut[i, :, row.shape[1] :] = row[:, -1:]
    target = _pad([p.target.speed_kmh for p in pairs], 1e6), _pad([p.target.slip_pct for p in pairs], 0.0)
    return target[0], target[1], error, cut


def blocks_of(draws: NDArray[np.intp], n_candidates: int, lanes: int = kernel.LANES) -> NDArray[np.int64]:
    """Return the kernel's blocks of lanes: first lane and lanes of each, all of one draw, int64[B, 2].

    Parameters
    ----------
    draws : intp[P]
        Draw of every play, all plays of a draw together.
    n_candidates : int
    lanes : int
        Most lanes of a block.
    """
    begins = np.flatnonzero(np.diff(draws, prepend=-1)) * n_candidates
    lengths = np.diff(begins, append=draws.size * n_candidates)
    counts = -(-lengths // lanes)
    within = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    first = np.repeat(begins, counts) + lanes * within
    ends = np.repeat(begins + lengths, counts)
    return np.column_stack([first, np.minimum(lanes, ends - first)]).astype(np.int64)


def run(
    draws: NDArray[np.intp],
    scenarios: NDArray[np.intp],
    *inputs: NDArray[Any],
    threads: int | None = None,
    course: Floats | None = None,
) -> Floats:
    """Simulate every candidate in every play.

    Parameters
    ----------
    draws, scenarios : intp[P]
        Draw and scenario of every play, all plays of a draw together.
    inputs
        From `scen` to `ec`, as in `kernel.run_blocks`.
    threads : int, optional
        As in `threads.spread`.
    course : float64[P * C, T, 4], optional
        Filled as `kernel.run_blocks` tells it, block after block; then one thread does all.

    Returns
    -------
    float64[P, C, M]
        Parts of the score.
    """
    n_candidates = len(inputs[7])
    plays = np.column_stack([draws, scenarios]).astype(np.int64)
    blocks = blocks_of(draws, n_candidates)
    floats = [a if a.dtype == np.int64 else np.ascontiguousarray(a, dtype=kernel.FLOAT) for a in inputs]
    out = np.zeros((len(plays), n_candidates, kernel.N_PARTS), dtype=kernel.FLOAT)
    unwatched = np.zeros((0, 0, 4), dtype=kernel.FLOAT)
    if course is None:
        spread(
            lambda begin, end: kernel.run_blocks(begin, end, blocks, plays, *floats, out, unwatched),
            len(blocks), threads,
        )  # fmt: skip
        return out.astype(np.float64)
    watched = np.zeros((kernel.LANES, *course.shape[1:]), dtype=kernel.FLOAT)
    for block, (first, count) in enumerate(blocks):
        watched[:] = 0.0
        kernel.run_blocks(block, block + 1, blocks, plays, *floats, out, watched)
        course[first : first + count] = watched[:count]
    return out.astype(np.float64)


def kernel_inputs(
    sheet: CarSheet, scenarios: Scenarios, draws: Floats, *, step_s: float, window_s: float = WINDOW_S
) -> tuple[NDArray[Any], ...]:
    """Return the arguments of the kernel from `scen` to `loop`, its floats of the width it computes in."""
    rows = pack(sheet, draws)
    loop = loop_row(sheet, rows.rpm_step, step_s=step_s, window_s=window_s)
    gear_of = gear_rows_of(scenarios.gear, len(sheet.gearbox.ratios))
    car = (rows.car, rows.gears, rows.friction, rows.torque, loop)
    values, *floats = (np.ascontiguousarray(a, dtype=kernel.FLOAT) for a in (scenarios.values, *car))
    return values, gear_of, *floats


class Simulator:
    """A car's plant and scenarios, packed once and simulated for any number of grid pairs.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    scenarios : Scenarios
        N scenarios.
    plant : Plant
        D draws.
    step_s : float
        Largest time step [s].
    window_s : float
        Length of the scored window [s].
    threads : int, optional
        Threads of a call; one per core if left out.
    """

    def __init__(
        self,
        sheet: CarSheet,
        scenarios: Scenarios,
        plant: Plant,
        *,
        step_s: float = SEARCH_STEP_S,
        window_s: float = WINDOW_S,
        threads: int | None = None,
    ) -> None:
        self.scenarios = scenarios
        self.plant = plant
        self.threads = threads
        self.n_gears = len(sheet.gearbox.ratios)
        # the kernel's own has fewer digits
        self._step_s = 1.0 / (sheet.controller.loop_hz * steps_per_cycle(sheet, step_s))
        self._inputs = kernel_inputs(sheet, scenarios, plant.draws, step_s=step_s, window_s=window_s)

    def parts(
        self,
        pairs: Sequence[GridPair],
        index: Sequence[int] | None = None,
        draws: int | Sequence[int] | None = None,
    ) -> Floats:
        """Score grid pairs.

        Parameters
        ----------
        pairs : sequence of GridPair
            C candidates.
        index : sequence of int, optional
            Positions of the scenarios to use; all if left out.
        draws : int or sequence of int, optional
            Use the first so many draws only, or the draws at these positions.

        Returns
        -------
        float64[C, N, D, M]
            Parts of the score in the order of `gridfit.recovery.PARTS`.
        """
        at = np.arange(len(self.scenarios)) if index is None else np.asarray(index, dtype=np.intp)
        n = len(self.plant) if draws is None else draws
        use = np.arange(min(n, len(self.plant))) if isinstance(n, int) else np.asarray(n, dtype=np.intp)
        # by position among those asked for, since a draw may be asked for twice
        played = self.play(pairs, np.tile(at, use.size), np.repeat(use, at.size))
        shaped = played.reshape(len(pairs), use.size, at.size, -1)
        return np.ascontiguousarray(np.transpose(shaped, (0, 2, 1, 3)))

    def play(self, pairs: Sequence[GridPair], scenarios: NDArray[np.intp], draws: NDArray[np.intp]) -> Floats:
        """Play grid pairs on scenarios and draws, one by one.

        Parameters
        ----------
        pairs : sequence of GridPair
            C candidates.
        scenarios, draws : intp[P]
            Scenario and draw of each play, all plays of a draw together.

        Returns
        -------
        float64[C, P, M]
            Parts of the score in the order of `gridfit.recovery.PARTS`.
        """
        out = run(draws, scenarios, *self._inputs, *grid_rows(pairs, self.n_gears), threads=self.threads)
        return np.ascontiguousarray(np.transpose(out, (1, 0, 2)))

    def watch(
        self, pairs: Sequence[GridPair], scenarios: NDArray[np.intp], draws: NDArray[np.intp]
    ) -> tuple[Floats, Floats]:
        """Play as `play` does and return what happens on the way, in one thread.

        Returns
        -------
        time_s : float64[T]
            Times after each step, 0 at the disturbance [s].
        states : float64[P, C, T, 4]
            Vehicle and driven speed [m/s], cut [1] and target [%]; 0 after a block's windows have ended.
        """
        loop = self._inputs[-1]
        before, after = int(loop[kernel.L_BEFORE]), int(loop[kernel.L_AFTER])
        states = np.zeros((scenarios.size * len(pairs), before + after, 4))
        run(draws, scenarios, *self._inputs, *grid_rows(pairs, self.n_gears), course=states)
        time_s = np.asarray((np.arange(before + after) - before + 1) * self._step_s, dtype=np.float64)
        return time_s, states.reshape(scenarios.size, len(pairs), before + after, 4)


def evaluate(
    sheet: CarSheet,
    pairs: Sequence[GridPair],
    scenarios: Scenarios,
    plant: Plant,
    *,
    step_s: float = SEARCH_STEP_S,
) -> Floats:
    """Score grid pairs once: parts[C, N, D, M]; see `Simulator` for repeated use."""
    return Simulator(sheet, scenarios, plant, step_s=step_s).parts(pairs)
