"""Figure of the plant: what the car sheet allowed, and what is left of it after the logs."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from gridfit.estimate import Estimate
from pipelines.report.drawing import BLUE, ORANGE, hide_unused, svg

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PlantRow:
    """One figure of the plant for several gears or compounds.

    Parameters
    ----------
    quantity : str
        Label with unit.
    places : tuple of str
        Gears or compounds.
    prior, fitted : tuple of Estimate
        Before and after the logs; `fitted` is empty when there were none.
    """

    quantity: str
    places: tuple[str, ...]
    prior: tuple[Estimate, ...]
    fitted: tuple[Estimate, ...]


@dataclass(frozen=True, slots=True)
class PlantData:
    """Panels of intervals.

    Parameters
    ----------
    panels : tuple of PlantRow
    """

    panels: tuple[PlantRow, ...]


def plant_data(rows: Sequence[PlantRow]) -> PlantData:
    """Return the panels that hold at least one finite figure."""
    return PlantData(tuple(row for row in rows if any(np.isfinite(item.mean) for item in row.prior)))


def draw_plant(data: PlantData) -> str:
    """Draw a panel per quantity with prior and fitted intervals; return SVG text."""
    columns = min(3, max(1, len(data.panels)))
    rows = -(-len(data.panels) // columns)

    def draw(axes: list[Axes]) -> None:
        for panel, row in zip(axes, data.panels, strict=False):
            _draw_row(panel, row)
        hide_unused(axes, len(data.panels))
        axes[0].figure.legend(*axes[0].get_legend_handles_labels(), loc="outside upper left", ncols=2)

    tallest = max((len(row.places) for row in data.panels), default=1)
    return svg(draw, name="plant", rows=rows, columns=columns, height_in=0.6 + rows * (0.6 + 0.27 * tallest))


def _draw_row(panel: Axes, row: PlantRow) -> None:
    place = np.arange(len(row.places), dtype=np.float64)[::-1]
    sets = ((row.prior, 0.14, ORANGE, (0, (1.5, 1.5)), "s", "car sheet alone"),)
    if row.fitted:
        sets += ((row.fitted, -0.14, BLUE, "-", "o", "with the logs"),)  # type: ignore[assignment]
    for estimates, shift, colour, dash, marker, label in sets:
        for index, (estimate, y) in enumerate(zip(estimates, place + shift, strict=True)):
            panel.plot([estimate.lo, estimate.hi], [y, y], color=colour, linestyle=dash, linewidth=2)
            panel.plot(
                estimate.mean, y, marker, color=colour, markersize=5, label=label if index == 0 else None
            )
    panel.set_yticks(place, row.places)
    panel.set_ylim(-0.6, len(place) - 0.4)
    panel.grid(visible=False, axis="y")
    panel.set_title(row.quantity, fontsize=8.5)
    panel.locator_params(axis="x", nbins=4)
