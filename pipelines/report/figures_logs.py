"""Figures of the logs: course of each run, calibration of the wheel speeds, gears."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from gridfit.units import KMH_PER_MPS
from pipelines.report.drawing import BLUE, GREY, INK, ORANGE, PURPLE, SERIES, SKY, VERMILION, svg

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

COLUMNS = 600
"""Pixel columns of a time line: one minimum and one maximum are kept per column."""


@dataclass(frozen=True, slots=True)
class TimelineData:
    """One run over time.

    Parameters
    ----------
    run : str
    time_s : float64[T]
        Centre of each pixel column, on the log's own clock [s].
    driven_lo_kmh, driven_hi_kmh, undriven_kmh : float64[T]
        Lowest and highest calibrated driven speed in the column, mean undriven speed [km/h].
    masks : dict of str to list of (float, float)
        Spans [s] with brake, shift, kerb, unusable samples.
    episodes : list of (float, float, str)
        Start, end [s] and cause.
    """

    run: str
    time_s: Floats
    driven_lo_kmh: Floats
    driven_hi_kmh: Floats
    undriven_kmh: Floats
    masks: dict[str, list[tuple[float, float]]]
    episodes: list[tuple[float, float, str]]


@dataclass(frozen=True, slots=True)
class CalibrationData:
    """Driven over undriven speed of gentle samples, before calibration.

    Parameters
    ----------
    runs : tuple of str
    speed_kmh, ratio : tuple of float64
        Samples of each run: undriven speed [km/h], ratio of the raw speeds [1].
    factor, lo, hi : float64[R]
        Factor in use and its 90 % interval [1].
    """

    runs: tuple[str, ...]
    speed_kmh: tuple[Floats, ...]
    ratio: tuple[Floats, ...]
    factor: Floats
    lo: Floats
    hi: Floats


@dataclass(frozen=True, slots=True)
class GearData:
    """Engine speed against road speed, with the lines that the ratios draw.

    Parameters
    ----------
    speed_kmh, rpm, gear : float64[n]
        Samples without slip; gear 0 is unknown.
    lines_rpm_per_kmh : float64[G]
        Slope of each gear from ratios and tyre size [rpm per km/h].
    """

    speed_kmh: Floats
    rpm: Floats
    gear: Floats
    lines_rpm_per_kmh: Floats


def timeline_data(run: str, table: pd.DataFrame, episodes: pd.DataFrame) -> TimelineData:
    """Return one run reduced to what a page can show.

    Parameters
    ----------
    run : str
    table : DataFrame
        Prepared samples: time_s, v_u_mps, v_d_mps, brake, shift, kerb, valid.
    episodes : DataFrame
        Episodes of all runs.

    Returns
    -------
    TimelineData
    """
    time_s = table["time_s"].to_numpy(dtype=np.float64)
    edges = np.unique(np.linspace(0, time_s.size, min(COLUMNS, time_s.size) + 1).astype(np.int64))
    starts = edges[:-1]
    driven = np.nan_to_num(KMH_PER_MPS * table["v_d_mps"].to_numpy(dtype=np.float64))
    undriven = np.nan_to_num(KMH_PER_MPS * table["v_u_mps"].to_numpy(dtype=np.float64))
    masks = {name: _spans(time_s, table[name].to_numpy(dtype=bool)) for name in ("brake", "shift", "kerb")}
    masks["unusable"] = _spans(time_s, ~table["valid"].to_numpy(dtype=bool))
    own = episodes[episodes["run"] == run]
    return TimelineData(
        run,
        time_s[starts],
        np.minimum.reduceat(driven, starts),
        np.maximum.reduceat(driven, starts),
        np.add.reduceat(undriven, starts) / np.diff(edges),
        masks,
        list(
            zip(
                own["start_s"].astype(float),
                own["end_s"].astype(float),
                own["cause"].astype(str),
                strict=True,
            )
        ),
    )


def calibration_data(
    runs: Sequence[str],
    tables: Sequence[pd.DataFrame],
    factors: Sequence[tuple[float, float, float]],
    most: int = 400,
) -> CalibrationData:
    """Return samples with the throttle nearly closed, no brake and no shift, thinned to `most` a run.

    Parameters
    ----------
    runs : sequence of str
    tables : sequence of DataFrame
        Prepared samples with v_d_raw_kmh, v_u_raw_kmh, throttle, brake, shift, valid.
    factors : sequence of (mean, lo, hi)

    Returns
    -------
    CalibrationData
    """
    speeds, ratios = [], []
    for table in tables:
        free = (table["throttle"] < 0.3) & ~table["brake"] & ~table["shift"] & table["valid"]
        free &= table["v_u_raw_kmh"] > 20.0
        rows = table.loc[free, ["v_u_raw_kmh", "v_d_raw_kmh"]].dropna()
        rows = rows.iloc[:: max(1, len(rows) // most)]
        speeds.append(rows["v_u_raw_kmh"].to_numpy(dtype=np.float64))
        ratios.append((rows["v_d_raw_kmh"] / rows["v_u_raw_kmh"]).to_numpy(dtype=np.float64))
    mean, lo, hi = (np.array([factor[index] for factor in factors]) for index in range(3))
    return CalibrationData(tuple(runs), tuple(speeds), tuple(ratios), mean, lo, hi)


def gear_data(tables: Sequence[pd.DataFrame], lines_rpm_per_kmh: Floats, most: int = 1000) -> GearData:
    """Return engine and road speeds of samples with little slip, thinned.

    Parameters
    ----------
    tables : sequence of DataFrame
        Prepared samples with v_d_mps, slip_pct, rpm, gear, shift, valid.
    lines_rpm_per_kmh : float64[G]

    Returns
    -------
    GearData
        Empty when no log has engine speed.
    """
    rows = pd.concat(
        [
            table.loc[
                table["valid"] & ~table["shift"] & (table["slip_pct"].abs() < 8.0), ["v_d_mps", "rpm", "gear"]
            ]
            for table in tables
        ]
    ).dropna()
    rows = rows[rows["v_d_mps"] > 2.0]
    rows = rows.iloc[:: max(1, len(rows) // most)]
    speed, rpm, gear = (rows[name].to_numpy(dtype=np.float64) for name in ("v_d_mps", "rpm", "gear"))
    return GearData(KMH_PER_MPS * speed, rpm, gear, lines_rpm_per_kmh)


def draw_timeline(data: TimelineData, name: str) -> str:
    """Draw both speeds over time with episodes and masks below them; return SVG text."""
    looks = {"brake": GREY, "shift": SKY, "kerb": PURPLE, "unusable": INK}

    def draw(axes: list[Axes]) -> None:
        panel = axes[0]
        panel.fill_between(
            data.time_s,
            data.driven_lo_kmh,
            data.driven_hi_kmh,
            color=VERMILION,
            linewidth=0.6,
            label="driven",
        )
        panel.plot(data.time_s, data.undriven_kmh, color=BLUE, linewidth=1.2, label="undriven")
        top = 1.05 * max(float(np.max(data.driven_hi_kmh)), 1.0)
        step = 0.07 * top
        for row, (mask, colour) in enumerate(looks.items()):
            spans = [(start, end - start) for start, end in data.masks[mask]]
            panel.broken_barh(spans, (-(row + 2) * step, 0.7 * step), facecolors=colour)
        spans = [(start, max(end - start, 0.4)) for start, end, _ in data.episodes]
        panel.broken_barh(spans, (-step, 0.7 * step), facecolors=ORANGE)
        labels = ["slip episode", *looks]
        ticks = [tick for tick in panel.get_yticks() if 0 < tick <= top]  # a zero would touch the first label
        places = [-(row + 1) * step + 0.35 * step for row in range(len(labels))]
        panel.set_yticks([*ticks, *places], [*(f"{tick:.0f}" for tick in ticks), *labels], fontsize=7.5)
        panel.set(
            ylim=(-(len(labels) + 0.3) * step, top), xlabel="time on the log's clock [s]", ylabel="km/h"
        )
        panel.set_title(data.run)
        panel.margins(x=0)
        panel.legend(loc="lower right", bbox_to_anchor=(1.0, 0.98), ncols=2)

    return svg(draw, name=name, width_in=7.4, height_in=2.7)


def draw_calibration(data: CalibrationData) -> str:
    """Draw the ratio of the speeds while rolling, with the factor in use; return SVG text."""

    def draw(axes: list[Axes]) -> None:
        panel = axes[0]
        for index, run in enumerate(data.runs):
            colour, dash = SERIES[index % len(SERIES)]
            panel.plot(
                data.speed_kmh[index],
                data.ratio[index],
                ".",
                color=colour,
                markersize=2,
                alpha=0.35,
                rasterized=False,
            )
            panel.axhline(data.factor[index], color=colour, linestyle=dash, linewidth=1.6, label=run)
            panel.axhspan(data.lo[index], data.hi[index], color=colour, alpha=0.12, linewidth=0)
        centre = float(np.median(data.factor))
        panel.set_ylim(centre - 0.05, centre + 0.05)
        panel.set(xlabel="undriven speed [km/h]", ylabel="driven over undriven [1]")
        panel.legend(loc="lower right", bbox_to_anchor=(1.0, 0.98), ncols=6)

    return svg(draw, name="calibration", width_in=6.6, height_in=2.7)


def draw_gears(data: GearData) -> str:
    """Draw engine speed over road speed with a line per gear; return SVG text."""

    def draw(axes: list[Axes]) -> None:
        panel = axes[0]
        unknown = data.gear < 1
        panel.plot(
            data.speed_kmh[unknown], data.rpm[unknown], "x", color=GREY, markersize=3, label="gear unknown"
        )
        panel.plot(
            data.speed_kmh[~unknown], data.rpm[~unknown], ".", color=BLUE, markersize=2.5, label="gear known"
        )
        top = 1.08 * max(float(np.max(data.rpm, initial=1000.0)), 1000.0)
        right = 1.05 * max(float(np.max(data.speed_kmh, initial=50.0)), 50.0)
        for index, slope in enumerate(data.lines_rpm_per_kmh):
            end = min(right, top / slope)
            panel.plot([0, end], [0, end * slope], color=ORANGE, linestyle=(0, (5, 2)), linewidth=1)
            panel.annotate(str(index + 1), (0.93 * end, 0.93 * end * slope), color=INK, fontsize=8.5)
        panel.set(xlabel="driven wheels [km/h]", ylabel="engine speed [rpm]", xlim=(0, right), ylim=(0, top))
        panel.legend(loc="lower right")

    return svg(draw, name="gears", width_in=6.2, height_in=3.0)


def _spans(time_s: Floats, flag: Bools) -> list[tuple[float, float]]:
    """Return the spans [s] during which a flag is set."""
    change = np.flatnonzero(np.diff(np.concatenate(([False], flag, [False])).astype(np.int8)))
    last = time_s.size - 1
    return [
        (float(time_s[start]), float(time_s[min(end, last)]))
        for start, end in zip(change[::2], change[1::2], strict=True)
    ]
