"""compare: compounds against each other, from logs; the run is the unit."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from gridfit import compounds
from gridfit.comparison import Comparison
from gridfit.search.budget import DRAWS
from pipelines.delivery import Delivery, JobResult, deliver
from pipelines.identify import Identified, identify, run_table
from pipelines.ingest import Ingested, Source, ingest
from pipelines.plain import to_json
from pipelines.progress import Progress, silent
from pipelines.record import Record, new_result_id, utc_now
from pipelines.report.blocks import Page
from pipelines.report.cautions import cautions
from pipelines.report.compare_page import compare_sections, difference_words, verdict_words
from pipelines.report.page import render
from pipelines.report.sections import corner, stand_ins
from pipelines.stops import UNKNOWN_COMPOUND
from pipelines.usability import usable


@dataclass(frozen=True, slots=True)
class CompareRequest:
    """What compare is asked.

    Parameters
    ----------
    source : Source
        Car sheet and runs; each run's note names its compound.
    delivery : Delivery
    seed : int
    draws : int
        Draws of the fitted plant.
    progress : Progress
    """

    source: Source
    delivery: Delivery
    seed: int = 1
    draws: int = DRAWS
    progress: Progress = silent


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
    """

    logs: Ingested
    identified: Identified
    runs: pd.DataFrame
    comparison: Comparison


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
        No run is fit to compare with, or there are not two compounds with two runs each whose grip is known.
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
        headline=_headline(compared.comparison),
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
        "compare.json": to_json(compared.comparison.to_dict()),
        "runs.csv": compared.runs.to_csv(index=False),
        "episodes.csv": compared.logs.episodes.to_csv(index=False),
        "plant.json": to_json(compared.identified.plant_json),
    }
    return deliver(delivery, record, files, lambda final: render(_page(final, compared)))


def _compared(request: CompareRequest) -> Compared:
    logs = ingest(request.source, request.progress)
    fit_seed, permutation_seed = np.random.SeedSequence(request.seed).spawn(2)
    # Refused before the fit, which takes a while, when the notes already show that it cannot be answered.
    notes = pd.DataFrame([{"run": item.name, "compound": item.run.note.compound} for item in logs.signals])
    _refuse_by_notes(notes[notes["compound"] != UNKNOWN_COMPOUND])
    logs = usable(logs, "compare")
    identified = identify(logs, np.random.default_rng(fit_seed), request.draws, request.progress)
    runs = run_table(logs, identified)
    comparison = compounds.compare(runs, np.random.default_rng(permutation_seed))
    return Compared(logs, identified, runs, comparison)


def _refuse_by_notes(notes: pd.DataFrame) -> None:
    """Let the comparison refuse what the number of runs alone rules out."""
    counts = notes["compound"].value_counts()
    if int((counts >= 2).sum()) < 2:
        table = notes.reset_index(drop=True).assign(log_mu=np.arange(len(notes), dtype=np.float64), se=0.01)
        compounds.compare(table, np.random.default_rng(0))


def _headline(comparison: Comparison) -> str:
    decided = [pair for pair in comparison.pairs if pair.verdict != "undecided"]
    if not decided:
        pair = min(comparison.pairs, key=lambda each: each.p_value)
        return (
            f"Undecided: {difference_words(pair)}; "
            f"these runs decide differences from {pair.minimum_detectable_pct:.1f} % on."
        )
    said = [f"{verdict_words(pair)}: {difference_words(pair)}" for pair in decided]
    left = len(comparison.pairs) - len(decided)
    return "; ".join(said) + (f"; {left} other pairs undecided." if left else ".")


def _warnings(compared: Compared) -> tuple[str, ...]:
    said = [
        f"{pair.a} and {pair.b}: {finding.meaning}"
        for pair in compared.comparison.pairs
        for finding in pair.findings
        if not finding.passed
    ]
    return (*compared.logs.left_out, *said, *compared.identified.warnings)


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
            record, compared.comparison, compared.runs, compared.logs, compared.identified.remarks
        ),
    )
