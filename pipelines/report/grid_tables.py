"""Grid pairs as tables for people: proposal, change against the grids in force, and where no data stand."""

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.grids import GridPair
from gridfit.units import KMH_PER_MPH
from pipelines.report.blocks import Cell, Copy, Table

SAME = 0.05
"""A change smaller than this [points] is shown as none."""

LEGEND = "Small figures: change against {} at the same place. Orange: higher than there, blue: lower."

Counts = NDArray[np.int64]


def target_table(
    after: GridPair,
    before: GridPair,
    sheet: CarSheet,
    episodes: Counts | None = None,
    *,
    name: str = "the grids in force",
) -> Table:
    """Return the target grid as a table.

    Parameters
    ----------
    after, before : GridPair
        What is proposed, and the grids in force.
    sheet : CarSheet
        Gives the unit of speed.
    episodes : int64[K], optional
        Logged episodes behind each breakpoint of `after`; those without any are marked.
    name : str
        What `before` is called.

    Returns
    -------
    Table
    """
    unit = sheet.controller.units
    speed = after.target.speed_kmh / (KMH_PER_MPH if unit == "mph" else 1.0)
    change = after.target.slip_pct - before.target.at(after.target.speed_kmh)
    row = [
        _cell(f"{value:.1f}", delta, episodes is not None and episodes[at] == 0)
        for at, (value, delta) in enumerate(zip(after.target.slip_pct, change, strict=True))
    ]
    slip_speed = [Cell(f"{x:.1f}") for x in after.target.slip_pct * speed / 100.0]
    return Table(
        "Target grid: allowed slip against vehicle speed",
        (f"speed [{unit}]", *(f"{x:g}" for x in np.round(speed, 1))),
        ((Cell("slip [%]"), *row), (Cell(f"as slip speed [{unit}]"), *slip_speed)),
        _legend(episodes, name),
        wide=True,
    )


def cut_table(
    after: GridPair,
    before: GridPair,
    episodes: Counts | None = None,
    *,
    name: str = "the grids in force",
) -> Table:
    """Return the cut grid as a table, one row per gear.

    Parameters
    ----------
    after, before : GridPair
    episodes : int64[G, E], optional
        Logged episodes behind each cell of `after`; those without any are marked.
    name : str
        What `before` is called.

    Returns
    -------
    Table
    """
    rows = []
    for index, gear in enumerate(after.cut.gear):
        change = after.cut.cut_pct[index] - before.cut.at(after.cut.slip_error_pct, float(gear))
        row = [
            _cell(f"{value:g}", delta, episodes is not None and episodes[index, at] == 0)
            for at, (value, delta) in enumerate(zip(after.cut.cut_pct[index], change, strict=True))
        ]
        rows.append((Cell(f"gear {gear:.0f}"), *row))
    return Table(
        "Cut grid: share of firing events dropped [%] against slip error",
        ("error [points]", *(f"{x:g}" for x in after.cut.slip_error_pct)),
        tuple(rows),
        _legend(episodes, name),
        wide=True,
    )


def copies(pair: GridPair, sheet: CarSheet) -> tuple[Copy, Copy]:
    """Return both grids as rows with tabs, in the car's unit of speed, to paste into an editor."""
    unit = sheet.controller.units
    target, cut = (text.replace(",", "\t") for text in pair.to_csv(unit))
    return Copy(f"Target grid to copy (speeds in {unit})", target), Copy("Cut grid to copy", cut)


def _cell(text: str, change: float, thin: bool) -> Cell:
    moved = abs(change) >= SAME
    mark = ("up" if change > 0 else "down") if moved else ""
    below = f"{change:+.1f}".rstrip("0").rstrip(".").replace("-", "−") if moved else "·"
    return Cell(text, below, f"{mark} thin".strip() if thin else mark)


def _legend(episodes: Counts | None, name: str) -> str:
    said = LEGEND.format(name)
    if episodes is None:
        return said
    return f"{said} Dashed frame, italic: no logged episode passed here, so the figure rests on the prior."
