"""Evidence behind a comparison of compounds: worth, every run, kind of tyre, confounders, what it rests on."""

import math

import pandas as pd

from gridfit.comparison import Comparison
from gridfit.worth import UNDER, WorthResult
from pipelines.report.blocks import Block, Cell, Picture, Section, Table, Text
from pipelines.report.figures_compounds import compound_data, draw_compounds, draw_shapes, shape_data
from pipelines.report.sections import estimate_cell, p_words, signed

FIGURE_LABELS = {
    "peak_slip_pct": "slip at the peak [%]",
    "fall_off_pct": "friction lost at twice that slip [% of the peak]",
    "drift_pct_per_min": "drift within the run [% per min]",
}
"""Figures of a run beside its peak friction, as reports show them."""


def worth_blocks(comparison: Comparison, worth: WorthResult | str) -> tuple[Block, ...]:
    """Return what the differences are worth in the standard scenarios."""
    if isinstance(worth, str):
        return (Text((f"Not told: {worth}",)),)
    rows = tuple(
        (
            Cell(f"{pair.b} over {pair.a}"),
            Cell("each its own best" if under == UNDER[0] else "the common pair"),
            estimate_cell(pair.peak_mu_diff_pct),
            *(
                estimate_cell(worth.of(pair.a, pair.b, under).differences[key], decimals)
                for key, decimals in (
                    ("exit_speed_kmh", 1),
                    ("drive_lost_kmh", 2),
                    ("recovery_s", 3),
                    ("cost", 2),
                )
            ),
        )
        for pair in comparison.pairs
        for under in UNDER
    )
    head = (
        "pair",
        "grids",
        "peak friction [%]",
        "exit speed [km/h]",
        "drive lost [km/h]",
        "recovery [s]",
        "cost [1]",
    )
    levels = tuple(
        (
            Cell(name),
            Cell("its own best" if under == UNDER[0] else "the common pair"),
            *(
                estimate_cell(figures[key], decimals)
                for key, decimals in (("drive_lost_kmh", 2), ("recovery_s", 3), ("cost", 2))
            ),
        )
        for (name, under), figures in worth.levels.items()
    )
    text = (
        f"Simulated on the fitted car over {worth.scenarios} standard scenarios, the same for all compounds. Exit "
        "speed is that at the end of the shorter of the two windows. Drive lost counts from each tyre's own peak, so a "
        "worse tyre does not lose more of it by being worse; exit speed has both. The common pair is the one of all at "
        f"hand that costs least over all compounds: {worth.common_is}.",
        "The searches behind each compound's own best grids are short. Before driving them, run gridfit refine on that "
        "compound's runs. The pairs are in worth.json.",
    )
    return (
        Table(
            "Differences, mean over the scenarios", head, rows, "Below each mean: its central 90 % interval."
        ),
        Table(
            "Each compound", ("compound", "grids", "drive lost [km/h]", "recovery [s]", "cost [1]"), levels
        ),
        Text(text),
    )


def kind_blocks(comparison: Comparison) -> tuple[Block, ...]:
    """Return slip at the peak, fall-off and drift of the compounds."""
    if not comparison.figures:
        return (Text(("Too few runs tell slip at the peak, fall-off or drift: nothing is said of them.",)),)
    names = list(comparison.peak_mu)
    levels = tuple(
        (
            Cell(FIGURE_LABELS[one.key]),
            *(estimate_cell(one.levels[name]) if name in one.levels else Cell("–") for name in names),
        )
        for one in comparison.figures
    )
    differences = tuple(
        (
            Cell(f"{b} over {a}"),
            Cell(FIGURE_LABELS[one.key].partition(" [")[0]),
            estimate_cell(size),
            Cell("%" if one.ratio else FIGURE_LABELS[one.key].partition("[")[2].rstrip("]")),
            Cell(p_words(one.p_values[a, b]), mark="number"),
        )
        for one in comparison.figures
        for (a, b), size in one.differences.items()
    )
    return (
        Table("Level of each compound", ("", *names), levels),
        Table(
            "Differences", ("pair", "figure", "difference", "unit", "p value, this pair alone"), differences
        ),
        Text(
            (
                "No verdict hangs on these. A compound with more slip at its peak wants a higher target; one that "
                "falls off more past it punishes a late cut. Drift is warm-up (up) or wear and heat (down) within "
                "a run.",
            ),
            small=True,
        ),
    )


def run_blocks(comparison: Comparison, runs: pd.DataFrame) -> tuple[Block, ...]:
    """Return every run in figures and numbers."""
    known = runs[runs["log_mu"].map(math.isfinite)]
    blocks: list[Block] = [
        Picture(
            draw_compounds(compound_data(known)),
            "Peak friction of every run with its 90 % interval. Track temperatures stand below the runs, or, where "
            "there are many, in the table.",
            "Peak friction of every run by compound.",
        )
    ]
    blocks += [
        Picture(
            draw_shapes(shape_data(known)),
            "Slip at the peak, fall-off past it, and drift within the run, of every run with its 90 % interval. Runs "
            "that tell too little have none.",
            "Slip at the peak, fall-off and drift of every run by compound.",
        ),
        _run_figures(known),
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


def _run_figures(runs: pd.DataFrame) -> Table:
    """Return each run's figures with their errors."""

    def cell(value: float, error: float, decimals: int) -> Cell:
        if not math.isfinite(value):
            return Cell("–", mark="number")
        return Cell(signed(f"{value:.{decimals}f}"), f"± {error:.{decimals}f}", "number")

    rows = tuple(
        (
            Cell(str(row["run"])),
            Cell(str(row["compound"])),
            Cell(str(row["started"]).replace("T", " ") or str(row["day"]), str(row["driver"])),
            Cell(
                "–" if not math.isfinite(row["track_temp_c"]) else f"{row['track_temp_c']:.0f}", mark="number"
            ),
            Cell(str(row["grids"]) or "not known"),
            cell(math.exp(row["log_mu"]), math.exp(row["log_mu"]) * row["se"], 3),
            cell(row["peak_slip_pct"], row["peak_slip_pct"] * row["log_slip_se"], 1),
            cell(row["fall_off_pct"], row["fall_off_se"], 1),
            cell(row["drift_pct_per_min"], row["drift_se"], 1),
        )
        for row in runs.to_dict("records")
    )
    head = (
        "run", "compound", "when, driver", "track [°C]", "grids in force", "peak friction [1]", "slip at the peak [%]",
        "lost at twice that slip [%]", "drift [% per min]",
    )  # fmt: skip
    note = "Below each figure its standard error; errors of the car that all runs share are not in it."
    return Table("Every run", head, rows, note, folded=len(rows) > 12)


def basis_section(runs: pd.DataFrame, remarks: tuple[str, ...]) -> Section:
    """Return what rests on data and what on the prior."""
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


def finding_blocks(comparison: Comparison) -> tuple[Block, ...]:
    """Return the checks of what else could explain a difference."""
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
    return (Table("Checks of what else differed between the runs", head, tuple(rows)),)
