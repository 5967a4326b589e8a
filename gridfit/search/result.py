"""What a search hands back: the proposal beside what it is measured against, judged in full."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import optuna
import pandas as pd
from numpy.typing import NDArray

from gridfit.estimate import Estimate
from gridfit.grids import GridPair
from gridfit.search.blocks import Bench
from gridfit.search.ledger import PART_NAMES
from gridfit.search.moves import Resolution
from gridfit.search.pareto import Front, front
from gridfit.search.rounds import Course
from gridfit.search.settle import CellNote, copied_notes, fill_untested, gear_order
from gridfit.search.space import on_axes

FloatArray = NDArray[np.float64]

SHRINKS = 0.6
"""A gain on unseen draws below this share of the gain on seen ones is said to be over-tuned [1]."""


@dataclass(frozen=True, slots=True)
class SearchResult:
    """What a search found, with what it rests on.

    Parameters
    ----------
    best, start, generic : GridPair
        Proposal, grids that it started from, and the one pair that is decent on many cars.
    cost_best, cost_start, cost_generic : Estimate
        Cost under the plant's draws, jumps and all.
    gain : Estimate
        Cost of the start less cost of the proposal, draw by draw.
    draws_best, draws_start, draws_generic : float64[D]
        The costs behind the estimates.
    parts : DataFrame
        Mean and interval of each part for the three pairs: pair, gear (0 = all), part, mean, lo, hi.
    parts_best : float64[N, D, M]
        Parts of the proposal on every scenario and draw.
    front : Front
        Drive lost against roughness.
    history : DataFrame
        Every trial.
    studies : dict of str to optuna.Study
        The studies by name, to store.
    cells : tuple of CellNote
        Every cell that changed, with its reason and support.
    gears : tuple of int
        Gears that were searched; the others copy the nearest.
    findings : tuple of str
        What a person should know about this result.
    """

    best: GridPair
    start: GridPair
    generic: GridPair
    cost_best: Estimate
    cost_start: Estimate
    cost_generic: Estimate
    gain: Estimate
    draws_best: FloatArray
    draws_start: FloatArray
    draws_generic: FloatArray
    parts: pd.DataFrame
    parts_best: FloatArray
    front: Front
    history: pd.DataFrame
    studies: dict[str, optuna.Study] = field(repr=False)
    cells: tuple[CellNote, ...]
    gears: tuple[int, ...]
    findings: tuple[str, ...]


def part_table(parts: FloatArray, gear: NDArray[np.int64], name: str) -> pd.DataFrame:
    """Mean and 90 % interval over draws of every part, for all scenarios (gear 0) and for each gear.

    Parameters
    ----------
    parts : float64[N, D, M]
    gear : int64[N]
    name : str
        Name of the pair.
    """
    rows = []
    for g in (0, *(int(one) for one in np.unique(gear))):
        own = parts if g == 0 else parts[gear == g]
        for m, part in enumerate(PART_NAMES):
            e = Estimate.from_draws(own[..., m].mean(axis=0))
            rows.append({"pair": name, "gear": g, "part": part, "mean": e.mean, "lo": e.lo, "hi": e.hi})
    return pd.DataFrame(rows)


def overtuned(gain: FloatArray, seen: int) -> list[str]:
    """Say so where the gain float64[D] on draws that the search did not see falls short of the others."""
    if gain.size <= seen or gain[:seen].mean() <= 0.0:
        return []
    share = float(gain[seen:].mean() / gain[:seen].mean())
    if share >= SHRINKS:
        return []
    return [
        f"On draws of the plant that the search did not see the gain is {100 * share:.0f} % of the gain on "
        f"those that it saw: the proposal is tuned too closely to single draws."
    ]


def findings(course: Course, pair: GridPair, gears: Sequence[int], gain: FloatArray) -> tuple[str, ...]:
    """Return what a person should know about the proposal."""
    said = gear_order(pair, gears)
    copied = [int(g) for g in pair.cut.gear if int(g) not in set(gears)]
    if copied:
        names = ", ".join(map(str, copied))
        said.append(f"No scenario breaks traction in gear {names}: the row copies the nearest searched gear.")
    worse = int(np.sum(gain < 0.0))
    if worse:
        said.append(f"In {worse} of {gain.size} draws of the plant the proposal costs more than the start.")
    if not np.any(gain != 0.0):
        said.append("Nothing that was tried beats the start under this plant; it is handed back unchanged.")
    return tuple(said + overtuned(gain, course.budget.search_draws))


def _front(
    course: Course,
    final: Bench,
    named: dict[str, GridPair],
    resolution: Resolution,
    gears: Sequence[int],
    axes: GridPair,
) -> Front:
    tried = [on_axes(pair, axes) for pair in course.ledger.front_candidates(course.budget.front_pairs)]
    pairs = [*named.values(), *(fill_untested(resolution.pair(pair), gears) for pair in tried)]
    labels = [*named, *("" for _ in tried)]
    played = final.judge.play(pairs, final.at)
    cost = final.judge.cost_draws(played).mean(axis=-1)
    return front(pairs, labels, played.means(), cost, chosen=0)


def assemble(
    course: Course,
    final: Bench,
    proposal: GridPair,
    known: dict[str, GridPair],
    resolution: Resolution,
    gears: tuple[int, ...],
    cells: tuple[CellNote, ...],
    axes: GridPair,
) -> SearchResult:
    """Judge the proposal and the known pairs in full and put the result together.

    Parameters
    ----------
    course : Course
        The finished search.
    final : Bench
        Judge at the final fidelity: everything on every draw.
    proposal : GridPair
    known : dict of str to GridPair
        "start", "generic" and others to show on the front.
    resolution : Resolution
    gears : tuple of int
        Gears that were searched.
    cells : tuple of CellNote
    axes : GridPair
        Breakpoints of the other choices.
    """
    named = {"proposal": proposal, **known}
    played = final.judge.play(list(named.values()), final.at)
    draws = dict(zip(named, final.judge.cost_draws(played), strict=True))
    n_draws = next(iter(draws.values())).size
    shaped = played.parts.reshape(len(named), n_draws, -1, played.parts.shape[-1])
    parts = dict(zip(named, np.transpose(shaped, (0, 2, 1, 3)), strict=True))
    gear = final.judge.gear[final.at.scenarios[: shaped.shape[2]]]
    gain = draws["start"] - draws["proposal"]
    tables = [part_table(p, gear, name) for name, p in parts.items()]
    copied = copied_notes(proposal, on_axes(known["start"], proposal), gears)
    return SearchResult(
        best=proposal,
        start=known["start"],
        generic=known["generic"],
        cost_best=Estimate.from_draws(draws["proposal"]),
        cost_start=Estimate.from_draws(draws["start"]),
        cost_generic=Estimate.from_draws(draws["generic"]),
        gain=Estimate.from_draws(gain),
        draws_best=draws["proposal"],
        draws_start=draws["start"],
        draws_generic=draws["generic"],
        parts=pd.concat(tables, ignore_index=True),
        parts_best=parts["proposal"],
        front=_front(course, final, named, resolution, gears, axes),
        history=course.ledger.history(),
        studies=course.studies,
        cells=(*cells, *copied),
        gears=gears,
        findings=findings(course, proposal, gears, gain),
    )
