"""Grid pairs against each other as they were driven, to see whether the last change helped."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from gridfit.comparison import Pair
from gridfit.errors import DataError
from gridfit.gridchange import GridChange, Outcome, compare_grids
from gridfit.runplan import PlannedRun, run_plan
from gridfit.signals.onecar import marks, refuse_mixed
from pipelines.comparing import CompareRequest
from pipelines.delivery import JobResult, deliver
from pipelines.ingest import Ingested, ingest
from pipelines.plain import to_json
from pipelines.record import Record, new_result_id, utc_now
from pipelines.report.blocks import Page
from pipelines.report.cautions import cautions
from pipelines.report.gridchange_page import gridchange_sections
from pipelines.report.page import render
from pipelines.report.sections import corner, signed, stand_ins
from pipelines.runtable import drivers, run_table
from pipelines.usability import usable

PLANNED = 4
"""Runs of each pair to plan where nothing is decided [1]."""


@dataclass(frozen=True, slots=True)
class Changed:
    """What was computed, before it is written.

    Parameters
    ----------
    logs : Ingested
    runs : DataFrame
        One row per run, in the order of time.
    change : GridChange
    plan : tuple of PlannedRun
        What to run next; empty when the change helped or harmed beyond doubt.
    """

    logs: Ingested
    runs: pd.DataFrame
    change: GridChange
    plan: tuple[PlannedRun, ...]


def run(request: CompareRequest) -> JobResult:
    """Compare grid pairs as they were driven and write the result.

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
        No run is fit, there are not two grid pairs with two runs each, or the runs come from more than one car.
    """
    started, delivery = utc_now(), request.delivery.checked()
    changed = _changed(request)
    logs = changed.logs
    record = Record(
        job="compare",
        car=logs.sheet.car.name,
        result_id=new_result_id(started),
        started=started,
        asked={**request.source.asked(), "by": "grids"},
        inputs=logs.inputs,
        seed=request.seed,
        headline=_headline(changed.change),
        figures={"by": "grids", "outcomes": changed.change.to_dict()["outcomes"]},
        warnings=_warnings(changed),
        findings=logs.findings,
        stand_ins=stand_ins(logs.sheet),
    )
    columns = ["order", "block", "compound", "driver", "grids"]
    files: dict[str, str | bytes] = {
        "gridchange.json": to_json(changed.change.to_dict()),
        "runs.csv": changed.runs.to_csv(index=False),
        "next_runs.csv": pd.DataFrame([one.to_dict() for one in changed.plan], columns=columns).to_csv(
            index=False
        ),
        "episodes.csv": logs.episodes.to_csv(index=False),
    }
    return deliver(delivery, record, files, lambda final: render(_page(final, changed)))


def _changed(request: CompareRequest) -> Changed:
    logs = usable(ingest(request.source, request.progress), "score")
    refuse_mixed(marks(logs.signals, logs.sheet))
    test_seed, plan_seed = np.random.SeedSequence(request.seed).spawn(2)
    runs = run_table(logs).sort_values(["day", "started"], kind="stable").reset_index(drop=True)
    _refuse_unknown(runs)
    change = compare_grids(logs.signals, logs.episodes, runs, np.random.default_rng(test_seed))
    names = list(dict.fromkeys(name for name in runs["grids"] if name))
    open_still = any(
        change.verdict(outcome, pair) == "undecided"
        for outcome in change.telling()
        for pair in change.outcomes[outcome.key].pairs
    )  # fmt: skip
    plan = run_plan(
        names, PLANNED if open_still else 0, np.random.default_rng(plan_seed), drivers=drivers(runs)
    )
    return Changed(
        logs, runs, change, tuple(PlannedRun(p.order, p.block, "", p.driver, p.compound) for p in plan)
    )


def _refuse_unknown(runs: pd.DataFrame) -> None:
    """Refuse runs whose grids are not known at all."""
    if not (runs["grids"] != "").any():
        raise DataError.of(
            where=", ".join(str(run) for run in runs["run"]),
            what="grid pair in force",
            value="not known in any run",
            allowed="a comparison of grid pairs needs to know which pair steered which run",
            remedy='Write grids = "FILE.json" into each run\'s note, and put the file beside the log.',
        )


def outcome_words(outcome: Outcome, pair: Pair, verdict: str) -> str:
    """Return one outcome of one pair in words."""
    size = pair.peak_mu_diff_pct
    told = signed(f"{size.mean:+.0f} % ({size.lo:.0f} to {size.hi:.0f})")
    return f"{outcome.label} {told}, {verdict}"


def _headline(change: GridChange) -> str:
    first = change.telling()[0]
    said = []
    for pair in change.outcomes[first.key].pairs:
        verdicts = {
            outcome.key: change.verdict(outcome, _same(change, outcome, pair)) for outcome in change.telling()
        }
        helped, harmed = (sum(one == word for one in verdicts.values()) for word in ("better", "worse"))
        answer = "helped" if helped and not harmed else "harmed" if harmed and not helped else "undecided"
        answer = "helped in one way and harmed in another" if helped and harmed else answer
        told = "; ".join(
            outcome_words(outcome, _same(change, outcome, pair), verdicts[outcome.key])
            for outcome in change.telling()
        )
        said.append(f"From {pair.a} to {pair.b}: {answer}. {told[:1].upper()}{told[1:]}.")
    return " ".join(said)


def _same(change: GridChange, outcome: Outcome, pair: Pair) -> Pair:
    return next(one for one in change.outcomes[outcome.key].pairs if {one.a, one.b} == {pair.a, pair.b})


def _warnings(changed: Changed) -> tuple[str, ...]:
    first = next(iter(changed.change.outcomes.values()))
    said = [
        f"{pair.a} and {pair.b}: {finding.meaning}"
        for pair in first.pairs
        for finding in pair.findings
        if not finding.passed
    ]
    if not changed.change.same_target:
        said.append(
            "The pairs have unlike targets: the time to recover is counted from each own target and does not say which "
            "is better."
        )
    unknown = changed.change.left_out
    if unknown:
        said.append(f"Left out, since the grids in force are not known: {', '.join(unknown)}.")
    return (*changed.logs.left_out, *said)


def _page(record: Record, changed: Changed) -> Page:
    change = changed.change
    decided = any(
        change.verdict(outcome, pair) != "undecided"
        for outcome in change.telling()
        for pair in change.outcomes[outcome.key].pairs
    )
    return Page(
        title=f"Did the change of grids help on {record.car}?",
        headline=record.headline,
        remarks=(
            "As driven, later pair over earlier; the run is the unit. Intervals are central 90 % intervals; verdicts "
            "are given at 5 % over all outcomes and pairs.",
        ),
        tone="good" if decided and not record.warnings else "careful",
        corner=corner(record),
        warnings=record.warnings,
        cautions=cautions(changed.logs.sheet.engine.cut),
        sections=gridchange_sections(record, change, changed.runs, changed.plan, changed.logs),
    )
