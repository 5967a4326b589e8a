"""A made-up evaluator with a known optimum, so that the search is tested without any simulator."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from gridfit.grids import CutGrid, GridPair, TargetGrid
from gridfit.recovery import PART_INDEX, PARTS, Preference
from gridfit.search.moves import Resolution
from gridfit.search.objective import Judge
from gridfit.search.space import row_space, target_space
from gridfit.search.task import Task

SPEED = np.array([20.0, 30, 40, 50, 60, 80, 100, 130, 160, 200])
ERROR = np.array([0.0, 2, 5, 10, 15, 20, 30])
GEARS = np.arange(1.0, 5.0)
SEARCHED = (1, 2, 3)
PER_GEAR = 8
DRAWS = 6


def pair_of(slip, cut) -> GridPair:
    """Pair on the usual axes from one target value (or one per speed) and one row (or one per gear)."""
    slip = np.broadcast_to(np.asarray(slip, dtype=float), SPEED.shape)
    cut = np.broadcast_to(np.asarray(cut, dtype=float), (GEARS.size, ERROR.size))
    return GridPair(TargetGrid(SPEED, slip), CutGrid(ERROR, GEARS, cut))


START = pair_of(np.minimum(1500.0 / SPEED, 60.0), 25.0)


@dataclass
class Bowl:
    """Cost grows with the squared distance from a best pair, by draw; each scenario in its own gear."""

    best: GridPair
    scale: np.ndarray = field(default_factory=lambda: np.linspace(0.7, 1.4, DRAWS))
    played: int = 0
    calls: int = 0

    def __call__(self, grids: Sequence[GridPair], scenarios, draws):
        gear, scale = GEAR_OF[scenarios], self.scale[draws]
        parts = np.zeros((len(grids), scenarios.size, len(PARTS)))
        for c, pair in enumerate(grids):
            off = np.mean(np.log(pair.target.at(SPEED) / self.best.target.at(SPEED)) ** 2)
            for g in np.unique(gear):
                row = np.mean(((pair.cut.row(g) - self.best.cut.row(g)) / 30.0) ** 2)
                parts[c, gear == g, PART_INDEX["drive_lost_kmh"]] = 1.0 + (row + off) * scale[gear == g]
        parts[..., PART_INDEX["jerk_rms"]] = 0.2 / parts[..., PART_INDEX["drive_lost_kmh"]]
        self.played += parts[..., 0].size
        self.calls += 1
        return parts


GEAR_OF = np.repeat(np.array(SEARCHED, dtype=np.int64), PER_GEAR)


def judge_of(evaluate, *, soft=False) -> Judge:
    return Judge(evaluate, GEAR_OF, Preference(), soft=soft)


def task_of(evaluate, start=START, guess=None) -> Task:
    return Task(
        judge=judge_of(evaluate),
        n_draws=DRAWS,
        n_standard=GEAR_OF.size,
        speed_range_kmh=(20.0, 110.0),
        axes=START,
        start=start,
        common=START,
        resolution=Resolution(1.0, 100.0),
        guess=guess,
    )


def reachable_best() -> GridPair:
    """A pair that the shape spaces can draw exactly."""
    target = target_space(SPEED, 20.0, 110.0).grid(np.array([0.35, 0.3, 0.5, 0.2]))
    rows = row_space(ERROR, 100.0)
    climbs = [np.array([0.2, 0.3, 0.25, 0.4, 0.3, 0.5, 0.3]) + 0.05 * g for g in range(3)]
    cut = [*(rows.row(climb) for climb in climbs), np.full(ERROR.size, 20.0)]
    return pair_of(target.slip_pct, np.array(cut))
