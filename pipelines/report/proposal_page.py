"""Sections of a report on a proposed grid pair."""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.estimate import Estimate
from gridfit.search.result import SearchResult
from gridfit.search.settle import CellNote
from pipelines.partnames import PART_DECIMALS, PART_LABELS
from pipelines.record import Record
from pipelines.report.blocks import Block, Bullets, Cell, Picture, Section, Table, Text
from pipelines.report.figures_grids import cut_data, draw_cut, draw_target, target_data
from pipelines.report.figures_plant import PlantRow, draw_plant, plant_data
from pipelines.report.figures_score import (
    draw_front,
    draw_history,
    draw_parts,
    front_data,
    history_data,
    parts_data,
)
from pipelines.report.figures_traces import Example, draw_traces, traces_data
from pipelines.report.grid_tables import SAME, copies, cut_table, target_table
from pipelines.report.sections import estimate_cell, plant_tables, score_table, signed

Counts = NDArray[np.int64]


def grid_section(
    result: SearchResult, sheet: CarSheet, before: str, counts: tuple[Counts, Counts] | None = None
) -> Section:
    """Return both grids as tables, pictures and numbers to copy.

    Parameters
    ----------
    result : SearchResult
    sheet : CarSheet
    before : str
        What the compared pair is called.
    counts : (int64[K], int64[G, E]), optional
        Logged episodes behind each target and cut cell.

    Returns
    -------
    Section
    """
    target_counts, cut_counts = (None, None) if counts is None else counts
    best, start, named = result.best, result.start, _named(before)
    target_copy, cut_copy = copies(best, sheet)
    blocks: list[Block] = [
        target_table(best, start, sheet, target_counts, name=named),
        target_copy,
        cut_table(best, start, cut_counts, name=named),
        cut_copy,
        Text(("The same figures are in target.csv, cut.csv and grids.json.",), small=True),
        Picture(
            draw_target(target_data(best, start, sheet.controller.units, before)),
            "Target as slip (left) and as slip speed (right).",
            f"Target slip against speed: proposal and {before}.",
        ),
        Picture(
            draw_cut(cut_data(best, start, before)),
            "Cut against slip error, gear by gear. Below the first breakpoint there is no cut, "
            "above the last it stays.",
            f"Cut against slip error for each gear: proposal and {before}.",
        ),
    ]
    return Section("The proposed grids", tuple(blocks))


def _named(before: str) -> str:
    return "the grids in force" if before == "in force" else f"the {before} start"


EVERY_CAR = "one pair for every car"
"""What a good pair that knows nothing of the car is called."""

SHOWN_IN_WORDS = ("recovery_s", "overshoot_kmh", "drive_lost_kmh", "reslips", "jerk_rms")
"""Parts that the remark below the finding tells, the most telling first."""


def in_words(scores: Mapping[str, Mapping[str, Estimate]]) -> str:
    """Return what gets better and what gets worse from the pair before to the one after, in a sentence.

    Parameters
    ----------
    scores : mapping of pair to mapping of part to Estimate
        With the pairs ``before`` and ``after``.

    Returns
    -------
    str
        Means only; parts that stay the same at the decimals shown are left out.
    """
    better: list[str] = []
    worse: list[str] = []
    for part in SHOWN_IN_WORDS:
        decimals = PART_DECIMALS[part]
        old, new = (round(scores[pair][part].mean, decimals) for pair in ("before", "after"))
        if old != new:
            name, _, unit = PART_LABELS[part].rstrip("]").partition(" [")
            said = f"{name} {new:.{decimals}f} instead of {old:.{decimals}f} {'' if unit == '1' else unit}"
            (better if new < old else worse).append(signed(said.strip()))
    told = [f"{word}: {', '.join(parts)}" for word, parts in (("Better", better), ("worse", worse)) if parts]
    text = "; ".join(told)
    return f"{text[:1].upper()}{text[1:]}." if text else "No part of the score changes."


def score_section(
    record: Record,
    result: SearchResult,
    by_gear: dict[int, tuple[Estimate, Estimate]],
    traces: Sequence[Example],
    before: str,
) -> Section:
    """Return what the proposal is expected to change, in numbers and in example episodes."""
    names = {"before": before, "after": "proposal", "one for every car": EVERY_CAR}
    scores = {names[key]: parts for key, parts in record.scores.items()}
    decimals = PART_DECIMALS["recovery_s"]
    rows = tuple(
        (Cell(f"gear {gear}"), *(estimate_cell(item, decimals) for item in pair))
        for gear, pair in by_gear.items()
    )
    blocks: list[Block] = [
        Text(
            (
                f"Simulated on {len(result.draws_best)} draws of the plant: as many cars, each "
                "as likely as the next by what is known. Lower is better in every part; drive lost is below zero "
                "where turning parts give energy back. "
                f"The cost falls by {signed(str(result.gain))} against {_named(before)}. "
                "'One pair for every car' is a good pair that knows nothing of this car.",
                f"{in_words(record.scores)} The parts are means over all scenarios.",
            )
        ),
        Picture(
            draw_parts(parts_data(scores, PART_LABELS)),
            "Mean (marker) and 90 % interval (line) of each part over the plant's uncertainty.",
            "Parts of the recovery score for each grid pair; the table below has the numbers.",
        ),
        score_table(scores, "Parts of the recovery score"),
        Table("Recovery time by gear [s]", ("", before, "proposal"), rows),
    ]
    if traces:
        blocks.append(
            Picture(
                draw_traces(traces_data(traces, before)),
                "The same disturbance on the mean plant with both grid pairs. Top: wheel slip, grey the "
                "proposal's target; middle: cut as it takes effect; bottom: speed of the car.",
                f"Slip, cut and speed over time in {len(traces)} example episodes, {before} and proposal.",
            )
        )
    return Section("What it is expected to change", tuple(blocks))


def choice_section(result: SearchResult, before: str) -> Section:
    """Return calmer and sharper pairs that were kept, the chosen one marked."""
    return Section(
        "A calmer or a sharper pair",
        (
            Text(
                (
                    "Each dot is a grid pair that no other tried pair beats in drive lost, roughness (jerk and "
                    "re-slips) and excess slip at once. All of them, with their grids, are in choices.json. To "
                    "search for a calmer or a sharper pair from the start, run the job again with --preference calm or "
                    "--preference sharp, or with weights of your own: edit preference.toml of this result, name it, "
                    "and give it back with --preference.",
                )
            ),
            Picture(
                draw_front(front_data(result.front.table, {"generic": EVERY_CAR, "start": before})),
                "Drive lost against roughness; to the left and below is better. Squares: pairs for comparison. "
                f"Hypervolume: the front commands {100.0 * result.front.hypervolume:.0f} % of the box between the "
                "best and the worst of all three figures. The line joins those not beaten in the two that are drawn.",
                "Pairs on the front between drive lost and roughness, with the proposal marked.",
            ),
            Picture(
                draw_history(history_data(result.history)),
                f"Course of the search: {len(result.history)} grid pairs tried, in studies of a few cells each: "
                f"{_studies(result)}. Each study weighs and samples in its own way, so only the fall within "
                "a line counts.",
                "Lowest cost found against the number of grid pairs tried, study by study.",
            ),
        ),
    )


def _studies(result: SearchResult) -> str:
    names = history_data(result.history).blocks
    return "; ".join(f"{number} {name}" for number, name in enumerate(names, start=1))


def basis_section(
    result: SearchResult, rows: Sequence[PlantRow], paragraphs: Sequence[str], most: int = 40
) -> Section:
    """Return what rests on data and what on the prior: the plant, and the cells that moved."""
    blocks: list[Block] = [
        Text(tuple(paragraphs)),
        Picture(
            draw_plant(plant_data(rows)),
            "The plant with 90 % intervals. A fitted interval as wide as the one of the car sheet says that "
            "the logs did not inform that figure.",
            "Intervals of the plant's figures per gear and compound; the tables below have the numbers.",
        ),
        *plant_tables(rows),
    ]
    if result.findings:
        blocks.append(Bullets(result.findings))
    if result.cells:
        blocks.append(_cell_table(result.cells, most))
    return Section("What rests on data, what on the prior", tuple(blocks))


def _cell_table(notes: Sequence[CellNote], most: int) -> Table:
    moved = [note for note in notes if abs(note.after_pct - note.before_pct) >= SAME]
    ordered = sorted(moved, key=lambda note: -abs(note.after_pct - note.before_pct))[:most]
    rows = tuple(
        (
            Cell("target" if note.gear is None else f"cut, gear {note.gear}"),
            Cell(f"{note.breakpoint:g} {'km/h' if note.gear is None else 'points'}", mark="number"),
            Cell(f"{note.before_pct:.1f} → {note.after_pct:.1f}", mark="number"),
            Cell(str(note.episodes), mark="number"),
            Cell(BASIS.get(note.basis, note.basis), mark="good" if note.basis == "data" else ""),
            Cell(signed(note.reason)),
        )
        for note in ordered
    )
    left = len(moved) - len(ordered)
    note = f"The largest {len(ordered)} changes; all are in cells.csv." if left > 0 else ""
    head = ("cell", "at", "change [%]", "episodes", "rests on", "why")
    return Table("Cells that changed", head, rows, note)


BASIS = {"data": "data", "prior": "prior", "held": "neighbours", "copied": "another gear"}
"""What a cell's figure rests on, as the table of changes names it."""


def plant_rows(prior: dict[str, object], fitted: dict[str, object] | None) -> tuple[PlantRow, ...]:
    """Return plant.json of the prior and of the fit as rows of figures.

    Parameters
    ----------
    prior, fitted : dict
        Content of plant.json; `fitted` is None when there were no logs.

    Returns
    -------
    tuple of PlantRow
        Cut gain, dead time, lag and inertia per gear; peak friction and slip at peak per compound.
    """
    gears = tuple(f"gear {item['gear']}" for item in _items(prior, "gears"))
    known = {str(item["compound"]): item for item in _items(prior, "tyres")}
    compounds = tuple(str(item["compound"]) for item in _items(fitted or prior, "tyres"))
    rows = [
        PlantRow(label, gears, _column(_items(prior, "gears"), key, scale),
                 () if fitted is None else _column(_items(fitted, "gears"), key, scale))
        for key, label, scale in GEAR_FIGURES
    ]  # fmt: skip
    first = next(iter(known.values()))
    prior_tyres = [known.get(name, first) for name in compounds]
    rows += [
        PlantRow(label, compounds, _column(prior_tyres, key, scale),
                 () if fitted is None else _column(_items(fitted, "tyres"), key, scale))
        for key, label, scale in TYRE_FIGURES
    ]  # fmt: skip
    return tuple(rows)


GEAR_FIGURES = (
    ("cut_gain_kmhps_per_pct", "cut gain [km/h per s per %]", 1.0),
    ("dead_time_s", "dead time [ms]", 1000.0),
    ("lag_s", "lag [ms]", 1000.0),
    ("inertia_kg", "equivalent inertia [kg]", 1.0),
)
TYRE_FIGURES = (("peak_mu", "peak friction [1]", 1.0), ("peak_slip_pct", "slip at peak [%]", 1.0))
"""Key in plant.json, label and factor of each figure that is shown."""


def _items(plant: dict[str, object], key: str) -> list[dict[str, object]]:
    found = plant[key]
    return found if isinstance(found, list) else []


def _column(items: Sequence[dict[str, object]], key: str, scale: float) -> tuple[Estimate, ...]:
    found = []
    for item in items:
        value = item[key]
        found.append(Estimate.from_dict(value).scaled(scale) if isinstance(value, dict) else value)
    return tuple(item for item in found if isinstance(item, Estimate))
