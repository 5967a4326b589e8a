"""What all figures share: colours that colour-blind readers tell apart, dash patterns, and repeatable SVG."""

import re
from collections.abc import Callable
from io import StringIO
from typing import Any

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

BLUE, VERMILION, GREEN, ORANGE, PURPLE, SKY = (
    "#0072B2",
    "#D55E00",
    "#009E73",
    "#E69F00",
    "#CC79A7",
    "#56B4E9",
)
"""From the palette of Okabe and Ito (2002, "Color universal design"), from memory."""

INK, GREY, PALE = "#1f2a33", "#6b7780", "#dfe4e6"
"""Text, secondary lines, grid lines."""

AFTER: dict[str, Any] = {"color": BLUE, "linestyle": "-", "linewidth": 2.0}
"""How a proposal is drawn."""

BEFORE: dict[str, Any] = {"color": VERMILION, "linestyle": (0, (5, 2)), "linewidth": 1.6}
"""How the grids in force are drawn."""

SERIES: tuple[tuple[str, Any], ...] = (
    (BLUE, "-"),
    (VERMILION, (0, (5, 2))),
    (GREEN, (0, (1.5, 1.5))),
    (ORANGE, (0, (6, 2, 1.5, 2))),
    (PURPLE, (0, (3, 1, 1, 1, 1, 1))),
    (SKY, (0, (8, 3))),
)
"""Colour and dash pattern of the n-th of several equal series."""

SCREEN_PX_PER_IN = 122.0
"""Widest drawing on a screen, so that letters are no larger than those of the page."""

_SETTINGS = {
    "svg.fonttype": "none",  # text stays text: searchable, and small
    "font.family": "sans-serif",
    "font.sans-serif": ["Helvetica", "Arial", "Liberation Sans", "DejaVu Sans", "sans-serif"],
    "font.size": 9.0,
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": PALE,
    "grid.linewidth": 0.7,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "text.color": INK,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "lines.solid_capstyle": "round",
}


def svg(
    draw: Callable[[list[Axes]], None],
    *,
    name: str,
    width_in: float = 7.0,
    height_in: float = 3.0,
    rows: int = 1,
    columns: int = 1,
    share_x: bool = False,
    share_y: bool = False,
) -> str:
    """Draw on a grid of axes and return SVG text that is the same on every run.

    Parameters
    ----------
    draw : callable
        Gets the axes row by row.
    name : str
        Unique on the page: it keeps the identifiers of two figures apart.
    width_in, height_in : float
        Size [inch of 72 points].
    rows, columns : int
        Axes in the grid.
    share_x, share_y : bool
        Whether all axes have the same limits.

    Returns
    -------
    str
        An ``<svg>`` element, without prolog, metadata or any address outside the page.
    """
    with rc_context({**_SETTINGS, "svg.hashsalt": name}):
        layout = ConstrainedLayoutEngine()
        figure = Figure(figsize=(width_in, height_in), layout=layout)
        FigureCanvasSVG(figure)
        grid = figure.subplots(rows, columns, squeeze=False, sharex=share_x, sharey=share_y)
        draw([axes for row in grid for axes in row])
        # laid out once here: savefig would do it twice, and that is half of what a figure takes
        layout.execute(figure)
        figure.set_layout_engine("none")
        text = StringIO()
        figure.savefig(text, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    return _inline(text.getvalue(), name, round(SCREEN_PX_PER_IN * width_in))


def hide_unused(axes: list[Axes], used: int) -> None:
    """Take the axes from position `used` on out of the picture."""
    for spare in axes[used:]:
        spare.set_visible(False)


def _inline(text: str, name: str, width_px: int) -> str:
    """Strip what only a file of its own needs, and make identifiers unique to the figure."""
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r' xmlns(:\w+)?="[^"]*"', "", text, count=2)
    referenced = set(re.findall(r'(?:href="#|url\(#)([^")]+)', text))
    text = re.sub(
        r' id="([^"]+)"', lambda match: f' id="{name}-{match[1]}"' if match[1] in referenced else "", text
    )
    text = re.sub(r'xlink:href="#', f'href="#{name}-', text)
    text = re.sub(r"url\(#", f"url(#{name}-", text)
    head = rf'<svg viewBox="\1" aria-hidden="true" style="max-width: {width_px}px">'
    text = re.sub(r'<svg [^>]*viewBox="([^"]+)"[^>]*>', head, text, count=1)
    text = re.sub(r"(\.\d\d)\d+", r"\1", text)  # a hundredth of a point is finer than any screen
    return re.sub(r"\n\s*", "\n", text).strip()
