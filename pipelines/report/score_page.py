"""Sections of a report on a scored grid pair."""

import pandas as pd

from gridfit.carsheet import CarSheet
from gridfit.grids import GridPair
from pipelines.judge import Judged
from pipelines.partnames import COST, PART_DECIMALS, PART_LABELS
from pipelines.record import Record
from pipelines.report.blocks import Block, Bullets, Cell, Picture, Section, Table, Text
from pipelines.report.figures_score import draw_parts, parts_data
from pipelines.report.figures_traces import Example, draw_traces, traces_data
from pipelines.report.grid_tables import copies, cut_table, target_table
from pipelines.report.sections import episode_table, estimate_cell, made_section, score_table, stand_in_blocks


def score_sections(
    record: Record,
    judged: Judged,
    traces: list[Example],
    sheet: CarSheet,
    pairs: tuple[GridPair, GridPair],
    driven: pd.DataFrame,
) -> tuple[Section, ...]:
    """Return all sections of the report.

    Parameters
    ----------
    record : Record
    judged : Judged
        The reference pair first.
    traces : list of Example
    sheet : CarSheet
    pairs : (GridPair, GridPair)
        Reference and given.
    driven : DataFrame
        Episodes of runs in which the pair was in force; empty without runs.

    Returns
    -------
    tuple of Section
    """
    sections = [
        Section("What to do next", (Bullets(_steps(record, driven), numbered=True),)),
        _expected(judged, traces),
    ]
    if not driven.empty:
        sections.append(Section("What it did", (_driven_table(driven), episode_table(driven, 25))))
    reference, given = pairs
    tables: tuple[Block, ...] = (
        target_table(given, reference, sheet, name="common practice"),
        cut_table(given, reference, name="common practice"),
        *copies(given, sheet),
    )
    sections += [
        Section("The grid pair, against common practice", tables),
        Section("What rests on data, what on the prior", (Text(_basis(record, driven)),)),
        Section("What the car sheet left out", stand_in_blocks(record)),
        made_section(record),
    ]
    return tuple(sections)


def _expected(judged: Judged, traces: list[Example]) -> Section:
    scores = judged.scores()
    usual, given = judged.names[0], judged.names[-1]
    gears = [(gear, judged.scores(gear)) for gear in judged.gears()]
    rows = tuple(
        (
            Cell(f"gear {gear}"),
            *(
                estimate_cell(own[name][part], PART_DECIMALS[part])
                for part in (COST, "recovery_s")
                for name in own
            ),
        )
        for gear, own in gears
    )
    head = ("", f"cost, {usual}", f"cost, {given}", f"recovery [s], {usual}", f"recovery [s], {given}")
    draws, count = judged.parts.shape[2], judged.parts.shape[1]
    return Section(
        "What it would do",
        (
            Text(
                (
                    f"Simulated on {count} standard scenarios and {draws} draws of the plant. Drive lost is below zero "
                    "where turning parts give energy back.",
                )
            ),
            Picture(
                draw_parts(parts_data(scores, PART_LABELS)),
                "Mean (marker) and 90 % interval (line) of each part.",
                "Parts of the recovery score of both pairs; the table below has the numbers.",
            ),
            score_table(scores, "Parts of the recovery score"),
            Table("Gear by gear", head, rows),
            Picture(
                draw_traces(traces_data(traces, usual, given)),
                "The same disturbance on the mean plant with both grid pairs. Top: wheel slip, grey the "
                "target of this pair; middle: cut as it takes effect; bottom: speed of the car.",
                f"Slip, cut and speed over time in {len(traces)} example episodes.",
            ),
        ),
    )


def _driven_table(driven: pd.DataFrame) -> Table:
    rows = []
    for gear in sorted(int(gear) for gear in driven["gear"].unique()):
        own = driven[driven["gear"] == gear]
        recovery, slip = own["recovery_s"], own["peak_slip_kmh"]
        rows.append(
            (
                Cell(f"gear {gear}" if gear else "gear unknown"),
                Cell(str(len(own)), mark="number"),
                Cell(
                    f"{recovery.median():.2f}",
                    f"{recovery.quantile(0.25):.2f} to {recovery.quantile(0.75):.2f}",
                    "number",
                ),
                Cell(
                    f"{slip.median():.1f}",
                    f"{slip.quantile(0.25):.1f} to {slip.quantile(0.75):.1f}",
                    "number",
                ),
                Cell(f"{100 * float((recovery > 1.0).mean()):.0f} %", mark="number"),
            )
        )
    head = ("", "episodes", "recovery [s]", "peak slip [km/h]", "longer than 1 s")
    note = (
        "Median, and the middle half below it. These are the episodes that happened, not the standard ones."
    )
    return Table("Logged episodes with this pair in force", head, tuple(rows), note)


def _basis(record: Record, driven: pd.DataFrame) -> tuple[str, ...]:
    plants = {
        "prior": "The expected figures rest on the prior alone: the plants that the car sheet allows, without "
        "any log.",
        "fit": "The expected figures rest on the plant of an earlier refine. Which of its figures the logs informed, "
        "and which still rest on the car sheet, that refine's report says.",
    }
    measured = (
        f"The {len(driven)} logged episodes are data: calibrated speeds, and no plant. They met other speeds, "
        "surfaces and throttles than the standard scenarios, so the two need not agree."
        if len(driven)
        else "Nothing was measured: there is no episode of a run with this pair in force."
    )
    plant = str(record.figures.get("plant"))
    return plants.get(plant, f"The expected figures rest on a plant from: {plant}."), measured


def _steps(record: Record, driven: pd.DataFrame) -> tuple[str, ...]:
    steps = ["Compare the parts, not only the cost: a pair can gain drive and lose calm."]
    if driven.empty:
        steps.append(
            "Log runs with this pair in force and add them to the call: it then says what the pair did."
        )
    if record.figures.get("plant") == "prior":
        steps.append("Run gridfit refine on logs of this car, then score again with --plant plant.json.")
    steps.append("To search for a better pair, run gridfit refine with this pair as --grids.")
    return tuple(steps)
