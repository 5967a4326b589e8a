"""The report on a refined grid pair."""

from dataclasses import dataclass

from gridfit.evidence import NextTest
from gridfit.plant.modelchecks import ModelChecks
from gridfit.search.result import SearchResult
from gridfit.search.support import Support
from pipelines.identify import Identified
from pipelines.ingest import Ingested
from pipelines.proposal import scores_by_gear
from pipelines.record import Record
from pipelines.report.blocks import Bullets, Page, Section
from pipelines.report.cautions import cautions
from pipelines.report.figures_traces import Example
from pipelines.report.fit_section import fit_section
from pipelines.report.logs_page import checks_section, runs_section, verdict_table
from pipelines.report.proposal_page import (
    basis_section,
    choice_section,
    grid_section,
    in_words,
    plant_rows,
    score_section,
)
from pipelines.report.sections import (
    corner,
    coverage_table,
    episode_table,
    made_section,
    signed,
    stand_in_blocks,
)
from pipelines.verdict import Verdict

BEFORE = "in force"
"""What the pair that refine starts from is called."""


@dataclass(frozen=True, slots=True)
class Refined:
    """What refine computed, before it is written.

    Parameters
    ----------
    logs : Ingested
    verdict : Verdict
        Whether the logs are fit to use.
    identified : Identified
        Plant before and after the logs.
    checks : ModelChecks
        How well that plant follows the logs.
    compound : str
        Compound that the proposal is for.
    support : Support
        Episodes behind each cell of the grids in force.
    result : SearchResult
    traces : list of Example
    next_tests : tuple of NextTest
        What to drive next, the most informative first.
    """

    logs: Ingested
    verdict: Verdict
    identified: Identified
    checks: ModelChecks
    compound: str
    support: Support
    result: SearchResult
    traces: list[Example]
    next_tests: tuple[NextTest, ...]


def refine_page(record: Record, refined: Refined) -> Page:
    """Return the report.

    Parameters
    ----------
    record : Record
    refined : Refined

    Returns
    -------
    Page
    """
    logs, result, identified = refined.logs, refined.result, refined.identified
    counted = refined.support.on(result.best)
    counts = (counted.target_episodes, counted.cut_episodes)
    rows = plant_rows(identified.prior_json, identified.plant_json)
    sections = (
        Section("What to do next", (Bullets(_next(refined), numbered=True),)),
        grid_section(result, logs.sheet, BEFORE, counts),
        score_section(record, result, scores_by_gear(result, "recovery_s"), refined.traces, BEFORE),
        choice_section(result, BEFORE),
        basis_section(result, rows, _basis(refined)),
        fit_section(refined.checks),
        Section(
            "Episodes in the logs",
            (coverage_table(logs.episodes, logs.sheet.gears), episode_table(logs.episodes, 25)),
        ),
        Section("Are the logs fit to use?", (verdict_table(refined.verdict),)),
        checks_section(logs.findings),
        runs_section(logs),
        Section("What the car sheet left out", stand_in_blocks(record)),
        made_section(record),
    )
    return Page(
        title=f"Refined grids for {record.car}",
        headline=record.headline,
        remarks=(
            in_words(record.scores),
            f"For compound {refined.compound}. Lower cost is better; intervals are central 90 % intervals "
            "over what the logs leave open.",
        ),
        tone="good" if result.gain.lo > 0.0 else "careful",
        corner=corner(record),
        warnings=record.warnings,
        cautions=cautions(logs.sheet.engine.cut),
        sections=sections,
    )


def _basis(refined: Refined) -> list[str]:
    counts: dict[str, int] = {}
    for note in refined.result.cells:
        counts[note.basis] = counts.get(note.basis, 0) + 1
    words = {
        "data": "moved on logged episodes",
        "prior": "moved on the prior alone, few or no episodes there",
        "held": "held back, for want of evidence",
        "copied": "copied from the nearest gear that was searched",
    }
    said = ", ".join(f"{counts[key]} {text}" for key, text in words.items() if key in counts)
    return [
        f"The plant was fitted to {len(refined.logs.episodes)} episodes in {len(refined.logs.signals)} runs; "
        "what the logs do not tell keeps the width of the car sheet's prior.",
        f"Cells: {said}." if said else "No cell moved.",
        *refined.identified.remarks,
    ]


def _next(refined: Refined) -> tuple[str, ...]:
    return (
        "Check the dashed cells of section 2, which rest on the prior: enter them only if they look right to you.",
        "Enter the grids of section 2 and keep the pair that is in the car now within reach. Change nothing else. "
        "If the step is large, go half way first.",
        *(signed(test.text) for test in refined.next_tests),
        "Log it, write the note with grids = the new file, and run gridfit refine again.",
    )
