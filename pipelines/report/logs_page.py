"""Sections of a report on logs: verdict, runs, calibration, gears, coverage, checks, episodes."""

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.driveline import overall_ratio, rolling_radius_m
from gridfit.signals.prepared import Signals
from pipelines.ingest import Ingested
from pipelines.report.blocks import Block, Cell, Picture, Section, Table, Text
from pipelines.report.figures_logs import (
    calibration_data,
    draw_calibration,
    draw_gears,
    draw_timeline,
    gear_data,
    timeline_data,
)
from pipelines.report.sections import coverage_table, episode_table
from pipelines.verdict import Verdict

LOOKS = {"yes": "good", "partly": "", "no": "bad"}


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
        data = timeline_data(item.name, item.table, logs.episodes)
        blocks.append(
            Picture(
                draw_timeline(data, f"timeline{index}"),
                f"{item.name}: calibrated driven speed (range) and undriven speed; below, slip episodes and "
                "what was set aside.",
                f"Speeds over time of {item.name} with {len(data.episodes)} slip episodes; see episodes.csv.",
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


def calibration_section(logs: Ingested) -> Section:
    """Return the wheel-speed factor of every run, and the gears against the ratios."""
    signals = logs.signals
    tables = [item.table for item in signals]
    factors = [(item.factor.mean, item.factor.lo, item.factor.hi) for item in signals]
    rows = tuple(
        (
            Cell(item.name),
            Cell(f"{item.factor}"),
            Cell(f"{100 * (item.factor.mean - 1):+.2f} %"),
            _radius(item),
        )
        for item in signals
    )
    blocks: list[Block] = [
        Text(
            (
                "When the car rolls without slip, driven and undriven wheels must show the same speed. The "
                "factor below is what they differ by; gridfit takes it out. The controller does not: as long "
                "as its tyre circumferences are off by 1 %, its slip reads 1 point wrong at every speed.",
            )
        ),
        Table(
            "Wheel-speed factor, driven over undriven",
            (
                "run",
                "factor (90 % interval)",
                "slip that the controller reads when rolling",
                "rolling radius",
            ),
            rows,
        ),
        Picture(
            draw_calibration(calibration_data([item.name for item in signals], tables, factors)),
            "Ratio of the raw speeds with little throttle, no brake and no shift; line: factor in use.",
            "Ratio of driven to undriven speed against speed for each run.",
        ),
    ]
    data = gear_data(tables, gear_lines(logs.sheet, signals))
    if data.rpm.size:
        blocks.append(
            Picture(
                draw_gears(data),
                "Engine speed against driven wheel speed; lines: ratios and tyre size of the car sheet.",
                "Engine speed against road speed with one line per gear.",
            )
        )
    else:
        blocks.append(
            Text(("No engine speed was logged, so the gears cannot be checked against the ratios.",))
        )
    return Section("Calibration", tuple(blocks))


def _radius(item: Signals) -> Cell:
    return Cell("–" if not math.isfinite(item.radius.mean) else f"{item.radius} m")


def gear_lines(sheet: CarSheet, signals: tuple[Signals, ...]) -> NDArray[np.float64]:
    """Return the slope of each gear, float64[G] [rpm per km/h], by the measured radius where there is one."""
    radii = [item.radius.mean for item in signals if math.isfinite(item.radius.mean)]
    radius_m = float(np.median(radii)) if radii else rolling_radius_m(sheet.tyre.size)
    ratios = np.array([overall_ratio(sheet, gear) for gear in range(1, sheet.gears + 1)])
    slopes: NDArray[np.float64] = ratios * 60.0 / (2.0 * math.pi * radius_m) / 3.6
    return slopes


def coverage_section(logs: Ingested) -> Section:
    """Return episodes per gear and cause, and the episodes themselves."""
    if logs.episodes.empty:
        return Section("Episodes", (Text(("No slip episode was found.",)),))
    blocks = (coverage_table(logs.episodes, logs.sheet.gears), episode_table(logs.episodes, most=25))
    return Section("Episodes", blocks)


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
                Cell(" ".join(dict.fromkeys(str(text) for text in group["remedy"]))),
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
    distance = (group["value"] - group["threshold"]).abs().to_numpy(dtype=np.float64)
    worst = int(np.argmax(np.nan_to_num(distance, nan=np.inf)))
    return f"worst in {group['run'].iloc[worst]}: {meanings[worst]}"
