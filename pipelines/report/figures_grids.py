"""Figures of a grid pair against the one in force: target over speed, cut over slip error per gear."""

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from gridfit.grids import GridPair
from gridfit.units import KMH_PER_MPH
from pipelines.report.drawing import AFTER, BEFORE, GREY, hide_unused, svg

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TargetData:
    """Target lines over speed.

    Parameters
    ----------
    before : str
        Name of the pair that the proposal is compared with.
    unit : str
        km/h or mph, for speed and slip speed.
    speed : float64[K]
        Breakpoints of the proposal [unit].
    slip_pct, slip_speed : float64[K]
        Target as slip [%] and as slip speed [unit].
    before_speed, before_slip_pct, before_slip_speed : float64[B]
        The same of the grids in force.
    """

    before: str
    unit: str
    speed: Floats
    slip_pct: Floats
    slip_speed: Floats
    before_speed: Floats
    before_slip_pct: Floats
    before_slip_speed: Floats


@dataclass(frozen=True, slots=True)
class CutData:
    """Cut rows of the gears that both pairs can be asked for.

    Parameters
    ----------
    before : str
        Name of the pair that the proposal is compared with.
    gears : tuple of int
    error_pct : float64[E]
        Slip error, both pairs' breakpoints together [percentage points].
    after_pct, before_pct : float64[G, E]
        Cut [%].
    knots : tuple of (float64, float64)
        Breakpoints and values of the proposal in each gear.
    """

    before: str
    gears: tuple[int, ...]
    error_pct: Floats
    after_pct: Floats
    before_pct: Floats
    knots: tuple[tuple[Floats, Floats], ...]


def target_data(after: GridPair, before: GridPair, unit: str = "km/h", name: str = "in force") -> TargetData:
    """Return target lines of a pair and of the one in force.

    Parameters
    ----------
    after, before : GridPair
    unit : str
        km/h or mph.
    name : str
        What `before` is called.

    Returns
    -------
    TargetData
    """
    per = KMH_PER_MPH if unit == "mph" else 1.0
    new, old = after.target, before.target
    return TargetData(
        name,
        unit,
        new.speed_kmh / per,
        new.slip_pct,
        new.slip_pct * new.speed_kmh / per / 100.0,
        old.speed_kmh / per,
        old.slip_pct,
        old.slip_pct * old.speed_kmh / per / 100.0,
    )


def cut_data(after: GridPair, before: GridPair, name: str = "in force") -> CutData:
    """Return cut rows of a pair and of the one in force, in every gear of the proposal.

    Parameters
    ----------
    after, before : GridPair
    name : str
        What `before` is called.

    Returns
    -------
    CutData
    """
    error = np.union1d(after.cut.slip_error_pct, before.cut.slip_error_pct)
    error = np.union1d(error, [min(0.0, float(error[0])), float(error[-1]) + 5.0])
    gears = tuple(int(gear) for gear in after.cut.gear)
    knots = tuple((after.cut.slip_error_pct, after.cut.row(gear)) for gear in gears)
    return CutData(name, gears, error, _rows(after, gears, error), _rows(before, gears, error), knots)


def draw_target(data: TargetData) -> str:
    """Draw target lines as slip and as slip speed; return SVG text."""

    def draw(axes: list[Axes]) -> None:
        left, right = axes
        left.plot(data.before_speed, data.before_slip_pct, label=data.before, **BEFORE)
        left.plot(data.speed, data.slip_pct, marker="o", markersize=3.5, label="proposal", **AFTER)
        right.plot(data.before_speed, data.before_slip_speed, **BEFORE)
        right.plot(data.speed, data.slip_speed, marker="o", markersize=3.5, **AFTER)
        left.set(xlabel=f"speed [{data.unit}]", ylabel="target slip [%]", ylim=(0, None))
        right.set(xlabel=f"speed [{data.unit}]", ylabel=f"target slip speed [{data.unit}]", ylim=(0, None))
        left.legend(loc="upper right")

    return svg(draw, name="target", columns=2, height_in=2.7)


def draw_cut(data: CutData) -> str:
    """Draw one small panel per gear; return SVG text."""
    columns = min(3, len(data.gears))
    rows = -(-len(data.gears) // columns)

    def draw(axes: list[Axes]) -> None:
        for index, gear in enumerate(data.gears):
            panel = axes[index]
            panel.plot(data.error_pct, data.before_pct[index], label=data.before, **BEFORE)
            panel.plot(data.error_pct, data.after_pct[index], label="proposal", **AFTER)
            panel.plot(*data.knots[index], "o", color=AFTER["color"], markersize=3.5)
            panel.set_title(f"gear {gear}")
            panel.set_ylim(0, 1.08 * max(float(data.after_pct.max()), float(data.before_pct.max()), 1.0))
            panel.axvline(0.0, color=GREY, linewidth=0.8)
        lowest = axes[max(0, len(data.gears) - columns) : len(data.gears)]  # of each column
        for panel in lowest:
            panel.set_xlabel("slip error [points]")
            panel.tick_params(labelbottom=True)
        for panel in axes[::columns]:
            panel.set_ylabel("cut [%]")
        axes[0].figure.legend(*axes[0].get_legend_handles_labels(), loc="outside upper right", ncols=2)
        hide_unused(axes, len(data.gears))

    return svg(
        draw, name="cut", rows=rows, columns=columns, height_in=0.5 + 1.9 * rows, share_x=True, share_y=True
    )


def _rows(pair: GridPair, gears: tuple[int, ...], error: Floats) -> Floats:
    return np.array([pair.cut.at(error, gear) for gear in gears])
