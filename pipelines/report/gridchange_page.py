"""Sections of a report on grid pairs against each other, as they were driven."""

import pandas as pd

from gridfit.comparison import Comparison
from gridfit.gridchange import OUTCOMES, GridChange
from gridfit.runplan import PlannedRun
from pipelines.ingest import Ingested
from pipelines.record import Record
from pipelines.report.blocks import Block, Bullets, Cell, Picture, Section, Table, Text
from pipelines.report.compare_evidence import finding_blocks
from pipelines.report.figures_compounds import Difference, compound_data, draw_compounds, draw_differences
from pipelines.report.logs_page import checks_section
from pipelines.report.sections import coverage_table, estimate_cell, made_section, p_words, stand_in_blocks

UNITS = {
    "gained_kmh": "speed gained [km/h]",
    "peak_slip_kmh": "largest slip speed [km/h]",
    "recovery_s": "recovery [s]",
}
"""Labels of the axes."""

BASIS = (
    "All of it is measured: nothing here rests on a fitted plant or on a prior. Which pair steered a run is what its "
    "note says."
)


def gridchange_sections(
    record: Record, change: GridChange, runs: pd.DataFrame, plan: tuple[PlannedRun, ...], logs: Ingested
) -> tuple[Section, ...]:
    """Return all sections of the report.

    Parameters
    ----------
    record : Record
    change : GridChange
    runs : DataFrame
        One row per run.
    plan : tuple of PlannedRun
        What to run next.
    logs : Ingested

    Returns
    -------
    tuple of Section
    """
    first: Comparison = next(iter(change.outcomes.values()))
    return (
        Section("What to do next", _next_blocks(first, plan)),
        Section("The decision", _decision_blocks(change)),
        Section("Every run", (*_run_figures(change), _run_table(runs))),
        Section("What else could explain it", finding_blocks(first)),
        Section("What rests on data, what on the prior", (Text((BASIS,)),)),
        Section("Episodes", (coverage_table(logs.episodes, logs.sheet.gears),)),
        checks_section(logs.findings),
        Section("What the car sheet left out", stand_in_blocks(record)),
        made_section(record),
    )


def _decision_blocks(change: GridChange) -> tuple[Block, ...]:
    blocks: list[Block] = []
    rows = []
    lines = []
    for outcome in OUTCOMES:
        if outcome.key not in change.outcomes:
            continue
        for pair in change.outcomes[outcome.key].pairs:
            size, verdict = pair.peak_mu_diff_pct, change.verdict(outcome, pair)
            least = pair.minimum_detectable_pct
            lines.append(
                Difference(
                    f"{outcome.label}\n{pair.b} over {pair.a}",
                    size.mean,
                    size.lo,
                    size.hi,
                    least,
                    verdict != "undecided",
                )
            )
            rows.append(
                (
                    Cell(outcome.label),
                    Cell(f"{pair.b} over {pair.a}"),
                    estimate_cell(size),
                    Cell(verdict, mark={"better": "good", "worse": "bad"}.get(verdict, "")),
                    Cell(
                        p_words(change.p_values[outcome.key, pair.a, pair.b]),
                        f"by re-labelling runs, alone {p_words(pair.p_value_permutation)}",
                        "number",
                    ),
                    Cell(f"{least:.0f} %", mark="number"),
                    Cell(f"{pair.runs[0]} and {pair.runs[1]}", mark="number"),
                    Cell(str(pair.runs_needed) if pair.runs_needed < 1000 else "over 1000", mark="number"),
                )
            )
    blocks.append(
        Picture(
            draw_differences(tuple(lines), "difference as driven, later over earlier [%]"),
            "Difference of each outcome with its 90 % interval; filled: decided. Grey bar: what these runs cannot tell "
            "from nothing four times in five.",
            "Differences of every outcome between the grid pairs.",
        )
    )
    head = (
        "outcome", "pair", "difference [%]", "verdict", "p value", "least difference that these runs decide", "runs",
        "runs of each that decide the difference seen",
    )  # fmt: skip
    blocks.append(Table("Later grid pair over the earlier one, as driven", head, tuple(rows)))
    blocks.append(
        Text(
            (
                "Each run's figure is its effect beside those of gear and cause, so a run with more first-gear stabs "
                "is not called worse for it; runs are compared within their compound. Time to recover is counted "
                "from each pair's own target; speed gained and largest slip speed are the car's.",
            ),
            small=True,
        )
    )
    return tuple(blocks)


def _next_blocks(first: Comparison, plan: tuple[PlannedRun, ...]) -> tuple[Block, ...]:
    steps = [one.remedy for pair in first.pairs for one in pair.findings if not one.passed and one.remedy]
    if plan:
        steps.append(
            "Drive the pairs in turn, in the order below; change nothing but the grids between the runs."
        )
    else:
        steps.append("Keep the earlier pair at hand, and compare again after the next change.")
    blocks: list[Block] = [Bullets(tuple(dict.fromkeys(steps)), numbered=True)]
    if plan:
        rows = tuple(
            (
                Cell(str(one.order)),
                Cell(str(one.block), mark="number"),
                Cell(one.grids),
                Cell(one.driver or "any"),
            )
            for one in plan
        )
        blocks.append(
            Table("Run plan: random order within blocks", ("run", "block", "grids", "driver"), rows)
        )
    return tuple(blocks)


def _run_figures(change: GridChange) -> tuple[Block, ...]:
    """Return each outcome of every run."""
    return tuple(
        Picture(
            draw_compounds(compound_data(rows), UNITS[outcome.key], f"runs-{outcome.key}"),
            f"{outcome.label[:1].upper()}{outcome.label[1:]}: every run at the average mix of gears and causes, with "
            "its 90 % interval.",
            f"{outcome.label} of every run by grid pair.",
        )
        for outcome in OUTCOMES
        if (rows := change.run_effects.get(outcome.key)) is not None and len(rows)
    )


def _run_table(runs: pd.DataFrame) -> Table:
    rows = tuple(
        (
            Cell(str(row["run"])),
            Cell(str(row["grids"]) or "not known"),
            Cell(str(row["compound"])),
            Cell(str(row["day"])),
            Cell(
                f"{row['track_temp_c']:.0f}" if row["track_temp_c"] == row["track_temp_c"] else "–",
                mark="number",
            ),
            Cell(str(row["episodes"]), mark="number"),
            Cell(f"{row['mean_gear']:.1f}", mark="number"),
            Cell(f"{row['speed_kmh']:.0f}", mark="number"),
        )
        for row in runs.to_dict("records")
    )
    head = (
        "run",
        "grids in force",
        "compound",
        "day",
        "track [°C]",
        "episodes",
        "mean gear",
        "mean speed in them [km/h]",
    )
    return Table("Runs in the order of time", head, rows)
