"""Candidates x scenarios x draws -> parts of the score; alone knows the kernel's layout of grids."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.grids import GridPair
from gridfit.recovery import WINDOW_S
from gridfit.simulate import kernel
from gridfit.simulate.packing import gear_rows_of, loop_row, pack
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


def run(*inputs: Floats | NDArray[np.int64], threads: int | None = None) -> Floats:
    """Simulate every candidate in every scenario on every draw.

    Parameters
    ----------
    inputs
        From `scen` to `ec`, as in `kernel.run_blocks`.
    threads : int, optional
        As in `threads.spread`.

    Returns
    -------
    float64[D, C, N, M]
        Parts of the score.
    """
    scenarios, cars, targets = inputs[0], inputs[2], inputs[7]
    n_scenarios, n_draws, n_candidates = len(scenarios), len(cars), len(targets)
    out = np.zeros((n_draws, n_candidates, n_scenarios, kernel.N_PARTS))
    unwatched = np.zeros((0, 0, 4))
    per_draw = -(-n_scenarios * n_candidates // kernel.LANES)
    spread(
        lambda begin, end: kernel.run_blocks(begin, end, *inputs, out, unwatched), n_draws * per_draw, threads
    )
    return out


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
        self._rows = pack(sheet, plant.draws)
        self._loop = loop_row(sheet, self._rows.rpm_step, step_s=step_s, window_s=window_s)
        self._gear_of = gear_rows_of(scenarios.gear, self.n_gears)

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
        at = np.arange(len(self.scenarios)) if index is None else np.asarray(index, dtype=np.int64)
        n = len(self.plant) if draws is None else draws
        use = np.arange(min(n, len(self.plant))) if isinstance(n, int) else np.asarray(n, dtype=np.int64)
        rows = self._rows
        inputs = (
            self.scenarios.values[at], self._gear_of[at], rows.car[use], rows.gears[use], rows.friction[use],
            rows.torque[use], self._loop, *grid_rows(pairs, self.n_gears),
        )  # fmt: skip
        out = run(*inputs, threads=self.threads)
        return np.ascontiguousarray(np.transpose(out, (1, 2, 0, 3)))


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
