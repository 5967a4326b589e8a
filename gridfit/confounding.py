"""What else could explain a difference between two sides: temperature, day, track, gear, a single run, and more."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from gridfit import imbalance
from gridfit.pairfinding import PairFinding, finding

TEMPERATURE_GAP_C = 5.0
"""Difference of mean track temperature [C] from which ranges that do not overlap are called separated.

At 0.2 % per C, the correction of UN R117 for its reference tyre (from memory), that is 1 % of grip.
"""

GEAR_GAP = 0.5
"""Difference of the mean gear of the episodes [1] from which the mixes are called unlike."""

LEAST_RUNS = 2
"""Runs of a compound below which its run-to-run spread cannot be seen."""


def check_pair(table: pd.DataFrame, a: str, b: str) -> tuple[PairFinding, ...]:
    """Return the findings on the runs of two compounds.

    Parameters
    ----------
    table : DataFrame
        One row per run: ``compound``; where known ``track_temp_c``, ``day``, ``track``, ``mean_gear``, and
        what `gridfit.imbalance` looks at.
    a, b : str
        The two compounds.

    Returns
    -------
    tuple of PairFinding
        Passed and failed ones; a column that the table lacks makes none, temperature excepted.
    """
    sides = table[table["compound"] == a], table[table["compound"] == b]
    return tuple(
        found
        for check in (_runs, _temperature, _same_days, _same_tracks, _gears, *imbalance.CHECKS)
        for found in check((a, b), *sides)
    )


def _runs(pair: tuple[str, str], a: pd.DataFrame, b: pd.DataFrame) -> Iterator[PairFinding]:
    words = (
        "Each compound shows how its runs differ among themselves.",
        "One compound has a single run: what that run had of its own and what the compound has cannot be "
        "told apart, so there is no verdict.",
        "Log at least two runs of each compound, better four, in mixed order.",
    )
    yield finding("runs", pair, "runs of the rarer compound", (min(len(a), len(b)), ">=", LEAST_RUNS), words)


def _temperature(pair: tuple[str, str], a: pd.DataFrame, b: pd.DataFrame) -> Iterator[PairFinding]:
    temperatures = [_temperatures(side) for side in (a, b)]
    missing = float(sum(np.isnan(side).sum() for side in temperatures))
    words = (
        "Every run has its track temperature.",
        "Runs lack their track temperature: none is corrected, and a difference may be the weather's.",
        "Write track_temp_c into the note of every run.",
    )
    yield finding("temperature known", pair, "runs without track temperature", (missing, "<=", 0), words)
    known = [side[np.isfinite(side)] for side in temperatures]
    if not all(side.size for side in known):
        return
    apart = known[0].max() < known[1].min() or known[1].max() < known[0].min()
    gap = abs(float(known[0].mean() - known[1].mean())) if apart else 0.0
    words = (
        "The compounds ran at like temperatures.",
        f"{pair[0]} ran at {_range(known[0])} and {pair[1]} at {_range(known[1])}: compound and temperature "
        "are confounded. The interval is widened by what temperature usually does, no more.",
        "Run both compounds on the same day, in mixed order, until the temperatures overlap.",
    )
    statistic = "difference of mean track temperature where the ranges do not overlap [C]"
    yield finding("temperature alike", pair, statistic, (gap, "<", TEMPERATURE_GAP_C), words)


def _temperatures(side: pd.DataFrame) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    if "track_temp_c" not in side:
        return np.full(len(side), np.nan)
    return np.array(side["track_temp_c"], dtype=np.float64)


def _range(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> str:
    low, high = float(values.min()), float(values.max())
    return f"{low:g} C" if low == high else f"{low:g} to {high:g} C"


def _same_days(pair: tuple[str, str], a: pd.DataFrame, b: pd.DataFrame) -> Iterator[PairFinding]:
    yield from _shared("day", "days", pair, a, b)


def _same_tracks(pair: tuple[str, str], a: pd.DataFrame, b: pd.DataFrame) -> Iterator[PairFinding]:
    yield from _shared("track", "tracks", pair, a, b)


def _shared(
    column: str, plural: str, pair: tuple[str, str], a: pd.DataFrame, b: pd.DataFrame
) -> Iterator[PairFinding]:
    if column not in a or column not in b:
        return
    first, second = (
        {str(value) for value in side[column] if pd.notna(value) and value != ""} for side in (a, b)
    )
    if not first or not second:
        return
    words = (
        f"The compounds share {plural}.",
        f"The compounds never ran on the same {column}: whatever else differed between the {plural} is in "
        "the difference, and no interval here holds it.",
        f"Run both compounds on one {column}, in mixed order.",
    )
    rule = (float(len(first & second)), ">=", 1.0)
    yield finding(f"{column} shared", pair, f"{plural} on which both compounds ran", rule, words)


def _gears(pair: tuple[str, str], a: pd.DataFrame, b: pd.DataFrame) -> Iterator[PairFinding]:
    if "mean_gear" not in a or a["mean_gear"].isna().all() or b["mean_gear"].isna().all():
        return
    gap = abs(float(a["mean_gear"].mean()) - float(b["mean_gear"].mean()))
    words = (
        "The episodes of both compounds come from like gears.",
        "The episodes come from other gears, so from other speeds: part of the difference may be theirs.",
        "Drive the same manoeuvres, in the same gears, on both compounds.",
    )
    yield finding(
        "gears alike", pair, "difference of the mean gear of the episodes", (gap, "<", GEAR_GAP), words
    )
