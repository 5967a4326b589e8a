"""propose: a starting grid pair for a new car, from the car sheet alone."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from gridfit.carsheet import CarSheet, read_carsheet
from gridfit.evidence import NextTest, what_to_test_next
from gridfit.grids import common_practice
from gridfit.plant.prior import SET_WHEELS, from_carsheet
from gridfit.recovery import Preference
from gridfit.search.budget import DRAWS, SAMPLER
from gridfit.search.result import SearchResult
from gridfit.search.study import search
from gridfit.simulate.parameters import Plant
from gridfit.simulate.plantfiles import to_document
from gridfit.simulate.scenarios import Scenarios, catalogue
from pipelines.delivery import Delivery, JobResult, deliver
from pipelines.plain import to_json
from pipelines.preferred import Asked, preferred
from pipelines.progress import Progress, silent
from pipelines.proposal import (
    PROBLEM_SEED,
    candidates,
    examples,
    first_budget,
    proposal_files,
    scores,
    scores_by_gear,
)
from pipelines.record import InputFile, Record, new_result_id, utc_now
from pipelines.report.blocks import Bullets, Page, Section
from pipelines.report.cautions import cautions
from pipelines.report.figures_plant import PlantRow
from pipelines.report.figures_traces import Example
from pipelines.report.page import render
from pipelines.report.proposal_page import (
    basis_section,
    choice_section,
    grid_section,
    in_words,
    plant_rows,
    score_section,
)
from pipelines.report.sections import corner, made_section, signed, stand_in_blocks, stand_ins

BEFORE = "common practice"
"""What the compared pair is called: 15 km/h of slip, 25 % cut."""


@dataclass(frozen=True, slots=True)
class ProposeRequest:
    """What propose is asked.

    Parameters
    ----------
    car : Path
        The car sheet.
    delivery : Delivery
    seed : int
        Same seed, same grids.
    preference : str or Preference
        Name of a preference (calm, balanced or sharp), the path of a file that holds one, or the preference itself.
    budget : str
        Name of a budget: quick, normal or long.
    draws : int
        Draws of the plant that the car sheet allows.
    progress : Progress
    sampler : str
        Name of the sampler of the search.
    """

    car: Path
    delivery: Delivery
    seed: int = 1
    preference: Asked = "balanced"
    budget: str = "normal"
    draws: int = DRAWS
    progress: Progress = silent
    sampler: str = SAMPLER


@dataclass(frozen=True, slots=True)
class Proposed:
    """What was computed, before it is written.

    Parameters
    ----------
    sheet : CarSheet
    plant : Plant
    scenarios : Scenarios
    weights : Preference
    result : SearchResult
    traces : list of Example
    next_tests : tuple of NextTest
        What to drive first, the most informative first.
    """

    sheet: CarSheet
    plant: Plant
    scenarios: Scenarios
    weights: Preference
    result: SearchResult
    traces: list[Example]
    next_tests: tuple[NextTest, ...]


def run(request: ProposeRequest) -> JobResult:
    """Propose a starting grid pair and write the result.

    Parameters
    ----------
    request : ProposeRequest

    Returns
    -------
    JobResult

    Raises
    ------
    CallError
        The destination or an option is wrong.
    InputError
        The car sheet is wrong.
    DataError
        The car cannot break traction in any gear.
    """
    started, delivery = utc_now(), request.delivery.checked()
    liking, effort = preferred(request.preference), first_budget(request.budget, request.sampler)
    weights = liking.weights
    sheet = read_carsheet(request.car)
    plant_seed, scenario_seed = np.random.SeedSequence(PROBLEM_SEED).spawn(2)
    rng = np.random.default_rng(plant_seed)
    plant = from_carsheet(sheet, rng, n_draws=request.draws, wheels_set=True)
    scenarios = catalogue(sheet, plant, np.random.default_rng(scenario_seed))
    result = search(
        sheet,
        plant,
        scenarios,
        common_practice(sheet),
        preference=weights,
        budget=effort,
        seed=request.seed,
        progress=request.progress,
    )
    request.progress("simulating example episodes", 0.0)
    traces = examples(sheet, scenarios, plant, (result.start, result.best), weights)
    tests = what_to_test_next(scenarios, result.parts_best, weights)
    proposed = Proposed(sheet, plant, scenarios, weights, result, traces, tests)
    record = Record(
        job="propose",
        car=sheet.car.name,
        result_id=new_result_id(started),
        started=started,
        asked={
            "car": request.car,
            **liking.asked(),
            "budget": request.budget,
            "sampler": request.sampler,
            "draws": request.draws,
        },
        inputs=(InputFile.of("car sheet", request.car), *liking.inputs()),
        seed=request.seed,
        headline=_headline(proposed),
        scores=scores(result),
        figures={
            "gain": result.gain,
            "front_hypervolume": result.front.hypervolume,
            "scenarios": len(scenarios),
            "gears_that_break_traction": result.gears,
        },
        warnings=_warnings(proposed),
        stand_ins=stand_ins(sheet),
        candidates=candidates(result),
    )
    plant_json = to_document(sheet, plant)
    files = {
        **proposal_files(result, sheet, weights),
        "plant.json": to_json(plant_json),
        "next_tests.json": to_json(proposed.next_tests),
    }
    rows = plant_rows(plant_json, None)
    return deliver(
        delivery,
        record,
        files,
        lambda final: render(_page(final, proposed, rows)),
        studies=result.studies,
    )


def _headline(proposed: Proposed) -> str:
    old, new = proposed.result.cost_start, proposed.result.cost_best
    return (
        f"Starting grids for {proposed.sheet.car.name}: expected cost {new.mean:.1f} "
        f"({new.lo:.1f} to {new.hi:.1f}), against {old.mean:.1f} ({old.lo:.1f} to {old.hi:.1f}) "
        "for the common-practice start."
    )


def _warnings(proposed: Proposed) -> tuple[str, ...]:
    said = [
        "No log was read: every figure rests on the car sheet and on what is usual. Drive it carefully, log "
        "it, then refine."
    ]
    if proposed.sheet.stood_in:
        said.append(
            f"The car sheet leaves out {len(proposed.sheet.stood_in)} figures; stand-ins are listed below."
        )
    return tuple(said)


def _page(record: Record, proposed: Proposed, rows: tuple[PlantRow, ...]) -> Page:
    sheet, result = proposed.sheet, proposed.result
    sections = (
        Section("What to do next", (_next_steps(proposed),)),
        grid_section(result, sheet, BEFORE),
        score_section(record, result, scores_by_gear(result, "recovery_s"), proposed.traces, BEFORE),
        choice_section(result, BEFORE),
        basis_section(result, rows, _basis(proposed)),
        Section("What the car sheet left out", stand_in_blocks(record)),
        made_section(record),
    )
    return Page(
        title=f"Proposed starting grids for {sheet.car.name}",
        headline=record.headline,
        remarks=(
            in_words(record.scores),
            "Intervals are central 90 % intervals over the cars that the sheet allows. Cost is in points of "
            "the recovery score; its parts are below.",
        ),
        tone="careful",
        corner=corner(record),
        warnings=record.warnings,
        cautions=cautions(sheet.engine.cut),
        sections=sections,
    )


def _basis(proposed: Proposed) -> list[str]:
    return [
        "All of it rests on the prior: the plants that this car sheet allows, from light to heavy and from "
        "slippery to grippy. The spread of the intervals is what logs will narrow.",
        f"It takes the wheel circumferences in the controller for set: both axles read alike to "
        f"{100 * SET_WHEELS:g} % when the car rolls.",
        f"The pair was searched on {len(proposed.scenarios)} standard scenarios in the gears that can break "
        f"traction: {', '.join(map(str, proposed.result.gears))}.",
    ]


def _next_steps(proposed: Proposed) -> Bullets:
    gears = proposed.result.gears
    return Bullets(
        (
            "Check the tyre circumferences in the controller: driven and undriven wheels must read the same "
            "speed when the car rolls. 1 % of error is 1 point of slip at every speed.",
            "Enter the grids of section 2. Keep the pair that is in the car now within reach.",
            "On a closed course, drive roll-ons and short throttle stabs in gears "
            f"{', '.join(map(str, gears))}, from the lowest speed upward, on one dry surface. Ten episodes "
            "in a gear make its fit worth having.",
            *(signed(test.text) for test in proposed.next_tests),
            "Log at 50 Hz or more: time, all four wheel speeds (or both axles), throttle, engine speed, "
            "gear, brake, cut, slip target, lateral acceleration.",
            "Write a note beside each log: compound, date, track, track temperature, grids in force.",
            "Then run: gridfit inspect, and gridfit refine with the grids of this report.",
        ),
        numbered=True,
    )
