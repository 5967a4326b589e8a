"""Figures of all runs together: the wheel speeds' scale, and the gears as driven beside those of the sheet."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from gridfit.signals.prepared import Signals
from gridfit.units import KMH_PER_MPS
from pipelines.report.drawing import BLUE, GREY, INK, ORANGE, SERIES, svg

Floats = NDArray[np.float64]

MOST_POINTS = 900
"""Points drawn of one figure, over all runs."""

STRONGEST_MPS2 = 6.0
"""Stretches with more force over mass are left out of the drawing [m/s2]."""

NO_SLIP_PCT = 4.0
"""A sample shows its gear's ratio when the driven wheels slip less than this [%]."""

LEAST_IN_GEAR = 50
"""Samples in a gear, gently driven, from which its slope as driven is drawn."""

GENTLE_MPS2 = 2.0
"""Acceleration above which an engine speed that comes late reads low [m/s2]."""


@dataclass(frozen=True, slots=True)
class CalibrationData:
    """Ratio of the axles' speeds over drive force, run by run.

    Parameters
    ----------
    runs : tuple of str
    force_mps2, ratio, used : tuple of arrays
        Steady stretches of each run: force over mass [m/s2], driven over undriven speed [1], whether the
        factor was found from it.
    slope_s2pm : float
        Slip per force over mass [s2/m].
    factor, lo, hi : float64[R]
        Factor in use and its 90 % interval [1]: the ratio at zero force.
    """

    runs: tuple[str, ...]
    force_mps2: tuple[Floats, ...]
    ratio: tuple[Floats, ...]
    used: tuple[NDArray[np.bool_], ...]
    slope_s2pm: float
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
    sheet_rpm_per_kmh : float64[G]
        Slope of each gear by ratios, final drive and tyre code of the sheet [rpm per km/h].
    driven_rpm_per_kmh : float64[G]
        Slope as driven, without much acceleration; NaN in a gear that was hardly driven so.
    """

    speed_kmh: Floats
    rpm: Floats
    gear: Floats
    sheet_rpm_per_kmh: Floats
    driven_rpm_per_kmh: Floats


def calibration_data(signals: Sequence[Signals]) -> CalibrationData:
    """Return the steady stretches of every run, thinned.

    Parameters
    ----------
    signals : sequence of Signals

    Returns
    -------
    CalibrationData
    """
    most = max(60, MOST_POINTS // max(1, len(signals)))
    rows = [_thinned(item.steady[item.steady["force_mps2"].abs() < STRONGEST_MPS2], most) for item in signals]
    factors = [item.factor for item in signals]
    return CalibrationData(
        tuple(item.name for item in signals),
        tuple(row["force_mps2"].to_numpy(dtype=np.float64) for row in rows),
        tuple(row["ratio"].to_numpy(dtype=np.float64) for row in rows),
        tuple(row["used"].to_numpy(dtype=np.bool_) for row in rows),
        signals[0].slip_per_force_s2pm,
        *(np.array([getattr(factor, end) for factor in factors]) for end in ("mean", "lo", "hi")),
    )


def _thinned(rows: pd.DataFrame, most: int) -> pd.DataFrame:
    return rows.iloc[:: max(1, -(-len(rows) // most))]


def gear_data(tables: Sequence[pd.DataFrame], sheet_rpm_per_kmh: Floats, most: int = 1500) -> GearData:
    """Return engine and road speeds of samples with little slip, thinned, and each gear's slope as driven.

    Parameters
    ----------
    tables : sequence of DataFrame
        Prepared samples with time_s, v_u_smooth_mps, v_d_mps, slip_pct, rpm, gear, shift, valid, coupled.
    sheet_rpm_per_kmh : float64[G]

    Returns
    -------
    GearData
        Empty when no log has engine speed.
    """
    columns = ["v_d_mps", "rpm", "gear", "coupled", "gentle"]
    held = [
        table.assign(gentle=_gentle(table)).loc[
            table["valid"] & ~table["shift"] & (table["slip_pct"].abs() < NO_SLIP_PCT), columns
        ]
        for table in tables
    ]
    rows = pd.concat(held).dropna()
    rows = rows[rows["v_d_mps"] > 2.0]
    driven = np.full(sheet_rpm_per_kmh.size, np.nan)
    for gear in range(1, driven.size + 1):
        own = rows[(rows["gear"] == gear) & rows["coupled"] & rows["gentle"]]
        if len(own) >= LEAST_IN_GEAR:
            driven[gear - 1] = float((own["rpm"] / (KMH_PER_MPS * own["v_d_mps"])).median())
    shown = _thinned(rows, most)
    speed, rpm, gears = (shown[name].to_numpy(dtype=np.float64) for name in ("v_d_mps", "rpm", "gear"))
    return GearData(KMH_PER_MPS * speed, rpm, gears, sheet_rpm_per_kmh, driven)


def _gentle(table: pd.DataFrame) -> NDArray[np.bool_]:
    time_s = table["time_s"].to_numpy(dtype=np.float64)
    speed = table["v_u_smooth_mps"].to_numpy(dtype=np.float64)
    return np.asarray(np.abs(np.gradient(speed, time_s)) < GENTLE_MPS2)


def draw_calibration(data: CalibrationData) -> str:
    """Draw ratio over force with the line that meets zero force at the factor; return SVG text."""

    def draw(axes: list[Axes]) -> None:
        cloud, factors = axes
        _cloud(cloud, data)
        _factors(factors, data)

    height = max(3.0, 1.0 + 0.22 * len(data.runs))
    return svg(draw, name="calibration", width_in=7.4, height_in=height, columns=2)


def _cloud(panel: Axes, data: CalibrationData) -> None:
    force = np.linspace(-STRONGEST_MPS2, STRONGEST_MPS2, 40)
    for index in range(len(data.runs)):
        colour, dash = SERIES[index % len(SERIES)]
        for used, alpha, size in ((False, 0.4, 2.0), (True, 0.8, 3.0)):
            own = data.used[index] == used
            panel.plot(
                data.force_mps2[index][own],
                data.ratio[index][own],
                ".",
                color=colour,
                markersize=size,
                alpha=alpha,
            )
        line = data.factor[index] * np.exp(data.slope_s2pm * force)
        panel.plot(force, line, color=colour, linestyle=dash, linewidth=1.3)
        panel.plot([0.0, 0.0], [data.lo[index], data.hi[index]], color=colour, linewidth=4.0, alpha=0.6)
    panel.axvline(0.0, color=GREY, linewidth=0.8)
    centre = float(np.median(data.factor))
    panel.axhline(1.0, color=GREY, linewidth=0.8, linestyle=(0, (1, 2)))
    panel.set(
        xlim=(-3.5, STRONGEST_MPS2), ylim=(centre - 0.05, centre + 0.07),
        xlabel="force of the driven axle over mass [m/s²]", ylabel="driven over undriven [1]",
    )  # fmt: skip
    panel.set_title("Slip is the slope, scale the height at no force")


def _factors(panel: Axes, data: CalibrationData) -> None:
    mean, low, high = (100.0 * (values - 1.0) for values in (data.factor, data.lo, data.hi))
    for row in range(len(data.runs)):
        colour, _ = SERIES[row % len(SERIES)]
        panel.plot([low[row], high[row]], [row, row], color=colour, linewidth=2.0)
        panel.plot(mean[row], row, "o", color=colour, markersize=5)
    panel.axvline(0.0, color=GREY, linewidth=0.8, linestyle=(0, (1, 2)))
    panel.set_yticks(range(len(data.runs)), data.runs, fontsize=8)
    panel.set(ylim=(len(data.runs) - 0.5, -0.5), xlabel="driven axle reads too high by [%]")
    left, right = min(0.0, float(low.min())), max(0.0, float(high.max()))
    pad = 0.1 * (right - left) + 0.05
    panel.set_xlim(left - pad, right + pad)
    panel.locator_params(axis="x", nbins=6)
    panel.set_title("Factor in use, 90 % interval")


def draw_gears(data: GearData) -> str:
    """Draw engine speed over road speed with the lines of the sheet and as driven; return SVG text."""

    def draw(axes: list[Axes]) -> None:
        panel = axes[0]
        unknown = data.gear < 1
        panel.plot(data.speed_kmh[~unknown], data.rpm[~unknown], ".", color=BLUE, markersize=2.0, alpha=0.5,
                   label="gear known")  # fmt: skip
        panel.plot(
            data.speed_kmh[unknown], data.rpm[unknown], "x", color=GREY, markersize=3, label="gear unknown"
        )
        top = 1.08 * max(float(np.max(data.rpm, initial=1000.0)), 1000.0)
        right = 1.05 * max(float(np.max(data.speed_kmh, initial=50.0)), 50.0)
        for index, slope in enumerate(data.sheet_rpm_per_kmh):
            end = min(right, top / slope)
            panel.plot([0, end], [0, end * slope], color=ORANGE, linestyle=(0, (5, 2)), linewidth=1.4,
                       label="car sheet" if index == 0 else None)  # fmt: skip
            panel.annotate(
                str(index + 1), (0.93 * end, 0.93 * end * slope), color=INK, fontsize=9, weight="bold"
            )
        slopes = [float(slope) for slope in data.driven_rpm_per_kmh if np.isfinite(slope)]
        for slope in slopes:
            end = min(right, top / slope)
            first = slope == slopes[0]
            panel.plot(
                [0, end], [0, end * slope], color=INK, linewidth=0.8, label="as driven" if first else None
            )
        panel.set(xlabel="driven wheels [km/h]", ylabel="engine speed [rpm]", xlim=(0, right), ylim=(0, top))
        panel.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), borderaxespad=0.0, markerscale=2.0)

    return svg(draw, name="gears", width_in=7.4, height_in=3.2)
