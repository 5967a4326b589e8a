"""A run over time: both speeds, and below them one lane per kind of mark."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from gridfit.units import KMH_PER_MPS
from pipelines.report.drawing import BLUE, GREEN, GREY, INK, ORANGE, PURPLE, SKY, VERMILION, svg

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Spans = list[tuple[float, float]]

COLUMNS = 600
"""Pixel columns of a time line: one minimum and one maximum are kept per column."""

THINNEST = 1.0 / 400.0
"""A mark is drawn at least this wide, as a share of the whole [1]: shorter ones would not be seen."""

EPISODE, BRAKE, SHIFT, UNUSABLE, GAP = "slip episode", "brake", "shift", "not used", "gap in the clock"

FAULTS: dict[str, str] = {
    "kerb": "kerb, bump",
    "brake lock": "brake lock",
    "spikes": "spikes",
    "dropout": "dropout",
    "stuck": "stuck",
    "lost pulses": "lost pulses",
    "saturated": "saturated",
    "impossible": "impossible",
    "coarse": "coarse steps",
    "hole": GAP,
}
"""Kinds of the table of faults, and what their lanes are called."""

ALWAYS = (EPISODE, BRAKE, SHIFT, UNUSABLE, GAP)
"""Lanes that are drawn even when they are empty, so that nothing there can be read as nothing found."""

COLOURS = {EPISODE: ORANGE, BRAKE: GREY, SHIFT: SKY, UNUSABLE: INK, GAP: VERMILION, "kerb, bump": PURPLE}
"""Other lanes are faults, and green: their names tell them apart."""


@dataclass(frozen=True, slots=True)
class TimelineData:
    """One run over time.

    Parameters
    ----------
    run : str
    time_s : float64[T]
        Start of each pixel column, on the log's own clock [s].
    driven_lo_kmh, driven_hi_kmh, undriven_kmh : float64[T]
        Lowest and highest calibrated driven speed in the column, mean undriven speed [km/h]; NaN where not
        known, or in a gap.
    lanes : dict of str to list of (float, float)
        By name of the lane, in the order in which they are drawn: spans [s].
    """

    run: str
    time_s: Floats
    driven_lo_kmh: Floats
    driven_hi_kmh: Floats
    undriven_kmh: Floats
    lanes: dict[str, Spans]


def timeline_data(
    run: str, table: pd.DataFrame, episodes: pd.DataFrame, faults: pd.DataFrame
) -> TimelineData:
    """Return one run reduced to what a page can show.

    Parameters
    ----------
    run : str
    table : DataFrame
        Prepared samples: time_s, v_u_mps, v_d_mps, brake, shift, valid.
    episodes : DataFrame
        Episodes of all runs.
    faults : DataFrame
        Faults of this run: kind, start_s, end_s.

    Returns
    -------
    TimelineData
    """
    time_s = table["time_s"].to_numpy(dtype=np.float64)
    edges = np.unique(np.linspace(0, time_s.size, min(COLUMNS, time_s.size) + 1).astype(np.int64))
    starts = edges[:-1]
    driven = KMH_PER_MPS * table["v_d_mps"].to_numpy(dtype=np.float64)
    undriven = KMH_PER_MPS * table["v_u_mps"].to_numpy(dtype=np.float64)
    known = np.add.reduceat(np.isfinite(undriven).astype(np.float64), starts)
    total = np.add.reduceat(np.nan_to_num(undriven), starts)
    return TimelineData(
        run,
        time_s[starts],
        np.fmin.reduceat(driven, starts),
        np.fmax.reduceat(driven, starts),
        np.where(known > 0, total / np.maximum(known, 1.0), np.nan),
        _lanes(run, time_s, table, episodes, faults),
    )


def _lanes(
    run: str, time_s: Floats, table: pd.DataFrame, episodes: pd.DataFrame, faults: pd.DataFrame
) -> dict[str, Spans]:
    own = episodes[episodes["run"] == run]
    lanes: dict[str, Spans] = {EPISODE: _pairs(own)}
    for name, column in ((BRAKE, "brake"), (SHIFT, "shift")):
        lanes[name] = _spans(time_s, table[column].to_numpy(dtype=bool))
    lanes[UNUSABLE] = _spans(time_s, ~table["valid"].to_numpy(dtype=bool))
    lanes[GAP] = []
    for kind, name in FAULTS.items():
        rows = faults[faults["kind"] == kind] if len(faults) else faults
        if len(rows):
            lanes[name] = _pairs(rows)
    return lanes


def draw_timeline(data: TimelineData, name: str) -> str:
    """Draw both speeds over time, and the lanes below them; return SVG text."""
    lanes = [lane for lane, spans in data.lanes.items() if spans or lane in ALWAYS]

    def draw(axes: list[Axes]) -> None:
        upper, lower = axes
        grid = upper.get_gridspec()
        if grid is not None:
            grid.set_height_ratios([7.0, float(len(lanes))])
        _speeds(upper, data)
        length = float(data.time_s[-1] - data.time_s[0])
        for row, lane in enumerate(lanes):
            spans = [(start, max(end - start, THINNEST * length)) for start, end in data.lanes[lane]]
            lower.broken_barh(_joined(spans), (row + 0.15, 0.7), facecolors=COLOURS.get(lane, GREEN))
        counts = [f"{lane} ({len(data.lanes[lane])})" for lane in lanes]
        lower.set_yticks([row + 0.5 for row in range(len(lanes))], counts, fontsize=7.5)
        lower.tick_params(axis="y", length=0)
        lower.set(ylim=(len(lanes), 0), xlabel="time on the log's clock [s]")
        lower.margins(x=0)

    return svg(draw, name=name, width_in=7.4, height_in=1.9 + 0.19 * len(lanes), rows=2, share_x=True)


def _speeds(panel: Axes, data: TimelineData) -> None:
    panel.fill_between(
        data.time_s,
        data.driven_lo_kmh,
        data.driven_hi_kmh,
        color=VERMILION,
        linewidth=0.6,
        label="driven axle",
    )
    panel.plot(data.time_s, data.undriven_kmh, color=BLUE, linewidth=1.2, label="undriven axle")
    panel.set(ylabel="km/h", ylim=(0, None))
    panel.set_title(data.run)
    panel.margins(x=0)
    panel.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, borderaxespad=0.1)


def _joined(spans: Spans) -> Spans:
    """Return (start, length) with those that overlap as one: fewer shapes on the page."""
    joined: Spans = []
    for start, length in sorted(spans):
        if joined and start <= sum(joined[-1]):
            first, reach = joined[-1]
            joined[-1] = (first, max(reach, start + length - first))
        else:
            joined.append((start, length))
    return joined


def _pairs(rows: pd.DataFrame) -> Spans:
    return list(zip(rows["start_s"].astype(float), rows["end_s"].astype(float), strict=True))


def _spans(time_s: Floats, flag: Bools) -> Spans:
    """Return the spans [s] during which a flag is set."""
    change = np.flatnonzero(np.diff(np.concatenate(([False], flag, [False])).astype(np.int8)))
    last = time_s.size - 1
    return [
        (float(time_s[start]), float(time_s[min(end, last)]))
        for start, end in zip(change[::2], change[1::2], strict=True)
    ]
