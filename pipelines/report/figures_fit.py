"""Figures of the fit: measured and predicted speeds of example episodes, and errors by gear and speed."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from gridfit.plant.modelchecks import ModelChecks, episode_windows
from gridfit.plant.predictions import DRIVEN, ENGINE, UNDRIVEN
from gridfit.units import KMH_PER_MPS
from pipelines.report.drawing import BLUE, GREEN, GREY, INK, ORANGE, VERMILION, svg

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Followed:
    """One episode as measured and as predicted, window after window.

    Parameters
    ----------
    label : str
        Which episode.
    time_s : float64[S]
        From its first window [s]; NaN between windows, so that lines break there.
    measured_kmh, predicted_kmh : float64[3, S]
        Driven, undriven and engine speed at the rim [km/h].
    cut_pct, throttle_pct : float64[S]
        As logged [%].
    starts_s : float64[V]
        Where each window begins [s].
    """

    label: str
    time_s: Floats
    measured_kmh: Floats
    predicted_kmh: Floats
    cut_pct: Floats
    throttle_pct: Floats
    starts_s: Floats


def followed_data(checks: ModelChecks) -> tuple[Followed, ...]:
    """Return the best, the typical and the worst episode."""
    return tuple(_followed(checks, name, number) for name, number in checks.shown)


def _followed(checks: ModelChecks, name: str, number: int) -> Followed:
    found = checks.predictions
    windows, mine = found.windows, episode_windows(found, number)
    origin = float(windows.time[windows.bounds[mine[0], 2]])
    columns: list[Floats] = []
    for w in mine:
        a, b = windows.bounds[w, 2:]
        used = found.used[w, :, : b - a]
        speeds = [
            np.where(used, source[w, :, : b - a] * KMH_PER_MPS, np.nan)
            for source in (found.measured, found.predicted)
        ]
        inputs = [windows.time[a:b] - origin, 100.0 * windows.cut[a:b], 100.0 * windows.throttle[a:b]]
        columns += [np.vstack([*speeds, *inputs]), np.full((9, 1), np.nan)]
    rows = np.concatenate(columns, axis=1)
    run, gear = windows.runs[int(windows.run[mine[0]])], int(windows.gear[mine[0]])
    label = f"{name}: {run}, {origin:.1f} s, gear {gear}"
    starts = windows.time[windows.bounds[mine, 2]] - origin
    return Followed(label, rows[6], rows[:3], rows[3:6], rows[7], rows[8], starts)


MEASURED: dict[str, Any] = {"color": GREY, "linestyle": "none", "marker": ".", "markersize": 3.5}
"""How what was logged is drawn."""
LOOKS = (
    (DRIVEN, BLUE, "-", "driven wheels, predicted"),
    (UNDRIVEN, VERMILION, (0, (5, 2)), "undriven wheels, predicted"),
)


def draw_followed(episodes: Sequence[Followed]) -> str:
    """Draw a column per episode: wheel speeds, engine speed, cut and throttle; return SVG text."""
    columns = len(episodes)

    def draw(axes: list[Axes]) -> None:
        for index, episode in enumerate(episodes):
            _draw_episode([axes[row * columns + index] for row in range(3)], episode)
        for row, label in enumerate(("wheels [km/h]", "engine at the rim [km/h]", "[%]")):
            axes[row * columns].set_ylabel(label)
        handles, names = axes[0].get_legend_handles_labels()
        more, more_names = axes[2 * columns].get_legend_handles_labels()
        axes[0].figure.legend(handles + more, names + more_names, loc="outside upper left", ncols=3)

    return svg(draw, name="followed", rows=3, columns=columns, height_in=5.4)


def _draw_episode(axes: Sequence[Axes], episode: Followed) -> None:
    wheels, engine, inputs = axes
    for channel, colour, dash, label in LOOKS:
        wheels.plot(
            episode.time_s, episode.measured_kmh[channel],
            label="measured" if channel == DRIVEN else None, **MEASURED,
        )  # fmt: skip
        wheels.plot(
            episode.time_s, episode.predicted_kmh[channel], color=colour, linestyle=dash, linewidth=1.4, label=label
        )  # fmt: skip
    engine.plot(episode.time_s, episode.measured_kmh[ENGINE], **MEASURED)
    engine.plot(episode.time_s, episode.predicted_kmh[ENGINE], color=GREEN, linewidth=1.4)
    inputs.plot(episode.time_s, episode.cut_pct, color=INK, linewidth=1.4, label="cut")
    inputs.plot(
        episode.time_s, episode.throttle_pct, color=ORANGE, linestyle=(0, (1.5, 1.5)), label="throttle"
    )
    inputs.set_ylim(0, 105)
    inputs.set_xlabel("time [s]")
    wheels.set_title(episode.label, fontsize=8)
    if not np.isfinite(episode.measured_kmh[ENGINE]).any():
        engine.text(0.5, 0.5, "not logged", transform=engine.transAxes, ha="center", color=GREY)
    for panel in axes:
        panel.set_xlim(float(np.nanmin(episode.time_s)) - 0.02, float(np.nanmax(episode.time_s)) + 0.02)
        for start in episode.starts_s:
            panel.axvline(float(start), color=GREY, linewidth=0.5, alpha=0.6)


@dataclass(frozen=True, slots=True)
class ErrorPanel:
    """Errors of the predicted driven speed in groups.

    Parameters
    ----------
    title : str
    places : tuple of str
        Names of the groups.
    in_episodes, elsewhere, noise : float64[N]
        Typical error in and outside slip episodes, and the sensor's noise [km/h]; NaN: no window.
    """

    title: str
    places: tuple[str, ...]
    in_episodes: Floats
    elsewhere: Floats
    noise: Floats


def error_data(checks: ModelChecks) -> tuple[ErrorPanel, ErrorPanel]:
    """Return the panels of errors by gear and by speed."""
    return (
        _panel("by gear", checks.by_gear, lambda at: f"gear {at}"),
        _panel("by speed of the car [km/h]", checks.by_speed, lambda at: f"{at}+"),
    )


def _panel(title: str, table: pd.DataFrame, name: Callable[[int], str]) -> ErrorPanel:
    groups = sorted(table["group"].unique())
    by_kind = {kind: table[table["in_episodes"] == kind].set_index("group") for kind in (True, False)}
    typical = {
        kind: part["typical_kmh"].reindex(groups).to_numpy(dtype=np.float64) for kind, part in by_kind.items()
    }
    noise = table.groupby("group")["noise_kmh"].max().reindex(groups).to_numpy(dtype=np.float64)
    return ErrorPanel(title, tuple(name(int(g)) for g in groups), typical[True], typical[False], noise)


def draw_errors(panels: Sequence[ErrorPanel]) -> str:
    """Draw typical errors beside the noise; return SVG text."""

    def draw(axes: list[Axes]) -> None:
        for panel, data in zip(axes, panels, strict=True):
            place = np.arange(len(data.places), dtype=np.float64)
            panel.bar(place, data.noise, width=0.8, color=GREY, alpha=0.25, label="sensor's noise")
            panel.plot(
                place - 0.12, data.in_episodes, "o", color=BLUE, markersize=6, label="in slip episodes"
            )
            panel.plot(
                place + 0.12, data.elsewhere, "s", color=VERMILION, markersize=5, label="outside episodes"
            )
            panel.set_xticks(place, data.places, fontsize=8)
            panel.set_title(data.title)
            panel.set_ylim(bottom=0)
            panel.grid(visible=False, axis="x")
        axes[0].set_ylabel("typical error of the driven speed [km/h]", fontsize=8)
        axes[0].figure.legend(*axes[0].get_legend_handles_labels(), loc="outside upper left", ncols=3)

    return svg(draw, name="fit-errors", columns=2, height_in=2.9, share_y=True)
