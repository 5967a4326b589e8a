"""Section of a report on whether the plant follows the logs, and on what each of its figures rests."""

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from gridfit.plant.crossvalidation import HeldOut
from gridfit.plant.modelchecks import ModelChecks
from pipelines.partnames import PLANT_LABELS
from pipelines.report.blocks import Block, Cell, Picture, Section, Table, Text
from pipelines.report.figures_fit import draw_errors, draw_followed, error_data, followed_data
from pipelines.report.sections import signed

MOVED_WORDS = {"yes": "yes", "no": "no", "held": "held"}
"""What the column "moved by the logs" says."""


def fit_section(checks: ModelChecks) -> Section:
    """Return the checks of the fitted plant in pictures and tables.

    Parameters
    ----------
    checks : ModelChecks

    Returns
    -------
    Section
    """
    blocks: list[Block] = [Text((_verdict(checks), _unmoved(checks.parameters)))]
    failed = [finding for finding in checks.findings if not finding.passed]
    if failed:
        rows = tuple(
            (
                Cell(f.check),
                Cell(f"{f.value:.3g}", f"{f.statistic} must be {f.operator} {f.threshold:.3g}"),
                Cell(f.meaning),
                Cell(f.remedy),
            )
            for f in failed
        )
        blocks.append(
            Table(
                "Where the plant does not follow",
                ("check", "found, and the rule", "what it means", "what to do"),
                rows,
            )
        )
    episodes = followed_data(checks)
    if episodes:
        blocks.append(
            Picture(
                draw_followed(episodes),
                "Logged speeds (dots) and what the fitted plant predicts from the logged throttle and cut (lines), in "
                "the episodes that it follows best, middling and worst. The prediction starts afresh at each thin "
                "upright line, every quarter of a second, and runs free from there. Samples set aside, such as on "
                "kerbs, are left out.",
                f"Measured and predicted wheel and engine speeds in {len(episodes)} episodes.",
            )
        )
    blocks.append(
        Picture(
            draw_errors(error_data(checks)),
            "How far predictions of the driven speed are off, beside the sensor's own noise. Points near the top of "
            "the grey bar or below it: nothing left to explain. Points far above it: the plant lacks something in "
            "that gear or at that speed.",
            "Typical errors of the driven speed by gear and by speed, beside the noise; numbers in the tables below.",
        )
    )
    blocks += [_residuals(checks.by_gear, "gear"), _residuals(checks.by_speed, "speed from [km/h]")]
    blocks.append(_held_out(checks.held_out))
    blocks.append(parameter_table_block(checks.parameters))
    return Section("Does the plant follow the logs?", tuple(blocks))


def _verdict(checks: ModelChecks) -> str:
    failed = sum(not finding.passed for finding in checks.findings)
    if failed:
        return (
            f"Not everywhere: {failed} of {len(checks.findings)} checks of the fit failed. Intervals in this report "
            "hold only if the car is a plant of this kind."
        )
    return (
        f"Yes: all {len(checks.findings)} checks of the fit passed. Errors are held against the sensors' noise, runs "
        "that were left out against the car sheet alone, and figures against what is believable."
    )


def _unmoved(parameters: pd.DataFrame) -> str:
    """Say which figures the logs did not move."""
    by_word = {
        word: [PLANT_LABELS[name] for name in parameters.loc[parameters["moved"] == word, "parameter"]]
        for word in ("no", "held")
    }
    return (
        f"The logs did not narrow: {'; '.join(by_word['no']) or 'nothing'}. Left at the car sheet or at what is usual "
        f"by design, and spread in the draws: {'; '.join(by_word['held']) or 'nothing'}."
    )


def _number(value: float, form: str) -> Cell:
    text = "–" if not math.isfinite(value) else signed(format(value, form))
    return Cell(text, mark="number")


def _figures(value: float) -> str:
    """Return a value with three significant figures and no power of ten."""
    return signed(np.format_float_positional(float(f"{value:.3g}"), trim="-"))


def _residuals(table: pd.DataFrame, by: str) -> Table:
    rows = []
    for row in table.sort_values(["group", "in_episodes"], ascending=[True, False]).to_dict("records"):
        rows.append(
            (
                Cell(f"{row['group']}"),
                Cell("in episodes" if row["in_episodes"] else "elsewhere"),
                _number(row["windows"], ".0f"),
                *(
                    _number(row[key], ".3f")
                    for key in ("typical_kmh", "rms_kmh", "end_bias_kmh", "noise_kmh")
                ),
                _number(row["over_noise"], ".1f"),
                _number(row["alike"], ".2f"),
            )
        )
    head = (
        by, "driving", "windows", "typical error [km/h]", "RMS error [km/h]", "bias at the end [km/h]", "noise [km/h]",
        "typical over noise [1]", "likeness [1]",
    )  # fmt: skip
    note = (
        "Predicted less measured driven speed over windows of a quarter of a second. Typical: median over windows; RMS "
        "over all samples, which a few wild windows rule. Bias: mean over the last third of the windows. Likeness: "
        "correlation with the next sample's error; near 0 is noise, near 1 is something that the plant lacks."
    )
    return Table(f"Errors by {by.split(' ')[0]}", head, tuple(rows), note, folded=True)


def _held_out(held: HeldOut | None) -> Block:
    if held is None:
        return Text(
            (
                "No run was left out: that takes two runs or more, and a budget other than quick. How the plant does "
                "on a run that it has not seen is not known.",
            )
        )
    rows = tuple(_held_row(row) for row in held.table().to_dict("records"))
    head = (
        "run left out", "windows in episodes", "noise [km/h]", "error, fitted with it [km/h]",
        "error, fitted without it [km/h]", "error, car sheet alone [km/h]", "misfit less than car sheet alone [%]",
    )  # fmt: skip
    note = (
        "Each run is predicted by a plant that was fitted to the other runs; only the starts of its windows are free, "
        "as they are for the two plants beside it. Errors are of the driven speed, medians over windows. The last "
        "column weighs all channels and how far the starts had to bend: below zero, the other runs mislead."
    )
    return Table("Runs left out", head, rows, note)


def _held_row(row: Mapping[Any, Any]) -> tuple[Cell, ...]:
    keys = ("noise_kmh", "in_sample_kmh", "held_out_kmh", "car_sheet_kmh")
    gain = _number(row["better_than_car_sheet_pct"], "+.0f")
    return (
        Cell(str(row["run"])),
        _number(row["windows"], ".0f"),
        *(_number(row[key], ".3f") for key in keys),
        gain,
    )


def parameter_table_block(parameters: pd.DataFrame) -> Table:
    """Return every parameter with unit, prior, source, posterior and what the logs did for it, folded."""
    rows = tuple(_parameter_row(row) for row in parameters.to_dict("records"))
    head = (
        "figure", "unit", "before the logs", "after", "effective episodes", "from the logs [%]", "moved",
        "source of before",
    )  # fmt: skip
    note = (
        "Before: median and standard deviation; after: mean and 90 % interval. Effective episodes: as many equal ones "
        "as would tell as much, quiet windows counted alike. From the logs: their share in how narrowly the "
        "figure is known. Held: the fit leaves it, since logs cannot tell it from faults of the model; its spread is "
        "in the draws. The same table is parameters.csv."
    )
    return Table("Every figure of the plant", head, rows, note, folded=True)


def _parameter_row(row: Mapping[Any, Any]) -> tuple[Cell, ...]:
    unit = "" if row["unit"] == "1" else str(row["unit"])
    spread = (
        f"± {100.0 * row['prior_sd']:.2g} %"
        if row["prior_sd_unit"] == "of the value"
        else f"± {row['prior_sd']:.2g}"
    )
    told = row["moved"] != "held" and row["from_logs_pct"] >= 1.0
    return (
        Cell(PLANT_LABELS[str(row["parameter"])]),
        Cell(unit or "–"),
        Cell(_figures(row["prior"]), spread, "number"),
        Cell(_figures(row["posterior"]), f"{_figures(row['lo'])} to {_figures(row['hi'])}", "number"),
        _number(row["effective_episodes"] if told else math.nan, ".0f"),
        _number(row["from_logs_pct"], ".0f"),
        Cell(MOVED_WORDS[str(row["moved"])], mark="good" if row["moved"] == "yes" else ""),
        Cell(str(row["source"])),
    )
