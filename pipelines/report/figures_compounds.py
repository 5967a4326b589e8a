"""Figure of compounds: peak friction of every run, by compound."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from gridfit.estimate import NORMAL_95
from pipelines.report.drawing import INK, SERIES, svg

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


def draw_compounds(data: CompoundData) -> str:
    """Draw every run with its interval, in the order of compounds; return SVG text."""

    def draw(axes: list[Axes]) -> None:
        panel = axes[0]
        place = np.arange(len(data.runs)) + 0.6 * data.group
        for index, x in enumerate(place):
            colour, _ = SERIES[data.group[index] % len(SERIES)]
            panel.plot([x, x], [data.lo[index], data.hi[index]], color=colour, linewidth=2)
            panel.plot(x, data.mu[index], "os^D"[data.group[index] % 4], color=colour, markersize=7)
        labels = [
            f"{run}\n{temperature:.0f} °C" if np.isfinite(temperature) else f"{run}\n"
            for run, temperature in zip(data.runs, data.track_temp_c, strict=True)
        ]
        panel.set_xticks(place, labels, fontsize=8)
        top = float(np.max(data.hi))
        for group, name in enumerate(data.compounds):
            own = place[data.group == group]
            panel.annotate(name, (float(own.mean()), top), xytext=(0, 8), textcoords="offset points",
                           ha="center", color=INK, fontweight="bold")  # fmt: skip
        panel.margins(y=0.15)
        panel.set(ylabel="peak friction [1]", xlim=(float(place[0]) - 0.7, float(place[-1]) + 0.7))
        panel.grid(visible=False, axis="x")

    return svg(draw, name="compounds", width_in=6.6, height_in=3.0)
