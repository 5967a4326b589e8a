"""score: what a grid pair would do and, with runs, what it did."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from gridfit.carsheet import CarSheet, read_carsheet
from gridfit.grids import GridPair, common_practice, read_grids
from gridfit.plant.prior import SET_WHEELS, from_carsheet
from gridfit.recovery import Preference
from gridfit.search.budget import DRAWS
from gridfit.simulate.parameters import Plant
from gridfit.simulate.plantfiles import read_plant
from gridfit.simulate.scenarios import catalogue
from pipelines.delivery import Delivery, JobResult, deliver
from pipelines.ingest import Ingested, Source, ingest
from pipelines.judge import Judged, judge
from pipelines.partnames import COST
from pipelines.plain import to_json
from pipelines.preferred import Asked, preferred
from pipelines.progress import Progress, silent
from pipelines.proposal import examples, preference_file
from pipelines.record import InputFile, Record, new_result_id, utc_now
from pipelines.report.blocks import Page
from pipelines.report.cautions import cautions
from pipelines.report.figures_traces import Example
from pipelines.report.page import render
from pipelines.report.score_page import score_sections
from pipelines.report.sections import corner, stand_ins
from pipelines.usability import usable

REFERENCE = "common practice"
"""Name of the pair beside: 15 km/h of slip, 25 % cut."""

GIVEN = "this pair"
"""Name of the pair that is scored."""


@dataclass(frozen=True, slots=True)
class ScoreRequest:
    """What score is asked.

    Parameters
    ----------
    source : Source
        Car sheet, grid pair, and the runs that were driven with it, if any.
    delivery : Delivery
    plant : Path or None
        plant.json of an earlier refine; None for the prior of the car sheet.
    seed : int
    preference : str or Preference
        Name of a preference, the path of a file that holds one, or the preference itself.
    draws : int
    progress : Progress
    """

    source: Source
    delivery: Delivery
    plant: Path | None = None
    seed: int = 1
    preference: Asked = "balanced"
    draws: int = DRAWS
    progress: Progress = silent


@dataclass(frozen=True, slots=True)
class Scored:
    """What was computed, before it is written.

    Parameters
    ----------
    sheet : CarSheet
    pair : GridPair
    plant : Plant
    judged : Judged
    traces : list of Example
    logs : Ingested or None
    driven : DataFrame
        Episodes of the runs in which the pair was in force.
    left_out : tuple of str
        Runs that were driven with another pair.
    """

    sheet: CarSheet
    pair: GridPair
    plant: Plant
    judged: Judged
    traces: list[Example]
    logs: Ingested | None
    driven: pd.DataFrame
    left_out: tuple[str, ...]


def run(request: ScoreRequest) -> JobResult:
    """Score a grid pair and write the result.

    Parameters
    ----------
    request : ScoreRequest

    Returns
    -------
    JobResult

    Raises
    ------
    CallError
        The destination, a path or an option is wrong.
    InputError
        A file is wrong.
    DataError
        The car cannot break traction in any gear.
    """
    started, delivery = utc_now(), request.delivery.checked()
    liking = preferred(request.preference)
    scored = _scored(request, liking.weights)
    record = Record(
        job="score",
        car=scored.sheet.car.name,
        result_id=new_result_id(started),
        started=started,
        asked={
            **request.source.asked(),
            "plant": request.plant,
            **liking.asked(),
            "draws": len(scored.plant),
        },
        inputs=(*_inputs(request, scored.logs), *liking.inputs()),
        seed=request.seed,
        headline=_headline(scored),
        scores=scored.judged.scores(),
        figures={
            "plant": scored.plant.origin,
            "compound": scored.plant.compounds[0],
            "episodes_driven": len(scored.driven),
        },
        warnings=_warnings(scored),
        findings=None if scored.logs is None else scored.logs.findings,
        stand_ins=stand_ins(scored.sheet),
    )
    return deliver(delivery, record, _files(scored), lambda final: render(_page(final, scored)))


def _scored(request: ScoreRequest, weights: Preference) -> Scored:
    sheet = read_carsheet(request.source.car)
    if request.source.grids is None:
        raise ValueError("ScoreRequest.source.grids = None: must be the path of the pair to score")
    pair = read_grids(request.source.grids)
    plant_seed, scenario_seed = np.random.SeedSequence(request.seed).spawn(2)
    if request.plant is None:
        plant = from_carsheet(
            sheet, np.random.default_rng(plant_seed), n_draws=request.draws, wheels_set=True
        )
    else:
        plant = read_plant(request.plant).on_compound(sheet.tyre.compound)
    logs = usable(ingest(request.source, request.progress), "score") if request.source.runs else None
    driven, left_out = _driven(logs, pair)
    request.progress("simulating scenarios", 0.3)
    scenarios = catalogue(sheet, plant, np.random.default_rng(scenario_seed))
    reference = common_practice(sheet)
    judged = judge(sheet, scenarios, plant, {REFERENCE: reference, GIVEN: pair}, weights)
    request.progress("simulating example episodes", 0.7)
    traces = examples(sheet, scenarios, plant, (reference, pair), weights)
    return Scored(sheet, pair, plant, judged, traces, logs, driven, left_out)


def _driven(logs: Ingested | None, pair: GridPair) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the episodes that this pair steered, and the runs that another one steered."""
    if logs is None:
        return pd.DataFrame(), ()
    other = tuple(
        item.name for item in logs.signals if item.grids is not None and not _same(item.grids, pair)
    )
    return logs.episodes[~logs.episodes["run"].isin(other)].reset_index(drop=True), other


def _same(one: GridPair, other: GridPair) -> bool:
    """Say whether two pairs steer alike, whatever else their files say."""
    return all(np.array_equal(a, b) for a, b in zip(one.arrays(), other.arrays(), strict=True))


def _inputs(request: ScoreRequest, logs: Ingested | None) -> tuple[InputFile, ...]:
    paths = {"car sheet": request.source.car, "grids": request.source.grids, "plant": request.plant}
    files = {path: InputFile.of(role, path) for role, path in paths.items() if path is not None}
    for item in () if logs is None else logs.inputs:
        files.setdefault(item.path, item)
    return tuple(files.values())


def _headline(scored: Scored) -> str:
    scores = scored.judged.scores()
    own, usual = scores[GIVEN][COST], scores[REFERENCE][COST]
    text = (
        f"Expected cost of this grid pair on {scored.sheet.car.name}: {own.mean:.1f} "
        f"({own.lo:.1f} to {own.hi:.1f}), against {usual.mean:.1f} for the common-practice start."
    )
    if not scored.driven.empty:
        recovery = scored.driven["recovery_s"].median()
        text += f" As driven: {len(scored.driven)} episodes, half of them recovered within {recovery:.2f} s."
    return text


def _warnings(scored: Scored) -> tuple[str, ...]:
    said = [] if scored.logs is None else list(scored.logs.left_out)
    if scored.plant.origin == "prior":
        said.append(
            "The plant is the car sheet's prior: no log informs it. With --plant and the plant.json of a "
            "refine the intervals narrow. The wheel circumferences in the controller are taken for set: both axles "
            f"read alike to {100 * SET_WHEELS:g} % when the car rolls."
        )
    if scored.plant.compounds[0] != scored.sheet.tyre.compound:
        said.append(
            f"The plant does not know the car sheet's compound {scored.sheet.tyre.compound}; it stands for "
            f"{scored.plant.compounds[0]}."
        )
    if scored.left_out:
        said.append(
            f"Driven with another grid pair by their notes, so left out: {', '.join(scored.left_out)}."
        )
    if scored.logs is not None and scored.driven.empty:
        said.append("No slip episode was found in runs with this grid pair.")
    if not scored.pair.is_monotone:
        said.append(
            "This pair's target rises with speed somewhere, or its cut falls with slip error: check its "
            "cells."
        )
    return tuple(said)


def _files(scored: Scored) -> dict[str, str | bytes]:
    judged = scored.judged
    content = {
        "format": "gridfit-score/1",
        "plant": scored.plant.origin,
        "all_gears": judged.scores(),
        "gears": [{"gear": gear, "pairs": judged.scores(gear)} for gear in judged.gears()],
    }
    files: dict[str, str | bytes] = {"score.json": to_json(content), **preference_file(judged.weights)}
    if scored.logs is not None:
        files["episodes.csv"] = scored.driven.to_csv(index=False)
        files["findings.csv"] = scored.logs.findings.to_csv(index=False)
    return files


def _page(record: Record, scored: Scored) -> Page:
    return Page(
        title=f"Score of a grid pair on {record.car}",
        headline=record.headline,
        remarks=(
            f"For compound {scored.plant.compounds[0]}. Lower is better. Intervals are central 90 % intervals over "
            "what is not known of the car.",
        ),
        tone="careful",
        corner=corner(record),
        warnings=record.warnings,
        cautions=cautions(scored.sheet.engine.cut),
        sections=score_sections(
            record, scored.judged, scored.traces, scored.sheet, (common_practice(scored.sheet), scored.pair),
            scored.driven,
        ),
    )  # fmt: skip
