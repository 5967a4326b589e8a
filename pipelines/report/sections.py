"""Sections that several reports share: score, plant, episodes, stand-ins, how it was made."""

import re
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from gridfit.carsheet import CarSheet
from gridfit.estimate import Estimate
from pipelines.partnames import PART_DECIMALS, PART_LABELS
from pipelines.record import Record, versions
from pipelines.report.blocks import Block, Bullets, Cell, Facts, Section, Table, Text
from pipelines.report.figures_plant import PlantRow


def score_table(scores: Mapping[str, Mapping[str, Estimate]], caption: str) -> Table:
    """Return the parts of the score of several pairs, with 90 % intervals, a column per pair.

    Parameters
    ----------
    scores : mapping of pair to mapping of part to Estimate
    caption : str

    Returns
    -------
    Table
    """
    rows = []
    for part, label in PART_LABELS.items():
        if all(part in parts for parts in scores.values()):
            decimals = PART_DECIMALS[part]
            rows.append((Cell(label), *(estimate_cell(parts[part], decimals) for parts in scores.values())))
    return Table(caption, ("part", *scores), tuple(rows), "Below each mean: its central 90 % interval.")


def estimate_cell(estimate: Estimate, decimals: int | None = None) -> Cell:
    """Return a cell with the mean, and the interval below it; without `decimals`, as many as its width asks for."""
    text = str(estimate)
    mean, _, interval = text.partition(" (")
    if decimals is not None and interval:
        mean = signed(f"{estimate.mean:.{decimals}f}")
        interval = f"{estimate.lo:.{decimals}f} to {estimate.hi:.{decimals}f}"
    return Cell(signed(mean), signed(interval.rstrip(")")), "number")


def p_words(p_value: float) -> str:
    """Return a p value with three decimals, small ones as such."""
    return "below 0.001" if p_value < 0.001 else f"{p_value:.3f}"


def signed(text: str) -> str:
    """Return figures with a true minus sign, and without one before a zero."""
    return re.sub(r"-(?=\d)", "−", re.sub(r"-(0(?:\.0*)?)(?![\d.])", r"\1", text))


def plant_tables(rows: Sequence[PlantRow]) -> tuple[Table, ...]:
    """Return one table for the gears and one for the compounds, prior beside fit."""
    tables = []
    for places in dict.fromkeys(row.places for row in rows):
        group = [row for row in rows if row.places == places]
        head = [""]
        for row in group:
            head += (
                [f"{row.quantity}, car sheet", f"{row.quantity}, with logs"] if row.fitted else [row.quantity]
            )
        body = []
        for index, place in enumerate(places):
            line = [Cell(place)]
            for row in group:
                line.append(estimate_cell(row.prior[index]))
                if row.fitted:
                    line.append(estimate_cell(row.fitted[index]))
            body.append(tuple(line))
        tables.append(Table("Plant: mean and 90 % interval", tuple(head), tuple(body)))
    return tuple(tables)


def episode_table(episodes: pd.DataFrame, most: int = 60) -> Table:
    """Return the episodes, the longest recoveries first when there are more than `most`."""
    shown = episodes
    if len(episodes) > most:
        shown = episodes.sort_values("recovery_s", ascending=False, kind="stable").head(most)
    rows = [
        (
            Cell(str(row["run"])),
            Cell(f"{row['start_s']:.2f}", mark="number"),
            Cell(f"{row['end_s'] - row['start_s']:.2f}", mark="number"),
            Cell(f"{row['gear']:.0f}" if row["gear"] > 0 else "?", mark="number"),
            Cell(str(row["cause"])),
            Cell(f"{row['peak_slip_kmh']:.1f}", mark="number"),
            Cell(f"{row['recovery_s']:.2f}", mark="number"),
        )
        for row in shown.to_dict("records")
    ]
    note = (
        f"The {most} with the longest recovery of {len(episodes)}; all are in episodes.csv."
        if len(shown) < len(episodes)
        else ""
    )
    head = ("run", "start [s]", "length [s]", "gear", "cause", "peak slip [km/h]", "recovery [s]")
    return Table("Slip episodes", head, tuple(rows), note)


def coverage_table(episodes: pd.DataFrame, gears: int) -> Table:
    """Return how many episodes of each cause there are per gear."""
    causes = [
        cause
        for cause in ("throttle", "kerb", "damp", "shift", "unknown")
        if (episodes["cause"] == cause).any()
    ]
    rows = []
    for gear in range(1, gears + 1):
        own = episodes[episodes["gear"] == gear]
        counts = [int((own["cause"] == cause).sum()) for cause in causes]
        mark = "number" if len(own) >= 10 else "number bad"
        rows.append(
            (
                Cell(f"gear {gear}"),
                *(Cell(str(count), mark="number") for count in counts),
                Cell(str(len(own)), mark=mark),
                Cell(_span(own["peak_error_pct"]), mark="number"),
            )
        )
    head = ("", *causes, "episodes", "peak slip error, middle half [points]")
    return Table(
        "Episodes per gear and cause",
        head,
        tuple(rows),
        "A gear with fewer than 10 episodes (red) leans on the other gears and on the car sheet.",
    )


def _span(values: pd.Series) -> str:
    if values.empty:
        return "–"
    low, high = np.nanpercentile(values.to_numpy(dtype=np.float64), [25, 75])
    return f"{low:.0f} to {high:.0f}"


def stand_ins(sheet: CarSheet) -> dict[str, str]:
    """Return what stood in for keys that the car sheet lacks, as text."""
    return {key: f"{_value(item.value)} ({item.reason})" for key, item in sheet.stood_in.items()}


def _value(value: object) -> str:
    if isinstance(value, list | tuple):
        return ", ".join(_value(item) for item in value)
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_value(item)}" for key, item in value.items())
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def stand_in_blocks(record: Record) -> tuple[Block, ...]:
    """Return what the car sheet did not say and what was used instead."""
    if not record.stand_ins:
        return (Text(("The car sheet says everything that was needed; nothing stood in.",)),)
    points = tuple(f"{key}: {text}" for key, text in record.stand_ins.items())
    return (
        Text(("The car sheet leaves these out. Measure and write what you can: it narrows the intervals.",)),
        Bullets(points),
    )


def made_section(record: Record) -> Section:
    """Return how the result was made, so that it can be made again."""
    tracked = record.tracked
    rows = [
        ("job", record.job),
        ("started (UTC)", f"{record.started:%Y-%m-%d %H:%M:%S}"),
        ("result", record.result_id),
        ("seed", "none: nothing random" if record.seed is None else str(record.seed)),
        ("tracked run", tracked.run_id if tracked else "not tracked"),
    ]
    blocks: list[Block] = [Facts(tuple(rows))]
    if tracked:
        blocks.append(Text((f"To see the tracked run: {tracked.open_with}",), small=True))
    if record.studies:
        blocks.append(
            Text(
                (
                    f"The searches can be reopened from the Optuna journal {record.study_store}; see summary.json.",
                ),
                small=True,
            )
        )
    asked = [(key, _value(value)) for key, value in record.asked.items() if value is not None]
    inputs = tuple((Cell(item.role), Cell(item.path.name), Cell(item.sha256[:16])) for item in record.inputs)
    blocks += [
        Facts(tuple(asked)),
        Table(
            "Inputs",
            ("what", "file", "SHA-256, first 16 digits"),
            inputs,
            "Full digests are in summary.json.",
        ),
        Facts(tuple(versions().items())),
        Text((f"Files of this result: {', '.join(record.files)}.",), small=True),
    ]
    return Section("How this was made", tuple(blocks))


def corner(record: Record) -> tuple[tuple[str, str], ...]:
    """Return the facts of the title block."""
    return (
        ("car", record.car),
        ("job", record.job),
        ("date (UTC)", f"{record.started:%Y-%m-%d %H:%M}"),
        ("seed", "–" if record.seed is None else str(record.seed)),
        ("result", record.result_id),
    )
