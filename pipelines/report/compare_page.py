"""Sections of a report on compounds against each other."""

from dataclasses import dataclass

import pandas as pd

from gridfit.comparison import Comparison, Pair
from gridfit.estimate import Estimate
from gridfit.runplan import PlannedRun
from gridfit.worth import OWN, Worth, WorthResult
from pipelines.ingest import Ingested
from pipelines.record import Record
from pipelines.report.blocks import Block, Bullets, Cell, Picture, Section, Table, Text
from pipelines.report.compare_evidence import (
    basis_section,
    finding_blocks,
    kind_blocks,
    run_blocks,
    worth_blocks,
)
from pipelines.report.figures_compounds import Difference, draw_differences
from pipelines.report.logs_page import checks_section
from pipelines.report.sections import (
    coverage_table,
    estimate_cell,
    made_section,
    p_words,
    signed,
    stand_in_blocks,
)


def verdict_words(pair: Pair) -> str:
    """Return who has more grip, in words."""
    if pair.verdict == "undecided":
        return "undecided"
    return f"{pair.a if pair.verdict == 'a' else pair.b} has more grip"


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the report is made of.

    Parameters
    ----------
    comparison : Comparison
    runs : DataFrame
        One row per run.
    worth : WorthResult or str
        What the differences are worth, or why that cannot be told.
    plan : tuple of PlannedRun
        What to run next.
    logs : Ingested
    remarks : tuple of str
        What the fit rests on.
    """

    comparison: Comparison
    runs: pd.DataFrame
    worth: WorthResult | str
    plan: tuple[PlannedRun, ...]
    logs: Ingested
    remarks: tuple[str, ...]


def compare_sections(record: Record, found: Evidence) -> tuple[Section, ...]:
    """Return all sections of the report: the first two to decide on, the rest to check them by.

    Parameters
    ----------
    record : Record
    found : Evidence

    Returns
    -------
    tuple of Section
    """
    comparison, logs = found.comparison, found.logs
    return (
        Section("What to do next", _next_blocks(comparison, found.plan)),
        Section("The decision", _decision_blocks(found)),
        Section("What it is worth", worth_blocks(comparison, found.worth)),
        Section("Run by run", run_blocks(comparison, found.runs)),
        Section("What kind of tyre", kind_blocks(comparison)),
        Section("What else could explain it", finding_blocks(comparison)),
        basis_section(found.runs, found.remarks),
        Section("Episodes", (coverage_table(logs.episodes, logs.sheet.gears),)),
        checks_section(logs.findings),
        Section("What the car sheet left out", stand_in_blocks(record)),
        made_section(record),
    )


def _decision_blocks(found: Evidence) -> tuple[Block, ...]:
    lines = tuple(_line(pair) for pair in found.comparison.pairs)
    spoilt = tuple(
        f"{pair.a} and {pair.b}: {finding.meaning}"
        for pair in found.comparison.pairs
        for finding in pair.findings
        if not finding.passed
    )
    checked = dict.fromkeys(finding.check for pair in found.comparison.pairs for finding in pair.findings)
    doubts = (
        (Text(("What spoils it:",)), Bullets(spoilt))
        if spoilt
        else (Text((f"Nothing spoils it of what could be checked: {', '.join(checked)}.",)),)
    )
    return (
        Picture(
            draw_differences(lines),
            "Difference of peak friction with its 90 % interval; filled: decided. Grey bar: what these runs cannot "
            "tell from nothing four times in five.",
            "Differences of peak friction of every pair with their intervals.",
        ),
        _pair_table(found.comparison, found.worth),
        *doubts,
        _needed_table(found.comparison),
        Text((_how_to_read(),), small=True),
    )


def _line(pair: Pair) -> Difference:
    size = pair.peak_mu_diff_pct
    return Difference(
        f"{pair.b} over {pair.a}",
        size.mean,
        size.lo,
        size.hi,
        pair.minimum_detectable_pct,
        pair.verdict != "undecided",
    )


def _pair_table(comparison: Comparison, worth: WorthResult | str) -> Table:
    rows = []
    for pair in comparison.pairs:
        mark = "" if pair.verdict == "undecided" else "good"
        told = (
            estimate_cell(worth.of(pair.a, pair.b, OWN).differences["exit_speed_kmh"], 1)
            if isinstance(worth, WorthResult)
            else Cell("–")
        )
        rows.append(
            (
                Cell(f"{pair.b} over {pair.a}"),
                estimate_cell(pair.peak_mu_diff_pct),
                Cell(verdict_words(pair), mark=mark),
                Cell(
                    p_words(pair.p_value),
                    f"by re-labelling runs {p_words(pair.p_value_permutation)}",
                    "number",
                ),
                told,
                Cell(f"{pair.minimum_detectable_pct:.1f} %", mark="number"),
            )
        )
    head = (
        "pair",
        "peak friction, difference [%]",
        "verdict",
        "p value",
        "worth, exit speed, each on its own grids [km/h]",
        "least difference that these runs decide",
    )
    return Table("Compounds against each other", head, tuple(rows))


def _needed_table(comparison: Comparison) -> Table:
    steps = list(comparison.pairs[0].runs_needed_for_pct)
    rows = tuple(
        (
            Cell(f"{pair.b} over {pair.a}"),
            Cell(f"{pair.runs[0]} and {pair.runs[1]}", mark="number"),
            Cell(_needed(pair.runs_needed), mark="number"),
            *(_still(pair, step) for step in steps),
        )
        for pair in comparison.pairs
    )
    head = (
        "pair",
        "runs at hand",
        "runs of each that decide the difference seen",
        *(f"for {step:g} %" for step in steps),
    )
    return Table("Runs of each that it takes, and how many more", head, rows)


def _still(pair: Pair, step: float) -> Cell:
    more = pair.runs_still_needed_for_pct[step]
    below = "at hand" if max(more) == 0 else f"{_needed(more[0])} and {_needed(more[1])} more"
    return Cell(_needed(pair.runs_needed_for_pct[step]), below, "number")


def _needed(runs: int) -> str:
    return str(runs) if runs < 1000 else "over 1000"


def _how_to_read() -> str:
    return (
        "The run is the unit: many episodes in one run do not make many runs. Intervals are central 90 % "
        "intervals; a verdict is given at 5 % over all pairs together. 'Undecided' does not mean equal: it "
        "means that a difference smaller than the least one above cannot be told from chance with these runs."
    )


def difference_words(pair: Pair) -> str:
    """Return how much more or less peak friction b has than a, in words, with the interval."""
    found = pair.peak_mu_diff_pct
    word = "less" if found.mean < 0.0 else "more"
    size = found.scaled(-1.0) if found.mean < 0.0 else found
    return f"{pair.b} has {size.mean:.1f} % {word} peak friction than {pair.a} ({signed(_ends(size))} %)"


def _ends(size: Estimate) -> str:
    return f"{size.lo:.1f} to {size.hi:.1f}"


def exit_words(worth: Worth) -> str:
    """Return the difference of exit speed in words."""
    size = worth.differences["exit_speed_kmh"]
    return signed(f"{size.mean:.1f} km/h of exit speed ({_ends(size)}) with each on its own grids")


def _next_blocks(comparison: Comparison, plan: tuple[PlannedRun, ...]) -> tuple[Block, ...]:
    blocks: list[Block] = [Bullets(_steps(comparison), numbered=True)]
    if plan:
        rows = tuple(
            (
                Cell(str(one.order)),
                Cell(str(one.block), mark="number"),
                Cell(one.compound),
                Cell(one.driver or "any"),
            )
            for one in plan
        )
        blocks.append(
            Table(
                "Run plan: random order within blocks",
                ("run", "block", "compound", "driver"),
                rows,
                "Drive each block without a pause, every run alike: same grids, pressures, fuel, warm-up laps and "
                "manoeuvres. The same plan is in next_runs.csv.",
                folded=len(plan) > 12,
            )
        )
    return tuple(blocks)


def _steps(comparison: Comparison) -> tuple[str, ...]:
    steps = [
        finding.remedy
        for pair in comparison.pairs
        for finding in pair.findings
        if not finding.passed and finding.remedy
    ]
    for pair in comparison.pairs:
        if pair.verdict == "undecided":
            steps.append(
                f"{pair.a} and {pair.b}: {_needed(pair.runs_needed)} runs of each would decide the "
                f"difference seen; for a difference of 3 %, {_needed(pair.runs_needed_for_pct[3.0])}."
            )
    if all(pair.verdict != "undecided" for pair in comparison.pairs):
        steps.append(
            "No more runs are needed for these verdicts; a repeat on another day would show that they last."
        )
    else:
        steps.append("Drive the compounds in turn, in the order of the run plan, and compare all runs again.")
    steps.append(
        "Before choosing, refine the grids on each compound: a tyre is worth what its own grids make of it."
    )
    return tuple(dict.fromkeys(steps))
