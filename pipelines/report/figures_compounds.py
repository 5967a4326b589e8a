"""Figures of compounds: peak friction and the rest of every run, and the differences of pairs."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from gridfit.estimate import NORMAL_95
from pipelines.report.drawing import GREY, INK, PALE, SERIES, svg

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CompoundData:
    """Peak friction per run.

    Parameters
    ----------
    compounds : tuple of str
    runs : tuple of str
        One per point.
    group : int64[R]
        Position of each run's compound.
    mu, lo, hi : float64[R]
        Peak friction and its 90 % interval [1].
    track_temp_c : float64[R]
        NaN where unknown [deg C].
    """

    compounds: tuple[str, ...]
    runs: tuple[str, ...]
    group: NDArray[np.int64]
    mu: Floats
    lo: Floats
    hi: Floats
    track_temp_c: Floats


def compound_data(table: pd.DataFrame) -> CompoundData:
    """Return the runs ordered by compound.

    Parameters
    ----------
    table : DataFrame
        One row per run: compound, run, log_mu, se (of log_mu), track_temp_c.

    Returns
    -------
    CompoundData
    """
    compounds = tuple(sorted(table["compound"].unique()))
    rows = table.assign(group=[compounds.index(name) for name in table["compound"]])
    rows = rows.sort_values(["group", "run"], kind="stable")
    log_mu, half = (
        rows["log_mu"].to_numpy(dtype=np.float64),
        NORMAL_95 * rows["se"].to_numpy(dtype=np.float64),
    )
    return CompoundData(
        compounds,
        tuple(str(run) for run in rows["run"]),
        rows["group"].to_numpy(dtype=np.int64),
        np.exp(log_mu),
        np.exp(log_mu - half),
        np.exp(log_mu + half),
        pd.to_numeric(rows["track_temp_c"], errors="coerce").to_numpy(dtype=np.float64),
    )


MANY_RUNS = 10
"""From so many runs on their names stand upright and temperatures are left to the table."""


def draw_compounds(data: CompoundData, quantity: str = "peak friction [1]", name: str = "compounds") -> str:
    """Draw every run with its interval, in the order of compounds; return SVG text."""
    many = len(data.runs) > MANY_RUNS

    def draw(axes: list[Axes]) -> None:
        panel = axes[0]
        place = np.arange(len(data.runs)) + 0.6 * data.group
        _points(panel, place, data.group, (data.mu, data.lo, data.hi))
        labels = [
            run if many else f"{run}\n{temperature:.0f} °C" if np.isfinite(temperature) else f"{run}\n"
            for run, temperature in zip(data.runs, data.track_temp_c, strict=True)
        ]
        panel.set_xticks(place, labels, fontsize=7 if many else 8, rotation=90 if many else 0)
        _name_groups(panel, place, data.group, data.compounds, float(np.nanmax(data.hi)))
        panel.margins(y=0.15)
        panel.set(ylabel=quantity, xlim=(float(place[0]) - 0.7, float(place[-1]) + 0.7))
        panel.grid(visible=False, axis="x")

    return svg(draw, name=name, width_in=6.6, height_in=3.2 if many else 3.0)


def _points(
    panel: Axes, place: Floats, group: NDArray[np.int64], values: tuple[Floats, Floats, Floats]
) -> None:
    """Draw each run's value and interval in the colour and mark of its group."""
    for index, x in enumerate(place):
        colour, _ = SERIES[group[index] % len(SERIES)]
        middle, low, high = (float(part[index]) for part in values)
        panel.plot([x, x], [low, high], color=colour, linewidth=2)
        panel.plot(
            x, middle, "os^D"[group[index] % 4], color=colour, markersize=6 if place.size > MANY_RUNS else 7
        )


def _name_groups(
    panel: Axes, place: Floats, group: NDArray[np.int64], names: tuple[str, ...], top: float
) -> None:
    for number, name in enumerate(names):
        own = place[group == number]
        panel.annotate(name, (float(own.mean()), top), xytext=(0, 8), textcoords="offset points",
                       ha="center", color=INK, fontweight="bold")  # fmt: skip


@dataclass(frozen=True, slots=True)
class ShapeData:
    """Slip at the peak, fall-off and drift per run, in the order of compounds.

    Parameters
    ----------
    compounds, runs : tuple of str
    group : int64[R]
        Position of each run's compound.
    values : tuple of (str, float64[R], float64[R], float64[R])
        Label, value and 90 % interval of each figure; NaN where a run does not tell it.
    """

    compounds: tuple[str, ...]
    runs: tuple[str, ...]
    group: NDArray[np.int64]
    values: tuple[tuple[str, Floats, Floats, Floats], ...]


def shape_data(table: pd.DataFrame) -> ShapeData:
    """Return what the runs say of the tyre beside its peak friction.

    Parameters
    ----------
    table : DataFrame
        One row per run: compound, run, and the columns of `gridfit.plant.runtyre.run_tyres`.

    Returns
    -------
    ShapeData
    """
    compounds = tuple(sorted(table["compound"].unique()))
    rows = table.assign(group=[compounds.index(name) for name in table["compound"]])
    rows = rows.sort_values(["group", "run"], kind="stable")

    def column(name: str) -> Floats:
        return rows[name].to_numpy(dtype=np.float64)

    slip, ratio = column("peak_slip_pct"), np.exp(NORMAL_95 * column("log_slip_se"))
    found = [("slip at the peak [%]", slip, slip / ratio, slip * ratio)]
    for label, value, error in (
        ("friction lost at twice\nthat slip [%]", "fall_off_pct", "fall_off_se"),
        ("drift within the run\n[% per min]", "drift_pct_per_min", "drift_se"),
    ):
        middle, half = column(value), NORMAL_95 * column(error)
        found.append((label, middle, middle - half, middle + half))
    return ShapeData(
        compounds, tuple(str(run) for run in rows["run"]), rows["group"].to_numpy(np.int64), tuple(found)
    )


def draw_shapes(data: ShapeData) -> str:
    """Draw slip at the peak, fall-off and drift of every run; return SVG text."""

    def draw(axes: list[Axes]) -> None:
        place = np.arange(len(data.runs)) + 0.6 * data.group
        for panel, (label, *values) in zip(axes, data.values, strict=True):
            _points(panel, place, data.group, (values[0], values[1], values[2]))
            panel.set_ylabel(label, fontsize=8)
            panel.margins(y=0.12)
            panel.grid(visible=False, axis="x")
            panel.set(xlim=(float(place[0]) - 0.7, float(place[-1]) + 0.7))
            if label.startswith("drift"):
                panel.axhline(0.0, color=GREY, linewidth=0.9)
        many = len(data.runs) > MANY_RUNS
        axes[-1].set_xticks(place, data.runs, fontsize=7 if many else 8, rotation=90 if many else 0)
        top = np.concatenate([data.values[0][3], data.values[0][1]])
        if np.isfinite(top).any():
            _name_groups(axes[0], place, data.group, data.compounds, float(np.nanmax(top)))

    return svg(draw, name="shapes", width_in=6.6, height_in=5.4, rows=3, share_x=True)


@dataclass(frozen=True, slots=True)
class Difference:
    """One line of the figure of differences.

    Parameters
    ----------
    label : str
    mean, lo, hi : float
        Difference and its 90 % interval [%].
    least : float
        Least difference that the runs decide four times in five [%].
    decided : bool
    """

    label: str
    mean: float
    lo: float
    hi: float
    least: float
    decided: bool


def draw_differences(lines: tuple[Difference, ...], quantity: str = "peak friction, difference [%]") -> str:
    """Draw each pair's difference with its interval, over what the runs can decide; return SVG text."""

    def draw(axes: list[Axes]) -> None:
        panel = axes[0]
        place = -np.arange(len(lines), dtype=np.float64)
        for y, line in zip(place, lines, strict=True):
            panel.barh(y, 2.0 * line.least, left=-line.least, height=0.62, color=PALE)
            colour = SERIES[0][0] if line.decided else GREY
            panel.plot([line.lo, line.hi], [y, y], color=colour, linewidth=2.5)
            panel.plot(line.mean, y, "o" if line.decided else "s", color=colour, markersize=7,
                       markerfacecolor=colour if line.decided else "white")  # fmt: skip
        panel.axvline(0.0, color=INK, linewidth=0.9)
        panel.set_yticks(place, [line.label for line in lines])
        panel.set(xlabel=quantity, ylim=(float(place[-1]) - 0.7, 0.7))
        panel.grid(visible=False, axis="y")

    return svg(draw, name=f"differences-{len(quantity)}", width_in=6.6, height_in=0.9 + 0.42 * len(lines))
