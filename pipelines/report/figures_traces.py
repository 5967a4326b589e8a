"""Figure of example episodes: the same disturbance with the grids in force and with the proposal."""

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import fill

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from pipelines.report.drawing import AFTER, BEFORE, GREY, svg

Floats = NDArray[np.float64]

TITLE_LETTERS = 42
"""Letters in a line of a title above one of two examples."""


@dataclass(frozen=True, slots=True)
class Response:
    """One simulated course of an episode.

    Parameters
    ----------
    time_s : float64[S]
        From the disturbance [s].
    slip_pct, target_pct, cut_pct : float64[S]
        True slip, target and cut as it takes effect [%].
    speed_kmh : float64[S]
        Vehicle speed [km/h].
    """

    time_s: Floats
    slip_pct: Floats
    target_pct: Floats
    cut_pct: Floats
    speed_kmh: Floats

    def thinned(self, most: int = 400) -> "Response":
        """Return about `most` samples, evenly spread."""
        step = max(1, self.time_s.size // most)
        return Response(
            self.time_s[::step],
            self.slip_pct[::step],
            self.target_pct[::step],
            self.cut_pct[::step],
            self.speed_kmh[::step],
        )


@dataclass(frozen=True, slots=True)
class Example:
    """An episode under two grid pairs.

    Parameters
    ----------
    label : str
        What happens in it.
    before, after : Response
    """

    label: str
    before: Response
    after: Response


@dataclass(frozen=True, slots=True)
class TracesData:
    """Example episodes.

    Parameters
    ----------
    examples : tuple of Example
    ceiling_pct : float
        Top of the slip axis [%].
    before, after : str
        Names of the two pairs.
    """

    examples: tuple[Example, ...]
    ceiling_pct: float
    before: str
    after: str


def traces_data(examples: Sequence[Example], before: str = "in force", after: str = "proposal") -> TracesData:
    """Return examples thinned for drawing, with one slip axis for all."""
    peaks = [
        float(np.max(response.slip_pct))
        for example in examples
        for response in (example.before, example.after)
    ]
    thin = tuple(Example(item.label, item.before.thinned(), item.after.thinned()) for item in examples)
    return TracesData(thin, 1.08 * max([*peaks, 1.0]), before, after)


def draw_traces(data: TracesData) -> str:
    """Draw slip above cut, one column per example; return SVG text."""
    columns = len(data.examples)

    def draw(axes: list[Axes]) -> None:
        for index, example in enumerate(data.examples):
            slip, cut, speed = (axes[row * columns + index] for row in range(3))
            for response, look, label in (
                (example.before, BEFORE, data.before),
                (example.after, AFTER, data.after),
            ):
                slip.plot(response.time_s, response.slip_pct, **look)
                cut.plot(response.time_s, response.cut_pct, **look)
                speed.plot(response.time_s, response.speed_kmh, label=label, **look)
            slip.plot(example.after.time_s, example.after.target_pct, color=GREY, linewidth=1)
            slip.set_title(fill(example.label.replace(" x", " ×"), TITLE_LETTERS), fontsize=8)
            slip.set_ylim(0, data.ceiling_pct)
            cut.set_ylim(0, 105)
            speed.set_xlabel("time from the disturbance [s]")
        for row, label in enumerate(("slip [%]", "cut [%]", "speed [km/h]")):
            axes[row * columns].set_ylabel(label)
        axes[2 * columns].legend(loc="lower right")

    return svg(draw, name="traces", rows=3, columns=columns, height_in=4.6, share_x=True)
