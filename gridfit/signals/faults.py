"""Table of faults: what sensor and logger did, and strikes and locked wheels, with times and counts, to be drawn."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from gridfit.carsheet import CarSheet
from gridfit.signals import filters
from gridfit.signals.filters import Bools, Floats
from gridfit.signals.quality import Finding, compare
from gridfit.signals.repair import Repaired
from gridfit.signals.run import Run

COLUMNS: tuple[str, ...] = ("kind", "channel", "start_s", "end_s", "samples", "detail")
"""Columns of the table."""

JOIN_S = 0.3
"""Marks of one kind on one channel within this time are one row [s]."""

LOCKED_SHARE = 0.15
"""An axle this much slower than the other while the brake is on is locked or locking [1]."""

LOCKED_S = 0.05
"""...for at least this long [s]."""

COARSE_PCT = 1.0
"""A step of a wheel speed that is more slip than this is coarse: half the 2-point band [percentage points]."""

MEANING: dict[str, tuple[str, str]] = {
    "stuck": (
        "the channel stood still while the car did not; masked",
        "Check plug, sensor and logger input.",
    ),
    "dropout": ("samples are missing; bridged up to 0.12 s, else masked", "Check plug and wiring."),
    "spikes": ("single samples stood out and were taken out", "Check air gap, shielding and earth."),
    "impossible": ("values that the channel cannot hold were masked", "Check scale and wiring."),
    "saturated": ("the channel sat at its end of range", "Widen the range of the logger's input."),
    "lost pulses": ("a wheel read far below the others; the other wheel stood in", "Check ring and air gap."),
    "brake lock": ("a wheel locked under braking; left out", "Shift brake balance, or brake less late."),
    "kerb": ("a wheel was struck; marked, and no throttle slip", ""),
    "hole": ("the clock jumped; nothing is carried across", "Check the logger's storage and bus load."),
    "coarse": (
        "one step of wheel speed is more than a point of slip there",
        "Log wheel speed in steps of 0.1 km/h or finer, or more teeth.",
    ),
}
"""By kind: what follows, and what to do."""

TOLERATED: dict[str, float] = {"kerb": 0.1, "brake lock": 0.02, "coarse": 0.1, "hole": 1e-4}
"""Share of samples that may be so [1], where it is not the usual one."""

USUAL_TOLERANCE = 1e-3
"""Share of samples of a channel that may be at fault [1]."""


def find(item: Repaired, table: pd.DataFrame, sheet: CarSheet) -> pd.DataFrame:
    """Find the faults of a run.

    Parameters
    ----------
    item : Repaired
    table : DataFrame
        As in `Signals`.
    sheet : CarSheet

    Returns
    -------
    DataFrame
        Columns of `COLUMNS`, by start: kind (a key of `MEANING`), column of the run's table or axle, first
        and last moment [s], number of samples, what was seen.
    """
    rows = [
        row
        for kind, channel, mask, detail in _marks(item, table, sheet)
        for row in _rows(kind, channel, mask, detail, item.time_s)
    ]
    rows += _holes(item)
    frame = pd.DataFrame(rows, columns=list(COLUMNS)).sort_values(["start_s", "channel"], ignore_index=True)
    return frame.astype({"samples": np.int64, "start_s": np.float64, "end_s": np.float64})


def check(marked: pd.DataFrame, run: Run) -> list[Finding]:
    """Return one finding per kind and channel of the table.

    Parameters
    ----------
    marked : DataFrame
        From `find`.
    run : Run
    """
    found = []
    rows = max(1, len(run.table))
    for (kind, channel), group in marked.groupby(["kind", "channel"], sort=True):
        meaning, remedy = MEANING[str(kind)]
        samples, times = int(group["samples"].sum()), len(group)
        found.append(
            compare(
                f"fault: {kind}, {channel}",
                run.name,
                "share of samples [1]",
                samples / rows,
                "<",
                TOLERATED.get(str(kind), USUAL_TOLERANCE),
                good=f"{meaning} ({times} times, {samples} samples)",
                bad=f"{meaning} ({times} times, {samples} samples)",
                remedy=remedy,
            )
        )
    return found


def _marks(item: Repaired, table: pd.DataFrame, sheet: CarSheet) -> Iterator[tuple[str, str, Bools, str]]:
    """Give (kind, channel, where, detail) of every fault."""
    for axle in (item.undriven, item.driven):
        for channel, kinds in axle.marks.items():
            for kind, mask in kinds.items():
                if kind == "lost pulses":
                    yield "brake lock", channel, mask & item.brake, "wheel far below the others, brake on"
                    mask = mask & ~item.brake
                yield kind, channel, mask, MEANING[kind][0]
    for channel, mended in item.mended.items():
        for kind, mask in mended.marks.items():
            yield kind, channel, mask, MEANING[kind][0]
    for channel in ("gear", "brake", "cut_pct"):
        if channel in item.run.table:
            yield "dropout", channel, item.run.table[channel].isna().to_numpy(), MEANING["dropout"][0]
    for channel, mask in _locked(item, table):
        yield "brake lock", channel, mask, "axle far below the other, brake on"
    yield "kerb", "wheels", table["kerb"].to_numpy(dtype=np.bool_), MEANING["kerb"][0]
    for channel, mask, step in _coarse(item, sheet):
        yield "coarse", channel, mask, f"steps of {3.6 * step:.2f} km/h"


def _locked(item: Repaired, table: pd.DataFrame) -> Iterator[tuple[str, Bools]]:
    """Give where an axle is much slower than the other while the brake is on, both axles calibrated."""
    v_u = table["v_u_smooth_mps"].to_numpy(dtype=np.float64)
    v_d = table["v_d_smooth_mps"].to_numpy(dtype=np.float64)
    fast = item.brake & (np.maximum(v_u, v_d) > 3.0)
    least = max(2, round(LOCKED_S / item.run.period_s))
    for channel, slow, other in (("speed_driven_mps", v_d, v_u), ("speed_undriven_mps", v_u, v_d)):
        yield channel, _lasting(fast & (slow < (1.0 - LOCKED_SHARE) * other), least)


def _coarse(item: Repaired, sheet: CarSheet) -> Iterator[tuple[str, Bools, float]]:
    """Give where a step of a wheel speed is more than a point of slip, above the controller's least speed."""
    least = sheet.controller.min_speed_kmh / 3.6
    for name, axle in (("speed_undriven_mps", item.undriven), ("speed_driven_mps", item.driven)):
        channels = [channel for channel in axle.marks if channel in item.run.table] or [name]
        step = max(filters.resolution(item.run.table[c].to_numpy()[:20_000]) for c in channels)
        speed = np.maximum(item.undriven.speed_mps, least)
        yield name, (item.undriven.speed_mps > least) & (100.0 * step / speed > COARSE_PCT), step


def _lasting(mask: Bools, least: int) -> Bools:
    result = np.zeros(mask.size, dtype=np.bool_)
    for first, last in zip(*filters.intervals(mask), strict=True):
        if last - first >= least:
            result[first:last] = True
    return result


def _rows(kind: str, channel: str, mask: Bools, detail: str, time_s: Floats) -> Iterator[tuple[object, ...]]:
    """Give the rows of one mark; stretches close to each other are one."""
    starts, stops = filters.intervals(mask)
    at = 0
    while at < starts.size:
        last = at
        while last + 1 < starts.size and time_s[starts[last + 1]] - time_s[stops[last] - 1] < JOIN_S:
            last += 1
        samples = int(np.sum(stops[at : last + 1] - starts[at : last + 1]))
        yield kind, channel, float(time_s[starts[at]]), float(time_s[stops[last] - 1]), samples, detail
        at = last + 1


def _holes(item: Repaired) -> list[tuple[object, ...]]:
    time_s = item.time_s
    return [
        (
            "hole",
            "time_s",
            float(time_s[i - 1]),
            float(time_s[i]),
            1,
            f"{time_s[i] - time_s[i - 1]:.2f} s lost",
        )
        for i in np.flatnonzero(item.lost)
    ]
