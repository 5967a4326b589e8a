"""What the logs cover: slip episodes and seconds of slip per gear and speed, what is missing, what to drive next."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.driveline import overall_ratio, rolling_radius_m, speed_mps_at_rpm
from gridfit.errors import DataError
from gridfit.plant.prior import from_carsheet
from gridfit.signals.prepared import Signals
from gridfit.simulate.scenarios import ENTRY_SHARE, breaking_gears
from gridfit.units import KMH_PER_MPS
from pipelines.report.blocks import Block, Bullets, Cell, Table, Text

WIDTHS_KMH = (20.0, 30.0, 40.0, 60.0)
"""Widths of a speed band that are tried until there are few enough [km/h]."""

MOST_BANDS = 7
"""Columns that fit on a page."""

OVERLAP = 0.25
"""A band is asked for when the scenarios of a gear begin in at least this share of it [1]."""

ENOUGH = 3
"""Episodes in a gear and band from which it is not asked for any more [1]."""


@dataclass(frozen=True, slots=True)
class Coverage:
    """Episodes per gear and speed.

    Parameters
    ----------
    gears : tuple of int
        Gears that can break traction by the car sheet, and those in which slip was logged.
    edges_kmh : float64[B + 1]
        Bands of the undriven axle's speed [km/h].
    episodes : int64[G, B]
        By gear and by speed at their start.
    seconds : float64[G, B]
        Time within episodes [s].
    causes : tuple of tuple of dict of str to int
        Episodes by cause, [G][B].
    wanted : bool[G, B]
        Where the standard scenarios begin: 30 to 64 % of limit_rpm, in a gear that can break traction.
    """

    gears: tuple[int, ...]
    edges_kmh: NDArray[np.float64]
    episodes: NDArray[np.int64]
    seconds: NDArray[np.float64]
    causes: tuple[tuple[dict[str, int], ...], ...]
    wanted: NDArray[np.bool_]


def coverage(sheet: CarSheet, signals: tuple[Signals, ...], episodes: pd.DataFrame) -> Coverage:
    """Count episodes and seconds of slip per gear and speed.

    Parameters
    ----------
    sheet : CarSheet
    signals : tuple of Signals
    episodes : DataFrame
        Of all runs.

    Returns
    -------
    Coverage
    """
    able = _able(sheet)
    known = episodes[episodes["gear"] > 0]
    gears = tuple(sorted({*able, *(int(gear) for gear in known["gear"])}))
    start, time = _speeds(signals, known)
    ranges = {gear: _range_kmh(sheet, gear) for gear in gears}
    top = max([*(high for gear, (_, high) in ranges.items() if gear in able), *start, 1.0])
    width = next((one for one in WIDTHS_KMH if top / one <= MOST_BANDS), WIDTHS_KMH[-1])
    edges = np.arange(0.0, top + width, width)
    shape = (len(gears), edges.size - 1)
    counts, seconds = np.zeros(shape, dtype=np.int64), np.zeros(shape)
    causes = tuple(tuple(dict[str, int]() for _ in range(shape[1])) for _ in gears)
    for row, gear in enumerate(gears):
        for speed, cause in zip(
            start[known["gear"] == gear], known.loc[known["gear"] == gear, "cause"], strict=True
        ):
            band = int(np.clip(np.searchsorted(edges, speed, side="right") - 1, 0, shape[1] - 1))
            counts[row, band] += 1
            causes[row][band][str(cause)] = causes[row][band].get(str(cause), 0) + 1
        own = time[time["gear"] == gear]
        seconds[row] = np.histogram(own["speed_kmh"], edges, weights=own["step_s"])[0]
    wanted = np.array(
        [
            [
                gear in able and min(high, edges[band + 1]) - max(low, edges[band]) > OVERLAP * width
                for band in range(shape[1])
            ]
            for gear, (low, high) in ranges.items()
        ],
        dtype=np.bool_,
    ).reshape(shape)
    return Coverage(gears, edges, counts, seconds, causes, wanted)


def _able(sheet: CarSheet) -> tuple[int, ...]:
    """Return the gears that can break traction by the car sheet; the mean of the prior decides, not its draws."""
    try:
        return breaking_gears(sheet, from_carsheet(sheet, np.random.default_rng(0), n_draws=200))
    except DataError:
        return ()


def _range_kmh(sheet: CarSheet, gear: int) -> tuple[float, float]:
    """Return the speeds at which the standard scenarios begin in a gear [km/h]."""
    rpm = np.array(ENTRY_SHARE) * sheet.engine.limit_rpm
    radius = rolling_radius_m(sheet.tyre.size)
    low, high = KMH_PER_MPS * speed_mps_at_rpm(rpm, float(overall_ratio(sheet, gear)), radius)
    return float(low), float(high)


def _speeds(signals: tuple[Signals, ...], episodes: pd.DataFrame) -> tuple[NDArray[np.float64], pd.DataFrame]:
    """Return the speed at each episode's start [km/h], and gear, speed and step of every sample within one."""
    tables = {item.name: item for item in signals}
    start, parts = [], []
    for row in episodes.to_dict("records"):
        item = tables[str(row["run"])]
        inside = item.table.iloc[int(row["start_index"]) : int(row["end_index"]) + 1]
        speed = KMH_PER_MPS * inside["v_u_smooth_mps"].to_numpy(dtype=np.float64)
        start.append(float(speed[0]))
        parts.append(pd.DataFrame({"gear": int(row["gear"]), "speed_kmh": speed, "step_s": item.step_s}))
    empty = pd.DataFrame({"gear": [], "speed_kmh": [], "step_s": []})
    return np.array(start), pd.concat(parts, ignore_index=True) if parts else empty


def coverage_blocks(found: Coverage) -> tuple[Block, ...]:
    """Return the table of gears and speeds, and what to drive next.

    Parameters
    ----------
    found : Coverage
    """
    if not found.gears:
        return (Text(("By the car sheet no gear can break traction, and none did.",)),)
    head = ("", *(_band(found, band) for band in range(found.edges_kmh.size - 1)))
    rows = tuple(
        (Cell(f"gear {gear}"), *(_cell(found, row, band) for band in range(found.edges_kmh.size - 1)))
        for row, gear in enumerate(found.gears)
    )
    note = (
        "Speed of the undriven axle at the start of the episode [km/h]; below each number, seconds within episodes at "
        f"that speed, and causes. Red: the standard scenarios begin there, with fewer than {ENOUGH} episodes logged."
    )
    steps = missing(found)
    asked: Block = (
        Bullets(steps)
        if steps
        else Text((f"Nothing is missing: {ENOUGH} episodes or more wherever the standard scenarios begin.",))
    )
    return (Table("Episodes per gear and speed", head, rows, note, wide=True), asked)


def missing(found: Coverage) -> tuple[str, ...]:
    """Return what to drive next, a sentence per gear."""
    said = []
    for row, gear in enumerate(found.gears):
        thin = np.flatnonzero(found.wanted[row] & (found.episodes[row] < ENOUGH))
        if thin.size:
            bands = ", ".join(
                f"{_band(found, int(band))} km/h ({found.episodes[row, band] or 'none'} so far)"
                for band in thin
            )
            said.append(
                f"Gear {gear}: roll-ons and throttle stabs that slip, begun at {bands}; {ENOUGH} at each."
            )
    return tuple(said)


def _band(found: Coverage, band: int) -> str:
    return f"{found.edges_kmh[band]:.0f}–{found.edges_kmh[band + 1]:.0f}"


def _cell(found: Coverage, row: int, band: int) -> Cell:
    count, seconds = int(found.episodes[row, band]), float(found.seconds[row, band])
    wanted = bool(found.wanted[row, band])
    causes = ", ".join(f"{name} {number}" for name, number in found.causes[row][band].items())
    if count == 0 and not wanted and seconds == 0.0:
        return Cell("–", mark="thin")
    below = " · ".join(part for part in (f"{seconds:.1f} s" if seconds else "", causes) if part)
    return Cell(str(count), below, "bad" if wanted and count < ENOUGH else "")
