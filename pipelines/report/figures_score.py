"""Figures of the recovery score: parts before and after, choice between pairs, course of the search."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from gridfit.estimate import Estimate
from gridfit.search.pareto import nondominated
from pipelines.report.drawing import BLUE, GREY, INK, SERIES, VERMILION, hide_unused, svg

Floats = NDArray[np.float64]

LABEL_ABOVE, LABEL_BELOW = 6, -13
"""Offset of a label from its place in the front's drawing [point]."""

CLOSE = 0.15
"""Places nearer than this share of the front's span in both directions would have their labels overlap [1]."""


@dataclass(frozen=True, slots=True)
class PartsData:
    """Each part of the score for each grid pair.

    Parameters
    ----------
    parts : tuple of str
        Labels with units.
    pairs : tuple of str
        Names of the grid pairs, the one in force first.
    mean, lo, hi : float64[parts, pairs]
        Value and 90 % interval in the part's unit.
    """

    parts: tuple[str, ...]
    pairs: tuple[str, ...]
    mean: Floats
    lo: Floats
    hi: Floats


@dataclass(frozen=True, slots=True)
class FrontData:
    """Drive lost against roughness; a pair on the front may owe its place to excess slip.

    Parameters
    ----------
    drive_lost_kmh, roughness : float64[n]
        Of every kept pair.
    on_front : bool[n]
        Not beaten in drive lost, roughness and excess slip at once.
    labels : tuple of str
        Name of a pair, or empty.
    chosen : int
        Position of the proposal, -1 if it is not among them.
    """

    drive_lost_kmh: Floats
    roughness: Floats
    on_front: NDArray[np.bool_]
    labels: tuple[str, ...]
    chosen: int


@dataclass(frozen=True, slots=True)
class HistoryData:
    """Best cost so far, study by study.

    Parameters
    ----------
    blocks : tuple of str
        What each study varied.
    trial, best : tuple of float64
        Number of the trial within the study, and the lowest cost up to it.
    """

    blocks: tuple[str, ...]
    trial: tuple[Floats, ...]
    best: tuple[Floats, ...]


def parts_data(scores: Mapping[str, Mapping[str, Estimate]], labels: Mapping[str, str]) -> PartsData:
    """Return the parts of several grid pairs side by side.

    Parameters
    ----------
    scores : mapping of pair to mapping of part to Estimate
        As in the record.
    labels : mapping of part to label
        The parts to show, in this order.

    Returns
    -------
    PartsData
    """
    shown = tuple(name for name in labels if all(name in parts for parts in scores.values()))
    rows = [[parts[name] for parts in scores.values()] for name in shown]
    mean, lo, hi = (
        np.array([[getattr(estimate, which) for estimate in row] for row in rows], dtype=np.float64)
        for which in ("mean", "lo", "hi")
    )
    return PartsData(tuple(labels[name] for name in shown), tuple(scores), mean, lo, hi)


def front_data(table: pd.DataFrame, names: Mapping[str, str]) -> FrontData:
    """Return the front from its table.

    Parameters
    ----------
    table : DataFrame
        Columns drive_lost_kmh, roughness, on_front, chosen, label.
    names : mapping of str to str
        What readers know a label by, where that is something else.

    Returns
    -------
    FrontData
    """
    chosen = np.flatnonzero(table["chosen"].to_numpy(dtype=bool))
    return FrontData(
        table["drive_lost_kmh"].to_numpy(dtype=np.float64),
        table["roughness"].to_numpy(dtype=np.float64),
        table["on_front"].to_numpy(dtype=bool),
        tuple(names.get(str(label), str(label)) for label in table["label"]),
        int(chosen[0]) if chosen.size else -1,
    )


def history_data(history: pd.DataFrame) -> HistoryData:
    """Return the lowest cost so far of every study.

    Parameters
    ----------
    history : DataFrame
        One row per trial in the order in which they ran: block, round, cost.

    Returns
    -------
    HistoryData
        Studies in the order of their first trial.
    """
    blocks, trials, best = [], [], []
    for at, rows in history.groupby(["block", "round"], sort=False):
        block, number = str(at[0]), int(str(at[1]))
        # What is tried for the front is tried once, after the rounds.
        blocks.append(block if block.startswith("front") else f"{block}, round {number + 1}")
        trials.append(np.arange(1.0, len(rows) + 1.0))
        best.append(np.minimum.accumulate(rows["cost"].to_numpy(dtype=np.float64)))
    return HistoryData(tuple(blocks), tuple(trials), tuple(best))


def draw_parts(data: PartsData) -> str:
    """Draw one small panel per part, pairs one below the other with their intervals; return SVG text."""
    columns = 4
    rows = -(-len(data.parts) // columns)
    place = np.arange(len(data.pairs))[::-1]

    def draw(axes: list[Axes]) -> None:
        for index, label in enumerate(data.parts):
            panel = axes[index]
            for pair, y in enumerate(place):
                colour, dash = SERIES[(1, 0, 2, 3, 4, 5)[pair % 6]]
                panel.plot(
                    [data.lo[index, pair], data.hi[index, pair]],
                    [y, y],
                    color=colour,
                    linestyle=dash,
                    linewidth=2,
                )
                panel.plot(data.mean[index, pair], y, "os^D"[pair % 4], color=colour, markersize=6)
            panel.set_title(label, fontsize=8.5)
            panel.set_ylim(-0.6, len(place) - 0.4)
            panel.set_xlim(*_span(data.lo[index], data.hi[index]))
            panel.axvline(0.0, color=GREY, linewidth=0.8, zorder=0)
            panel.set_yticks(place, data.pairs if index % columns == 0 else [""] * len(place))
            panel.grid(visible=False, axis="y")
            panel.locator_params(axis="x", nbins=4)
        hide_unused(axes, len(data.parts))

    return svg(draw, name="parts", rows=rows, columns=columns, height_in=0.3 + 1.15 * rows)


def _span(lo: Floats, hi: Floats) -> tuple[float, float]:
    """Return the ends of an axis that holds zero and all intervals, with room for a marker at either end."""
    least, most = min(0.0, float(np.nanmin(lo))), max(float(np.nanmax(hi)), 0.0)
    room = 0.08 * max(most - least, 1e-9)
    return least - room, most + room


def draw_front(data: FrontData) -> str:
    """Draw the front with the chosen pair marked; return SVG text."""

    def draw(axes: list[Axes]) -> None:
        panel = axes[0]
        front = np.flatnonzero(data.on_front)
        x, y = data.drive_lost_kmh, data.roughness
        flat = front[nondominated(np.column_stack((x[front], y[front])))]
        order = flat[np.argsort(x[flat])]
        panel.plot(x[order], y[order], color=GREY, linewidth=1.2, drawstyle="steps-post", zorder=1)
        panel.plot(x[front], y[front], "o", color=GREY, markersize=4.5, label="not beaten in all three")
        if data.chosen >= 0:
            panel.plot(x[data.chosen], y[data.chosen], "o", color=BLUE, markersize=10, label="proposal")
        labels = _merged(data)
        for index, at in _beside(data, labels).items():
            if index != data.chosen:
                panel.plot(x[index], y[index], "s", color=VERMILION, markersize=7)
            panel.annotate(
                labels[index], (x[index], y[index]), xytext=(8, at), textcoords="offset points", color=INK
            )
        panel.set(xlabel="drive lost [km/h]", ylabel="roughness [1]", ylim=(0, 1.25 * float(np.max(y))))
        least, most = _span(x, x)
        panel.set_xlim(least, most + 0.25 * (most - least))  # room for the label of the last one
        panel.axvline(0.0, color=GREY, linewidth=0.8, zorder=0)
        panel.legend(loc="upper right", ncols=2)

    return svg(draw, name="front", width_in=6.2, height_in=3.1)


def _merged(data: FrontData) -> list[str]:
    """Return the labels, those of pairs at the same place joined on the first of them."""
    points = np.round(np.column_stack((data.drive_lost_kmh, data.roughness)), 6)
    labels = list(data.labels)
    for index, label in enumerate(labels):
        for other in np.flatnonzero(np.all(points[:index] == points[index], axis=1)):
            if label and labels[other]:
                if label not in labels[other].split(", "):
                    labels[other] = f"{labels[other]}, {label}"
                labels[index] = ""
                break
    return labels


def _beside(data: FrontData, labels: Sequence[str]) -> dict[int, int]:
    """Return how far above its place each label goes [point]: the upper of two close ones up, the lower one down."""
    named = [index for index, label in enumerate(labels) if label]
    points = np.column_stack((data.drive_lost_kmh, data.roughness))
    points = points / np.maximum(np.ptp(points, axis=0), 1e-9)
    return {
        i: LABEL_BELOW
        if any(points[j, 1] > points[i, 1] and np.all(np.abs(points[j] - points[i]) < CLOSE) for j in named)
        else LABEL_ABOVE
        for i in named
    }


def draw_history(data: HistoryData) -> str:
    """Draw the best cost so far of every study, one after the other; return SVG text."""

    def draw(axes: list[Axes]) -> None:
        panel, start = axes[0], 0.0
        for index, (trial, best) in enumerate(zip(data.trial, data.best, strict=True)):
            colour, dash = SERIES[index % 2]
            panel.plot(start + trial, best, color=colour, linestyle=dash, linewidth=1.6)
            panel.annotate(
                str(index + 1), (start + float(trial.mean()), 1.0), xycoords=("data", "axes fraction"),
                ha="center", va="bottom", color=colour, fontsize=8,
            )  # fmt: skip
            start += float(trial[-1])
        panel.set(xlabel="grid pairs tried", ylabel="lowest cost in the study")

    return svg(draw, name="history", width_in=6.2, height_in=2.4)
