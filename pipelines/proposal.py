"""What propose and refine share: budgets of the search, files of a proposal, scores, example episodes."""

from collections.abc import Mapping
from dataclasses import replace
from io import BytesIO

import numpy as np
import pandas as pd

from gridfit.carsheet import CarSheet
from gridfit.errors import check_name
from gridfit.estimate import Estimate
from gridfit.grids import GridPair
from gridfit.preferences import to_toml
from gridfit.recovery import Preference, episode_cost
from gridfit.search.budget import SAMPLER, Budget
from gridfit.search.result import SearchResult
from gridfit.search.samplers import SAMPLERS
from gridfit.simulate.batch import Simulator
from gridfit.simulate.courses import Course, courses
from gridfit.simulate.parameters import Plant
from gridfit.simulate.scenarios import Scenarios
from pipelines.partnames import COST, PART_LABELS
from pipelines.plain import to_json
from pipelines.record import Candidate
from pipelines.report.figures_traces import Example, Response

BUDGETS: dict[str, Budget] = {
    "quick": Budget(
        rounds=2,
        starts=1,
        joint_starts=1,
        joint_trials=240,
        front_trials=8,
        front_pairs=6,
        search_draws=32,
        polish_draws=64,
        polish_passes=1,
    ),
    "normal": Budget(),
    "long": Budget(
        rounds=8,
        starts=4,
        trials_per_gear=48,
        trials_target=48,
        joint_starts=4,
        joint_trials=800,
        front_trials=64,
        polish_passes=4,
    ),
}
"""How much a search may try, by the name that --budget takes."""

PROBLEM_SEED = 1
"""Seed of plant and scenarios: they are the same whatever --seed says, which only moves the search."""

CELL_COLUMNS = (
    "grid", "gear", "breakpoint", "before_pct", "after_pct", "episodes", "time_s", "basis", "gain", "reason",
)  # fmt: skip
"""Columns of cells.csv."""

FEWER_ROUNDS = 4
"""Rounds of a search are so many times fewer where there are no logs: none but in the long one."""

EXAMPLE_KINDS = ("stab", "roll-on", "damp patch", "upshift")
"""Kinds of scenario to show, in the order of preference."""

EXAMPLE_RANK = 0.75
"""Place of an example among its kind, by its cost before [1]."""


def budget(name: str, sampler: str = SAMPLER) -> Budget:
    """Return the budget of that name with that sampler.

    Raises
    ------
    CallError
        There is no such budget, or no such sampler.
    """
    check_name("--sampler", "sampler", sampler, SAMPLERS)
    check_name("--budget", "budget", name, BUDGETS)
    return replace(BUDGETS[name], sampler=sampler)


def first_budget(name: str, sampler: str = SAMPLER) -> Budget:
    """Return the budget of that name for a car without logs: fewer rounds, and half the polish.

    The law of the car's own figures begins where the rounds would end. On draws as wide as the prior's more of either
    gains nothing on a true car, and what one seed of the rounds finds another does not.

    Raises
    ------
    CallError
        As in `budget`.
    """
    usual = budget(name, sampler)
    return replace(usual, rounds=usual.rounds // FEWER_ROUNDS, polish_passes=(usual.polish_passes + 1) // 2)


def grid_files(pair: GridPair, sheet: CarSheet) -> dict[str, str | bytes]:
    """Return grids.json and the two tables in the car's unit of speed."""
    target, cut = pair.to_csv(sheet.controller.units)
    return {"grids.json": to_json(pair.to_dict()), "target.csv": target, "cut.csv": cut}


def preference_file(weights: Preference) -> dict[str, str | bytes]:
    """Return the weights that were used, ready to be edited and given back."""
    return {"preference.toml": to_toml(weights)}


def proposal_files(result: SearchResult, sheet: CarSheet, weights: Preference) -> dict[str, str | bytes]:
    """Return the files of a proposal: grids, why each cell moved, other choices, every trial, the weights."""
    cells = pd.DataFrame(
        [
            {
                "grid": note.grid,
                "gear": note.gear,
                "breakpoint": note.breakpoint,
                "before_pct": note.before_pct,
                "after_pct": note.after_pct,
                "episodes": note.episodes,
                "time_s": note.time_s,
                "basis": note.basis,
                "gain": None if note.gain is None else note.gain.mean,
                "reason": note.reason,
            }
            for note in result.cells
        ],
        columns=list(CELL_COLUMNS),
    )
    choices = [
        {"figures": row, "grids": pair.to_dict()}
        for row, pair in zip(result.front.table.to_dict("records"), result.front.pairs, strict=True)
    ]
    return {
        **grid_files(result.best, sheet),
        **preference_file(weights),
        "cells.csv": cells.to_csv(index=False),
        "choices.json": to_json(choices),
        "history.parquet": parquet(result.history),
    }


def parquet(table: pd.DataFrame) -> bytes:
    """Return a table as the bytes of a Parquet file."""
    stream = BytesIO()
    table.to_parquet(stream, index=False)
    return stream.getvalue()


def scores(result: SearchResult) -> dict[str, dict[str, Estimate]]:
    """Return the parts of the score before and after, and those of one good pair for every car."""
    costs = {"before": result.cost_start, "after": result.cost_best, "one for every car": result.cost_generic}
    names = {"before": "start", "after": "proposal", "one for every car": "generic"}
    return {label: {COST: costs[label], **_parts(result.parts, names[label], 0)} for label in names}


def scores_by_gear(result: SearchResult, part: str) -> dict[int, tuple[Estimate, Estimate]]:
    """Return a part of the score before and after, gear by gear."""
    return {
        gear: (_parts(result.parts, "start", gear)[part], _parts(result.parts, "proposal", gear)[part])
        for gear in result.gears
    }


def candidates(result: SearchResult) -> tuple[Candidate, ...]:
    """Return the calmest and the sharpest pair that were kept, for the tracked run."""
    table = result.front.table
    on_front = table[table["on_front"]]
    if on_front.empty:
        return ()
    picks = {"calmest kept": "roughness", "sharpest kept": "drive_lost_kmh"}
    figures = on_front[["cost", "drive_lost_kmh", "roughness", "jerk_rms", "reslips"]].to_dict("records")
    kept = []
    for name, by in picks.items():
        best = min(figures, key=lambda row: float(row[by]))
        kept.append(Candidate(name, {str(key): float(value) for key, value in best.items()}))
    return tuple(kept)


def examples(
    sheet: CarSheet,
    scenarios: Scenarios,
    plant: Plant,
    pairs: tuple[GridPair, GridPair],
    weights: Preference,
    *,
    count: int = 2,
) -> list[Example]:
    """Return typical episodes under two grid pairs, simulated on the plant's mean.

    Parameters
    ----------
    sheet : CarSheet
    scenarios : Scenarios
    plant : Plant
    pairs : (GridPair, GridPair)
        Before and after.
    weights : Preference
    count : int
        How many.

    Returns
    -------
    list of Example
        One per kind of scenario: one of the harder of its kind, but not the hardest.
    """
    mean = replace(
        plant, draws=plant.mean()[None, :], grip=plant.grip[:1] * 0 + 1.0, slip=plant.slip[:1] * 0 + 1.0
    )
    cost = episode_cost(Simulator(sheet, scenarios, mean).parts(pairs[:1]), weights)[0, :, 0]
    chosen: list[int] = []
    for kind in (*EXAMPLE_KINDS, *dict.fromkeys(scenarios.kind)):
        own = np.flatnonzero([each == kind for each in scenarios.kind])
        if own.size and len(chosen) < count:
            position = int(own[np.argsort(cost[own], kind="stable")[int(EXAMPLE_RANK * own.size)]])
            if position not in chosen:
                chosen.append(position)
    return [
        Example(scenarios.label(at), *map(_response, courses(sheet, pairs, scenarios, at, mean)))
        for at in chosen
    ]


def _response(course: Course) -> Response:
    return Response(course.time_s, course.slip_pct, course.target_pct, course.cut_pct, course.speed_kmh)


def _parts(table: pd.DataFrame, pair: str, gear: int) -> Mapping[str, Estimate]:
    rows = table[(table["pair"] == pair) & (table["gear"] == gear)]
    return {
        str(row["part"]): Estimate(row["mean"], row["lo"], row["hi"])
        for row in rows.to_dict("records")
        if row["part"] in PART_LABELS
    }
