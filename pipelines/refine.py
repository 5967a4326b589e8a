"""refine: a better grid pair from logs, starting from the grids in force."""

from dataclasses import dataclass

import numpy as np

from gridfit.errors import DataError
from gridfit.evidence import count_support, what_to_test_next
from gridfit.grids import read_grids
from gridfit.recovery import Preference
from gridfit.search.budget import DRAWS, SAMPLER
from gridfit.search.study import search
from gridfit.simulate.scenarios import catalogue
from pipelines import fitchecks
from pipelines.delivery import Delivery, JobResult, deliver
from pipelines.identify import identify
from pipelines.ingest import Ingested, Source, ingest
from pipelines.plain import to_json
from pipelines.preferred import Asked, preferred
from pipelines.progress import Progress, silent
from pipelines.proposal import PROBLEM_SEED, budget, candidates, examples, proposal_files, scores
from pipelines.record import Record, new_result_id, utc_now
from pipelines.report.page import render
from pipelines.report.refine_page import Refined, refine_page
from pipelines.report.sections import stand_ins
from pipelines.stages import STRAIGHT, Stages
from pipelines.usability import SOME_EPISODES, usable
from pipelines.verdict import Verdict, verdict


@dataclass(frozen=True, slots=True)
class RefineRequest:
    """What refine is asked.

    Parameters
    ----------
    source : Source
        Car sheet, runs, and the grids in force, from which the search starts.
    delivery : Delivery
    seed : int
        Same seed, same inputs: same grids.
    preference : str or Preference
        Name of a preference, the path of a file that holds one, or the preference itself.
    budget : str
        Name of a budget.
    draws : int
        Draws of the fitted plant.
    progress : Progress
    sampler : str
        Name of the sampler of the search.
    stages : Stages
        Keeps the fitted plant and its checks for a job that may be killed.
    """

    source: Source
    delivery: Delivery
    seed: int = 1
    preference: Asked = "balanced"
    budget: str = "normal"
    draws: int = DRAWS
    progress: Progress = silent
    sampler: str = SAMPLER
    stages: Stages = STRAIGHT


def run(request: RefineRequest) -> JobResult:
    """Refine a grid pair from logs and write the result.

    Parameters
    ----------
    request : RefineRequest

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
        No run is fit to refine with, there are no episodes in a known gear, or no gear can break traction.
    FitError
        The plant's fit is not credible.
    """
    started, delivery = utc_now(), request.delivery.checked()
    liking = preferred(request.preference)
    refined = _refined(request, liking.weights)
    result, logs = refined.result, refined.logs
    findings = fitchecks.with_findings(logs.findings, refined.checks)
    record = Record(
        job="refine",
        car=logs.sheet.car.name,
        result_id=new_result_id(started),
        started=started,
        asked={
            **request.source.asked(),
            **liking.asked(),
            "budget": request.budget,
            "sampler": request.sampler,
            "draws": request.draws,
            "compound": refined.compound,
        },
        inputs=(*logs.inputs, *liking.inputs()),
        seed=request.seed,
        headline=_headline(refined),
        scores=scores(result),
        figures={
            "gain": result.gain,
            "front_hypervolume": result.front.hypervolume,
            "episodes": len(logs.episodes),
            "gears_that_break_traction": result.gears,
            "cells_moved_on_data": sum(note.basis == "data" for note in result.cells),
            "cells_moved_on_prior": sum(note.basis == "prior" for note in result.cells),
        },
        warnings=_warnings(refined),
        findings=findings,
        stand_ins=stand_ins(logs.sheet),
        candidates=candidates(result),
    )
    files = {
        **proposal_files(result, logs.sheet, liking.weights),
        "plant.json": to_json(refined.identified.plant_json),
        "episodes.csv": logs.episodes.to_csv(index=False),
        "findings.csv": findings.to_csv(index=False),
        **fitchecks.files(refined.checks),
        "next_tests.json": to_json(refined.next_tests),
    }
    return deliver(
        delivery, record, files, lambda final: render(refine_page(final, refined)), studies=result.studies
    )


def _refined(request: RefineRequest, weights: Preference) -> Refined:
    effort = budget(request.budget, request.sampler)
    if request.source.grids is None:
        raise ValueError("RefineRequest.source.grids = None: must be the path of the grid pair in force")
    start = read_grids(request.source.grids)
    logs = usable(ingest(request.source, request.progress), "refine")
    judged = verdict(logs)
    _refuse_without_episodes(logs, judged)
    fit_seed, scenario_seed = np.random.SeedSequence(PROBLEM_SEED).spawn(2)
    identified = request.stages.keep(
        "plant", lambda: identify(logs, np.random.default_rng(fit_seed), request.draws, request.progress)
    )
    checks = request.stages.keep(
        "checks", lambda: fitchecks.check(logs, identified, request.budget, request.progress)
    )
    compound = _compound(logs)
    plant = identified.plant.on_compound(compound)
    scenarios = catalogue(logs.sheet, plant, np.random.default_rng(scenario_seed))
    support = count_support(start, logs.signals, logs.episodes)
    result = search(
        logs.sheet,
        plant,
        scenarios,
        start,
        preference=weights,
        budget=effort,
        support=support,
        seed=request.seed,
        progress=request.progress,
    )
    request.progress("simulating example episodes", 0.0)
    traces = request.stages.keep(
        "traces", lambda: examples(logs.sheet, scenarios, plant, (result.start, result.best), weights)
    )
    tests = what_to_test_next(scenarios, result.parts_best, weights)
    return Refined(logs, judged, identified, checks, compound, support, result, traces, tests)


def _refuse_without_episodes(logs: Ingested, judged: Verdict) -> None:
    known = int((logs.episodes["gear"] > 0).sum())
    if known < SOME_EPISODES:
        reasons = "; ".join(
            f"{question.asked} {question.answer}: {question.because}"
            for question in judged.questions
            if question.answer != "yes"
        )
        raise DataError.of(
            where=", ".join(item.name for item in logs.signals),
            what="slip episodes in a known gear",
            value=known,
            allowed=f"at least {SOME_EPISODES} are needed to fit a plant ({reasons})",
            remedy="Drive roll-ons and throttle stabs that slip, log them, and look at gridfit inspect; "
            "without logs, gridfit propose works from the car sheet.",
        )


def _compound(logs: Ingested) -> str:
    """Return the car sheet's compound if it was driven, else the one with the most episodes."""
    driven = logs.episodes["compound"].value_counts()
    stated = logs.sheet.tyre.compound
    return stated if stated in driven.index else str(driven.index[0])


def _headline(refined: Refined) -> str:
    result = refined.result
    old, new, gain = result.cost_start, result.cost_best, result.gain
    if new.mean >= old.mean:
        return (
            f"No better grid pair was found for {refined.logs.sheet.car.name}: the one in force costs "
            f"{old.mean:.1f} ({old.lo:.1f} to {old.hi:.1f}); keep it."
        )
    share = 100.0 * gain.mean / old.mean
    return (
        f"Refined grids for {refined.logs.sheet.car.name}: expected cost {new.mean:.1f} ({new.lo:.1f} to "
        f"{new.hi:.1f}), against {old.mean:.1f} ({old.lo:.1f} to {old.hi:.1f}) for the grids in force, "
        f"{share:.0f} % less."
    )


def _warnings(refined: Refined) -> tuple[str, ...]:
    result, logs = refined.result, refined.logs
    said = [
        f"{question.asked} {question.answer.capitalize()}: {question.because}."
        for question in refined.verdict.questions
        if question.answer == "no"
    ]
    if result.gain.lo <= 0.0 < result.gain.mean:
        said.append(f"The gain is not certain: {result.gain}, and its interval reaches below zero.")
    compounds = sorted(set(logs.episodes["compound"]))
    if len(compounds) > 1:
        said.append(
            f"The runs hold compounds {', '.join(compounds)}; the proposal is for {refined.compound}."
        )
    return (*logs.left_out, *fitchecks.warnings(refined.checks), *said, *refined.identified.warnings)
