"""Sections of a report on compounds against each other."""

import math

import pandas as pd

from gridfit.comparison import Comparison, Pair
from gridfit.estimate import Estimate
from pipelines.ingest import Ingested
from pipelines.record import Record
from pipelines.report.blocks import Block, Bullets, Cell, Picture, Section, Table, Text
from pipelines.report.figures_compounds import compound_data, draw_compounds
from pipelines.report.logs_page import checks_section
from pipelines.report.sections import coverage_table, estimate_cell, made_section, signed, stand_in_blocks


def verdict_words(pair: Pair) -> str:
    """Return who has more grip, in words."""
    if pair.verdict == "undecided":
        return "undecided"
    return f"{pair.a if pair.verdict == 'a' else pair.b} has more grip"


def compare_sections(
    record: Record, comparison: Comparison, runs: pd.DataFrame, logs: Ingested, remarks: tuple[str, ...]
) -> tuple[Section, ...]:
    """Return all sections of the report.

    Parameters
    ----------
    record : Record
    comparison : Comparison
    runs : DataFrame
        One row per run: compound, run, log_mu, se, track_temp_c.
    logs : Ingested
    remarks : tuple of str
        What the fit rests on.

    Returns
    -------
    tuple of Section
    """
    return (
        Section("What to do next", (Bullets(_steps(comparison), numbered=True),)),
        Section("Pairs", (_pair_table(comparison), Text((_how_to_read(),), small=True))),
        Section("Run by run", _run_blocks(comparison, runs)),
        Section("What else could explain it", _finding_blocks(comparison)),
        _basis(runs, remarks),
        Section("Episodes", (coverage_table(logs.episodes, logs.sheet.gears),)),
        checks_section(logs.findings),
        Section("What the car sheet left out", stand_in_blocks(record)),
        made_section(record),
    )


def _pair_table(comparison: Comparison) -> Table:
    rows = []
    for pair in comparison.pairs:
        mark = "" if pair.verdict == "undecided" else "good"
        rows.append(
            (
                Cell(f"{pair.b} over {pair.a}"),
                estimate_cell(pair.peak_mu_diff_pct),
                Cell(verdict_words(pair), mark=mark),
                Cell(f"{pair.p_value:.3f}", f"by re-labelling runs {pair.p_value_permutation:.3f}", "number"),
                Cell(f"{pair.minimum_detectable_pct:.1f} %", mark="number"),
                Cell(f"{pair.runs[0]} and {pair.runs[1]}", mark="number"),
                Cell(_needed(pair.runs_needed), mark="number"),
            )
        )
    head = (
        "pair",
        "peak friction, difference [%]",
        "verdict",
        "p value",
        "least difference that these runs decide",
        "runs",
        "runs of each to decide the one seen",
    )
    return Table("Compounds against each other", head, tuple(rows))


def _needed(runs: int) -> str:
    return str(runs) if runs < 1000 else "over 1000"


def _how_to_read() -> str:
    return (
        "The run is the unit: many episodes in one run do not make many runs. Intervals are central 90 % "
        "intervals; a verdict is given at 5 % over all pairs together. 'Undecided' does not mean equal: it "
        "means that a difference smaller than the least one above cannot be told from chance with these runs."
    )


def _run_blocks(comparison: Comparison, runs: pd.DataFrame) -> tuple[Block, ...]:
    known = runs[runs["log_mu"].map(math.isfinite)]
    blocks: list[Block] = [
        Picture(
            draw_compounds(compound_data(known)),
            "Peak friction of every run with its 90 % interval; below each run its track temperature.",
            "Peak friction of every run by compound.",
        )
    ]
    levels = tuple((Cell(name), estimate_cell(level)) for name, level in comparison.peak_mu.items())
    blocks.append(Table("Peak friction of each compound", ("compound", "peak friction [1]"), levels))
    slope = comparison.temperature_slope_pct_per_c
    said = [
        f"Runs of one compound differ by {comparison.run_sd_pct:.1f} % (standard deviation) beyond what each "
        "run's own error explains."
    ]
    if slope is not None:
        said.append(
            f"Peak friction changes by {signed(str(slope))} % per °C of track temperature; that is taken out."
        )
    if comparison.left_out:
        said.append(f"Peak friction could not be told in {', '.join(comparison.left_out)}; left out.")
    return (*blocks, Text(tuple(said)))


def _basis(runs: pd.DataFrame, remarks: tuple[str, ...]) -> Section:
    rows = tuple(
        (
            Cell(str(row["run"])),
            Cell(str(row["compound"])),
            Cell(str(row["episodes"]), mark="number"),
            Cell(str(row["sliding_windows"]), mark="number"),
        )
        for row in runs.to_dict("records")
    )
    text = (
        "Each run's peak friction is data: it comes from the windows in which the tyre slid. What is common to all "
        "runs (mass, loads, the shape of the tyre curve) shifts all of them together, so the difference between "
        "compounds is known better than the level.",
        *remarks,
    )
    head = ("run", "compound", "episodes", "windows in which it slid")
    table = Table("What each run brings", head, rows)
    return Section("What rests on data, what on the prior", (Text(text), table))


def difference_words(pair: Pair) -> str:
    """Return how much more or less peak friction b has than a, in words, with the interval."""
    found = pair.peak_mu_diff_pct
    word = "less" if found.mean < 0.0 else "more"
    size = found.scaled(-1.0) if found.mean < 0.0 else found
    return f"{pair.b} has {size.mean:.1f} % {word} peak friction than {pair.a} ({signed(_ends(size))} %)"


def _ends(size: Estimate) -> str:
    return f"{size.lo:.1f} to {size.hi:.1f}"


def _finding_blocks(comparison: Comparison) -> tuple[Block, ...]:
    rows = [
        (
            Cell(f"{finding.pair[0]}, {finding.pair[1]}"),
            Cell(finding.check),
            Cell("passed" if finding.passed else "failed", mark="good" if finding.passed else "bad"),
            Cell(f"{finding.value:.3g}", f"{finding.statistic} {finding.operator} {finding.threshold:.3g}"),
            Cell(finding.meaning),
            Cell(finding.remedy or "–"),
        )
        for pair in comparison.pairs
        for finding in pair.findings
    ]
    if not rows:
        return (Text(("Nothing that was checked.",)),)
    head = ("pair", "check", "outcome", "found, and the rule", "what it means", "what to do")
    return (Table("Temperature, day, track, gears, single runs", head, tuple(rows)),)


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
    steps.append("Drive the compounds in mixed order on one day, with the same grids, pressures and warm-up.")
    steps.append(
        "Before choosing, refine the grids on each compound: a tyre is worth what its own grids make of it."
    )
    return tuple(dict.fromkeys(steps))
