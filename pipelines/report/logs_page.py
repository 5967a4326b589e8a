"""Sections of a report on logs: verdict, what to change, runs over time, episodes and coverage, checks."""

from dataclasses import replace

import numpy as np
import pandas as pd

from gridfit.signals.prepared import Signals
from pipelines.ingest import Ingested
from pipelines.report.blocks import Block, Cell, Picture, Section, Table, Text
from pipelines.report.coverage import coverage, coverage_blocks
from pipelines.report.figures_timeline import EPISODE, draw_timeline, timeline_data
from pipelines.report.sections import coverage_table, episode_table
from pipelines.verdict import Verdict

LOOKS = {"yes": "good", "partly": "", "no": "bad"}

LEVELS = {"fit": "good", "fit with corrections": "", "not fit": "bad"}


def verdict_section(verdict: Verdict) -> Section:
    """Return the verdict per run, and the questions that it stands on."""
    said = (
        "Runs that are not fit are left out of refine and compare, which say so; with none left they refuse."
    )
    blocks = (
        _run_verdicts(verdict),
        Text((said,), small=True),
        replace(verdict_table(verdict), caption="What it stands on"),
    )
    return Section("Verdict run by run", blocks)


def _run_verdicts(verdict: Verdict) -> Table:
    columns = [{one.run: one for one in use.runs} for use in verdict.uses]
    rows = []
    for run, first in columns[0].items():
        each = [column[run] for column in columns]
        stops = tuple(dict.fromkeys(text for one in each if one.level == "not fit" for text in one.reasons))
        limits = first.checks if first.level == "fit with corrections" else ()
        why = "; ".join((*stops, *limits))
        rows.append((Cell(run), *(Cell(one.level, mark=LEVELS[one.level]) for one in each), Cell(why or "–")))
    return Table("Run by run", ("run", *(f"to {use.use}" for use in verdict.uses), "why"), tuple(rows))


def next_section(verdict: Verdict, runs: int) -> Section:
    """Return the verdict per use, what can be done now, and what to change before the next test."""
    uses = tuple(
        (Cell(f"to {use.use}"), Cell(use.level, mark=LEVELS[use.level]), Cell(use.because))
        for use in verdict.uses
    )
    blocks: list[Block] = [
        Table("Fit to use?", ("use", "verdict", "because"), uses),
        Text((_now(verdict),)),
    ]
    if verdict.changes:
        blocks.append(_changes(verdict, runs))
    return Section("What to do next", tuple(blocks))


def _now(verdict: Verdict) -> str:
    ready = [f"gridfit {use.use}" for use in verdict.uses if use.level != "not fit"]
    if not ready:
        return "Do what stands in red below, and log again; until then refine and compare refuse these runs."
    later = (
        "Before the next test change what stands below"
        if verdict.changes
        else "Car and logger need no change"
    )
    drive = "what to drive next stands under Episodes and coverage"
    return f"These runs are ready for {' and '.join(ready)}. {later}; {drive}."


def _changes(verdict: Verdict, runs: int) -> Table:
    rows = tuple(
        (
            Cell(f"{number}. {change.todo}", mark="bad" if change.stops else ""),
            Cell("; ".join(change.because)),
            Cell("all" if len(change.runs) in (0, runs) else ", ".join(change.runs)),
        )
        for number, change in enumerate(verdict.changes, 1)
    )
    note = (
        "Red: without it runs cannot be used. The rest is corrected here or narrows what can be said, as its reason "
        "tells; the controller is not corrected."
    )
    return Table(
        "What to change on car, logger, sheet or note before the next test",
        ("change", "because", "runs"),
        rows,
        note,
    )


def verdict_table(verdict: Verdict) -> Table:
    """Return the questions with their answers."""
    rows = tuple(
        (
            Cell(question.asked),
            Cell(question.answer, mark=LOOKS[question.answer]),
            Cell(question.because),
            Cell(question.remedy or "–"),
        )
        for question in verdict.questions
    )
    return Table("", ("question", "answer", "because", "what to do"), rows)


def runs_section(logs: Ingested) -> Section:
    """Return each run with its note, and its course over time."""
    rows = tuple(_run_row(item, logs) for item in logs.signals)
    head = (
        "run",
        "compound",
        "date",
        "track",
        "track temp. [°C]",
        "grids in force",
        "length",
        "log rate [Hz]",
        "rows dropped",
        "channels",
    )
    blocks: list[Block] = [Table("Runs", head, rows)]
    for index, item in enumerate(logs.signals):
        data = timeline_data(item.name, item.table, logs.episodes, item.faults)
        blocks.append(
            Picture(
                draw_timeline(data, f"timeline{index}"),
                f"{item.name}: driven speed over the factor (range per pixel) and undriven speed; below, one lane per "
                "kind of mark with how many there are. Short marks are drawn wider than they are.",
                f"Speeds over time of {item.name}, {len(data.lanes[EPISODE])} slip episodes and marks of faults; see "
                "episodes.csv and faults.csv.",
            )
        )
    return Section("The runs", tuple(blocks))


def _run_row(item: Signals, logs: Ingested) -> tuple[Cell, ...]:
    note, run = item.run.note, item.run
    temperature = "–" if note.track_temp_c is None else f"{note.track_temp_c:g}"
    return (
        Cell(item.name),
        Cell(note.compound),
        Cell(note.date or "–"),
        Cell(note.track or "–"),
        Cell(temperature, mark="number"),
        Cell(logs.in_force[item.name] or "not known"),
        Cell(f"{run.duration_s / 60:.1f} min", mark="number"),
        Cell(f"{1.0 / item.step_s:.0f}", mark="number"),
        Cell(str(run.rows_dropped), mark="number"),
        Cell(", ".join(run.roles)),
    )


def coverage_section(logs: Ingested) -> Section:
    """Return episodes per gear and speed, per gear and cause, and the episodes themselves."""
    blocks: list[Block] = [*coverage_blocks(coverage(logs.sheet, logs.signals, logs.episodes))]
    if logs.episodes.empty:
        return Section("Episodes and coverage", (Text(("No slip episode was found.",)), *blocks))
    blocks += [coverage_table(logs.episodes, logs.sheet.gears), episode_table(logs.episodes, most=25)]
    return Section("Episodes and coverage", tuple(blocks))


def checks_section(findings: pd.DataFrame) -> Section:
    """Return failed checks in full, runs merged, and those that passed in every run in brief."""
    blocks: list[Block] = []
    failed = findings[~findings["passed"].astype(bool)]
    if failed.empty:
        blocks.append(Text((f"All {findings['check'].nunique()} checks passed in every run.",)))
    else:
        blocks.append(_failed_table(failed, findings["run"].nunique()))
    bad = set(failed["check"])
    passed = findings.loc[~findings["check"].isin(bad), "check"].nunique()
    if passed and bad:
        blocks.append(Text((f"{passed} other checks passed in every run.",)))
    blocks.append(
        Text(("Every check of every run, with its value and its rule, is in findings.csv.",), small=True)
    )
    return Section("Checks", tuple(blocks))


def _failed_table(failed: pd.DataFrame, runs: int) -> Table:
    rows = []
    for check, group in failed.groupby("check", sort=False):
        first = group.iloc[0]
        values = ", ".join(f"{value:.3g}" for value in group["value"])
        rule = f"{first['statistic']} must be {first['operator']} {first['threshold']:.3g}"
        rows.append(
            (
                Cell(str(check)),
                Cell(_runs(group, runs)),
                Cell(values, rule),
                Cell(_meaning(group)),
                Cell(str(group["remedy"].iloc[_worst(group)])),
            )
        )
    head = ("check", "runs", "found, and the rule", "what it means", "what to do")
    return Table("Checks that failed", head, tuple(rows))


def _runs(group: pd.DataFrame, runs: int) -> str:
    names = list(dict.fromkeys(str(run) for run in group["run"]))
    return "all runs" if len(names) == runs and runs > 1 else ", ".join(names)


def _meaning(group: pd.DataFrame) -> str:
    """Return the meaning that all runs share, else the one of the worst run."""
    meanings = [str(text) for text in group["meaning"]]
    if len(set(meanings)) == 1:
        return meanings[0]
    worst = _worst(group)
    return f"worst in {group['run'].iloc[worst]}: {meanings[worst]}"


def _worst(group: pd.DataFrame) -> int:
    """Return which row of a check lies furthest beyond its threshold."""
    distance = (group["value"] - group["threshold"]).abs().to_numpy(dtype=np.float64)
    return int(np.argmax(np.nan_to_num(distance, nan=np.inf)))
