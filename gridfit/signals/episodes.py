"""Slip episodes: found in prepared runs by their definition, one row each, with the likely cause."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from gridfit.carsheet import CarSheet
from gridfit.recovery import BAND_PCT, SETTLE_S
from gridfit.signals import bumps, causes, filters
from gridfit.signals.command import held_gear
from gridfit.signals.filters import Bools, Floats, Ints
from gridfit.signals.prepared import Signals
from gridfit.units import KMH_PER_MPS

ONSET_S = 0.04
"""The error must exceed the band this long [s]."""

LONGEST_S = 4.0
"""No episode is longer [s]."""

COLUMNS: tuple[str, ...] = (
    "run",
    "start_s",
    "end_s",
    "gear",
    "cause",
    "peak_slip_kmh",
    "recovery_s",
    "peak_error_pct",
    "start_index",
    "end_index",
    "compound",
)
"""Columns of the table of episodes."""


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Time during which the error is above the band [s]; `cut_off` when its end is the end of the gate."""

    start_s: float
    end_s: float
    cut_off: bool


def find(signals: Iterable[Signals], sheet: CarSheet) -> pd.DataFrame:
    """Find the episodes of prepared runs.

    Parameters
    ----------
    signals : iterable of Signals, or Signals
        Prepared runs.
    sheet : CarSheet
        Gates.

    Returns
    -------
    DataFrame
        Columns of `COLUMNS`, in time order run by run: times on the log's clock [s], gear (0 unknown),
        cause, largest slip speed [km/h], recovery [s], largest slip error [percentage points], first and
        last sample.
    """
    each = [signals] if isinstance(signals, Signals) else signals
    rows = [row for item in each for row in _of_run(item, sheet)]
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    return table.astype({"gear": np.int64, "start_index": np.int64, "end_index": np.int64})


def gate(signals: Signals, sheet: CarSheet) -> Bools:
    """Return where an episode may be, bool[S]: throttle and speed above their gates, no brake, no shift."""
    table = signals.table
    open_throttle = table["throttle"].to_numpy() > sheet.controller.throttle_gate_pct / 100.0
    moving = table["v_u_smooth_mps"].to_numpy() * KMH_PER_MPS > sheet.controller.min_speed_kmh
    held = table["brake"].to_numpy() | table["shift"].to_numpy() | ~table["valid"].to_numpy()
    known = np.isfinite(table["error_smooth_pct"].to_numpy())
    return np.asarray(open_throttle & moving & known & ~held)


def bounds(time_s: Floats, error_pct: Floats, allowed: Bools) -> list[tuple[float, float]]:
    """Return (start, end) of every episode [s].

    Parameters
    ----------
    time_s : float64[S]
        Increasing [s].
    error_pct : float64[S]
        Slip error [percentage points], linear between samples.
    allowed : bool[S]
        Where an episode may be.

    Returns
    -------
    list of (float, float)
        An episode starts when the error exceeds 2 points for at least 40 ms. It ends at the moment from which
        the error stays below 2 points for 300 ms, or when `allowed` ends, or 4 s after its start.
    """
    found: list[tuple[float, float]] = []
    for first, last in zip(*filters.intervals(allowed), strict=True):
        closes = float(time_s[last - 1] if last == time_s.size else 0.5 * (time_s[last - 1] + time_s[last]))
        found += _in_gate(_above(time_s, error_pct, int(first), int(last), closes), closes)
    return found


def _above(time_s: Floats, error_pct: Floats, first: int, last: int, closes: float) -> list[_Stretch]:
    """Return the stretches above the band between two samples, their ends interpolated."""
    stretches = []
    for begin, end in zip(*filters.intervals(error_pct[first:last] > BAND_PCT), strict=True):
        i, j = int(begin) + first, int(end) + first
        start = float(time_s[i]) if i == first else _crossing(time_s, error_pct, i - 1)
        cut_off = j == last
        stretches.append(_Stretch(start, closes if cut_off else _crossing(time_s, error_pct, j - 1), cut_off))
    return stretches


def _crossing(time_s: Floats, error_pct: Floats, i: int) -> float:
    """Return when the error crosses the band between samples i and i + 1 [s]."""
    share = (BAND_PCT - error_pct[i]) / (error_pct[i + 1] - error_pct[i])
    return float(time_s[i] + share * (time_s[i + 1] - time_s[i]))


def _in_gate(stretches: list[_Stretch], closes: float) -> list[tuple[float, float]]:
    """Join stretches above the band into episodes."""
    found: list[tuple[float, float]] = []
    k, free_from = 0, -np.inf
    while k < len(stretches):
        start = max(stretches[k].start_s, free_from)
        if stretches[k].end_s - start < ONSET_S - 1e-9:
            k += 1
            continue
        end, k = _end(stretches, k, closes)
        if end > start + LONGEST_S:
            end = start + LONGEST_S
            k = sum(stretch.end_s <= end for stretch in stretches)
        found.append((start, end))
        free_from = end
    return found


def _end(stretches: list[_Stretch], k: int, closes: float) -> tuple[float, int]:
    """Return when the episode that began in stretch k ends [s], the cap aside, and the stretch after it."""
    for i in range(k, len(stretches)):
        if stretches[i].cut_off:
            return closes, i + 1
        until = stretches[i + 1].start_s if i + 1 < len(stretches) else closes
        if until - stretches[i].end_s >= SETTLE_S - 1e-9:
            return stretches[i].end_s, i + 1
    return closes, len(stretches)


def _of_run(signals: Signals, sheet: CarSheet) -> list[tuple[object, ...]]:
    table = signals.table
    time_s = table["time_s"].to_numpy(dtype=np.float64)
    error = table["error_smooth_pct"].to_numpy(dtype=np.float64)
    gear: Ints = held_gear(table["gear"].to_numpy(dtype=np.int64))
    unknown_gear = bool((table["gear"].to_numpy() == 0).all())
    slip_kmh = (table["v_d_smooth_mps"] - table["v_u_smooth_mps"]).to_numpy() * KMH_PER_MPS
    step_s = signals.step_s
    pushing = causes.push(signals, sheet)
    rows: list[tuple[object, ...]] = []
    for start, end in bounds(time_s, error, gate(signals, sheet)):
        i, j = _inside(time_s, start, end)
        if bumps.is_bump(signals, sheet, i, j):
            continue
        engaged = 0 if unknown_gear else int(gear[i])
        peak = int(np.argmax(error[i : j + 1])) + i
        rows.append(
            (
                signals.name,
                start,
                end,
                engaged,
                causes.classify(signals, sheet, pushing, i, j, engaged, step_s),
                float(np.max(slip_kmh[i : j + 1])),
                end - start,
                float(error[peak]),
                i,
                j,
                signals.run.note.compound,
            )
        )
    return rows


def _inside(time_s: Floats, start: float, end: float) -> tuple[int, int]:
    """Return the first and last sample of an episode."""
    i = min(int(np.searchsorted(time_s, start, side="left")), time_s.size - 1)
    return i, max(i, int(np.searchsorted(time_s, end, side="right")) - 1)
