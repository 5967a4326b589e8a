"""compare: compounds against each other, from logs; the run is the unit."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from gridfit import compounds
from gridfit.comparison import Comparison
from gridfit.errors import DataError
from gridfit.gridchange import labels
from gridfit.grids import GridPair, common_practice
from gridfit.imbalance import SIZE_GAP
from gridfit.runplan import PlannedRun, blocks_to_plan, run_plan
from gridfit.signals.onecar import marks, refuse_mixed
from gridfit.worth import OWN, UNDER, WorthResult, appraise, compound_plants
from pipelines.comparing import CompareRequest
from pipelines.delivery import JobResult, deliver
from pipelines.identify import Identified
from pipelines.ingest import Ingested, ingest
from pipelines.plain import to_json
from pipelines.record import Record, new_result_id, utc_now
from pipelines.report.blocks import Page
from pipelines.report.cautions import cautions
from pipelines.report.compare_page import (
    Evidence,
    compare_sections,
    difference_words,
    exit_words,
    verdict_words,
)
from pipelines.report.page import render
from pipelines.report.sections import corner, stand_ins
from pipelines.runtable import drivers, identify_compounds, run_table
from pipelines.stops import UNKNOWN_COMPOUND
from pipelines.usability import usable


@dataclass(frozen=True, slots=True)
class Compared:
    """What was computed, before it is written.

    Parameters
    ----------
    logs : Ingested
    identified : Identified
    runs : DataFrame
        One row per run.
    comparison : Comparison
    worth : WorthResult or str
        What the differences are worth, or why that cannot be told.
    plan : tuple of PlannedRun
        What to run next; empty when nothing is needed.
    """

    logs: Ingested
    identified: Identified
    runs: pd.DataFrame
    comparison: Comparison
    worth: WorthResult | str
    plan: tuple[PlannedRun, ...]


def run(request: CompareRequest) -> JobResult:
    """Compare compounds and write the result.

    Parameters
    ----------
    request : CompareRequest

    Returns
    -------
    JobResult

    Raises
    ------
    CallError
        The destination or a path is wrong.
    InputError
        A file is wrong.
    DataError
        No run is fit to compare with, there are not two compounds with two runs each whose grip is known, or the runs
        come from more than one car.
    FitError
        The plant's fit is not credible.
    """
    started, delivery = utc_now(), request.delivery.checked()
    compared = _compared(request)
    record = Record(
        job="compare",
        car=compared.logs.sheet.car.name,
        result_id=new_result_id(started),
        started=started,
        asked={**request.source.asked(), "draws": request.draws},
        inputs=compared.logs.inputs,
        seed=request.seed,
        headline=_headline(compared),
        figures={
            "run_sd_pct": compared.comparison.run_sd_pct,
            "peak_mu": compared.comparison.peak_mu,
            "pairs": compared.comparison.pairs,
        },
        warnings=_warnings(compared),
        findings=compared.logs.findings,
        stand_ins=stand_ins(compared.logs.sheet),
    )
    files: dict[str, str | bytes] = {
        "compare.json": to_json(_document(compared)),
        "next_runs.csv": _plan_csv(compared.plan),
        "runs.csv": compared.runs.to_csv(index=False),
        "episodes.csv": compared.logs.episodes.to_csv(index=False),
        "plant.json": to_json(compared.identified.plant_json),
    }
    if isinstance(compared.worth, WorthResult):
        files["worth.json"] = to_json(_worth_document(compared.worth))
    return deliver(delivery, record, files, lambda final: render(_page(final, compared)))


def _compared(request: CompareRequest) -> Compared:
    logs = ingest(request.source, request.progress)
    fit_seed, permutation_seed, plan_seed, worth_seed = np.random.SeedSequence(request.seed).spawn(4)
    # Refused before the fit, which takes a while, when the notes already show that it cannot be answered.
    notes = pd.DataFrame([{"run": item.name, "compound": item.run.note.compound} for item in logs.signals])
    _refuse_by_notes(notes[notes["compound"] != UNKNOWN_COMPOUND])
    logs = usable(logs, "compare")
    refuse_mixed(marks(logs.signals, logs.sheet))
    identified = identify_compounds(logs, np.random.default_rng(fit_seed), request.draws, request.progress)
    runs = run_table(logs, identified.runs)
    comparison = compounds.compare(runs, np.random.default_rng(permutation_seed))
    worth = _worth(logs, identified, runs, comparison, np.random.default_rng(worth_seed), request)
    plan = run_plan(
        comparison.effects.names,
        blocks_to_plan(comparison),
        np.random.default_rng(plan_seed),
        drivers=drivers(runs),
    )
    return Compared(logs, identified, runs, comparison, worth, plan)


def _worth(
    logs: Ingested, identified: Identified, runs: pd.DataFrame, comparison: Comparison,
    rng: np.random.Generator, request: CompareRequest,
) -> WorthResult | str:  # fmt: skip
    """Say what the differences are worth, or why not."""
    plants = compound_plants(identified.plant, comparison, _radius_ratio(runs), rng)
    try:
        return appraise(logs.sheet, plants, _in_force(logs), seed=request.seed, progress=request.progress)
    except DataError as error:
        return str(error)


def _radius_ratio(runs: pd.DataFrame) -> dict[str, float]:
    """Rolling radius of each compound over the mean of all; empty where they agree or are not known."""
    means = runs.groupby("compound", sort=False)["radius_m"].mean()
    if not np.isfinite(means.to_numpy()).all() or float(means.max() / means.min()) < 1.0 + SIZE_GAP:
        return {}
    return {str(name): float(value) for name, value in (means / means.mean()).items()}


def _in_force(logs: Ingested) -> list[GridPair]:
    """Grid pairs that were in force, each once; the common-practice start when none is known."""
    named = labels(logs.signals, logs.in_force)
    found = {named[item.name]: item.grids for item in logs.signals if item.grids is not None}
    return list(found.values()) or [common_practice(logs.sheet)]


def _document(compared: Compared) -> dict[str, object]:
    """Content of compare.json."""
    document = compared.comparison.to_dict()
    worth = compared.worth
    pairs = [pair.to_dict() for pair in compared.comparison.pairs]
    if isinstance(worth, WorthResult):
        for pair in pairs:
            pair["worth"] = [worth.of(str(pair["a"]), str(pair["b"]), under).to_dict() for under in UNDER]
    return {**document, "pairs": pairs, "next_runs": [one.to_dict() for one in compared.plan]}


def _worth_document(worth: WorthResult) -> dict[str, object]:
    return {
        "format": "gridfit-worth/1",
        "scenarios": worth.scenarios,
        "common_pair_is": worth.common_is,
        "common": worth.common.to_dict(),
        "own_best": [{"compound": name, "grids": pair.to_dict()} for name, pair in worth.own.items()],
        "figures": [
            {"compound": name, "under": under, **{key: value.to_dict() for key, value in figures.items()}}
            for (name, under), figures in worth.levels.items()
        ],
    }


def _plan_csv(plan: tuple[PlannedRun, ...]) -> str:
    columns = ["order", "block", "compound", "driver", "grids"]
    return pd.DataFrame([one.to_dict() for one in plan], columns=columns).to_csv(index=False)


def _refuse_by_notes(notes: pd.DataFrame) -> None:
    """Let the comparison refuse what the number of runs alone rules out."""
    counts = notes["compound"].value_counts()
    if int((counts >= 2).sum()) < 2:
        table = notes.reset_index(drop=True).assign(log_mu=np.arange(len(notes), dtype=np.float64), se=0.01)
        compounds.compare(table, np.random.default_rng(0))


def _headline(compared: Compared) -> str:
    comparison = compared.comparison
    decided = [pair for pair in comparison.pairs if pair.verdict != "undecided"]
    if not decided:
        pair = min(comparison.pairs, key=lambda each: each.p_value)
        return (
            f"Undecided: {difference_words(pair)}; "
            f"these runs decide differences from {pair.minimum_detectable_pct:.1f} % on."
        )
    said = [f"{verdict_words(pair)}: {difference_words(pair)}" for pair in decided]
    if isinstance(compared.worth, WorthResult) and len(decided) == 1:
        pair = decided[0]
        said[0] += f", worth {exit_words(compared.worth.of(pair.a, pair.b, OWN))}"
    left = len(comparison.pairs) - len(decided)
    return "; ".join(said) + (f"; {left} other pairs undecided." if left else ".")


def _warnings(compared: Compared) -> tuple[str, ...]:
    said = [
        f"{pair.a} and {pair.b}: {finding.meaning}"
        for pair in compared.comparison.pairs
        for finding in pair.findings
        if not finding.passed
    ]
    missing = (
        [] if isinstance(compared.worth, WorthResult) else [f"What it is worth is not told: {compared.worth}"]
    )
    return (*compared.logs.left_out, *said, *missing, *compared.identified.warnings)


def _page(record: Record, compared: Compared) -> Page:
    decided = any(pair.verdict != "undecided" for pair in compared.comparison.pairs)
    return Page(
        title=f"Compounds on {record.car}",
        headline=record.headline,
        remarks=(
            "The run is the unit. Intervals are central 90 % intervals; a verdict is given at 5 % over all pairs.",
        ),
        tone="good" if decided and not record.warnings else "careful",
        corner=corner(record),
        warnings=record.warnings,
        cautions=cautions(compared.logs.sheet.engine.cut),
        sections=compare_sections(
            record,
            Evidence(
                compared.comparison,
                compared.runs,
                compared.worth,
                compared.plan,
                compared.logs,
                compared.identified.remarks,
            ),
        ),
    )
