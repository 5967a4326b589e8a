"""Further ways in which the runs of two compounds can differ: speeds, grids, driver, order, spread, tyre size."""

from collections.abc import Callable, Iterator, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from gridfit.pairfinding import PairFinding, finding

Floats = NDArray[np.float64]
Check = Callable[[tuple[str, str], pd.DataFrame, pd.DataFrame], Iterator[PairFinding]]

SPEED_GAP = 0.10
"""Difference of the mean speed of the episodes, over their mean [1], from which the mixes are called unlike; chosen."""

IN_COMMON = 0.5
"""Least share of the runs whose driver, or whose grids, both compounds had [1]; chosen."""

IN_TURN = 0.8
"""From this share of "earlier in the day" on, less that of "later", one compound is called first [1]; chosen."""

SPREAD_LEVEL = 0.01
"""Level of the F test below which the runs of two compounds are said to spread unlike [1]."""

SIZE_GAP = 0.01
"""Difference of rolling radius from which tyres are of another size [1]: wear takes 1 % off; common practice."""

BEYOND = 0.10
"""A run is beyond another compound's when it lies outside of its range by more than this share [1]; chosen."""

BEYOND_SHARE = 0.25
"""Share of a compound's runs beyond another's from which it is named [1]; chosen."""


def _numbers(side: pd.DataFrame, column: str) -> Floats:
    """Finite values of a column; none where the table lacks it."""
    if column not in side:
        return np.zeros(0)
    values = np.array(pd.to_numeric(side[column], errors="coerce"), dtype=np.float64)
    return values[np.isfinite(values)]


def _speeds(pair: tuple[str, str], a: pd.DataFrame, b: pd.DataFrame) -> Iterator[PairFinding]:
    first, second = _numbers(a, "speed_kmh"), _numbers(b, "speed_kmh")
    if not first.size or not second.size:
        return
    gap = abs(first.mean() - second.mean()) / (0.5 * (first.mean() + second.mean()))
    words = (
        "The episodes of both compounds come at like speeds.",
        f"{pair[0]} slid at {_range(first, 'km/h')} and {pair[1]} at {_range(second, 'km/h')}: compound and speed are "
        "confounded, and no interval here holds what speed does.",
        "Drive the same manoeuvres at the same speeds on both, or compare only runs at speeds that both have.",
    )
    statistic = "difference of the mean speed of the episodes over their mean"
    yield finding("speeds alike", pair, statistic, (float(gap), "<", SPEED_GAP), words)


def _range(values: Floats, unit: str) -> str:
    low, high = float(values.min()), float(values.max())
    return f"{low:.3g} {unit}" if np.isclose(low, high) else f"{low:.3g} to {high:.3g} {unit}"


def _grids(pair: tuple[str, str], a: pd.DataFrame, b: pd.DataFrame) -> Iterator[PairFinding]:
    words = (
        "Both compounds ran under the same grids.",
        "The compounds ran under other grids, which slide the tyre another way: part of the difference may be theirs.",
        "Run both compounds under one grid pair, or under each pair as often.",
    )
    yield from _in_common(
        "grids", "grids alike", "share of runs under grids that both had", words, pair, a, b
    )


def _drivers(pair: tuple[str, str], a: pd.DataFrame, b: pd.DataFrame) -> Iterator[PairFinding]:
    words = (
        "Both compounds had the same drivers.",
        "By their notes the compounds had other drivers: what the driver does is in the difference.",
        "Let each driver drive both compounds, as often; write driver: NAME into the note.",
    )
    yield from _in_common(
        "driver", "driver alike", "share of runs by drivers that both had", words, pair, a, b
    )


def _in_common(
    column: str, check: str, statistic: str, words: tuple[str, str, str],
    pair: tuple[str, str], a: pd.DataFrame, b: pd.DataFrame,
) -> Iterator[PairFinding]:  # fmt: skip
    """Say whether most runs have a value that the other compound's runs have too; nothing where some have none."""
    if column not in a or column not in b:
        return
    sides = [[str(value) for value in side[column] if pd.notna(value) and value != ""] for side in (a, b)]
    if any(len(side) < len(whole) for side, whole in zip(sides, (a, b), strict=True)) or not all(sides):
        return
    both = set(sides[0]) & set(sides[1])
    share = min(sum(value in both for value in side) / len(side) for side in sides)
    yield finding(check, pair, statistic, (share, ">=", IN_COMMON), words)


def _order(pair: tuple[str, str], a: pd.DataFrame, b: pd.DataFrame) -> Iterator[PairFinding]:
    """Say whether one compound was always driven first; only where days and times are known."""
    if "started" not in a or "day" not in a:
        return
    earlier = later = 0
    for day in set(a["day"]) & set(b["day"]):
        first, second = (
            pd.to_datetime(side.loc[side["day"] == day, "started"], errors="coerce").dropna()
            for side in (a, b)
        )
        earlier += sum(int((one < second).sum()) for one in first)
        later += sum(int((one > second).sum()) for one in first)
    if earlier + later < 2:
        return
    words = (
        "The compounds took turns within the day.",
        "Within a day one compound ran before the other: rubber on the track, warming and the driver's practice are "
        "in the difference.",
        "Drive the compounds in turn, in the order of the run plan.",
    )
    share = abs(earlier - later) / (earlier + later)
    statistic = "share of pairs of runs of one day in which one came first, less the rest"
    yield finding("in turn", pair, statistic, (share, "<", IN_TURN), words)


def _spread(pair: tuple[str, str], a: pd.DataFrame, b: pd.DataFrame) -> Iterator[PairFinding]:
    sides = [_numbers(side, "log_mu") for side in (a, b)]
    if min(side.size for side in sides) < 3:
        return
    variance = [float(side.var(ddof=1)) for side in sides]
    if min(variance) <= 0.0:
        return
    ratio = variance[0] / variance[1]
    df = sides[0].size - 1, sides[1].size - 1
    p_value = 2.0 * min(float(stats.f.sf(ratio, *df)), float(stats.f.cdf(ratio, *df)))
    words = (
        "Runs of both compounds differ among themselves by like amounts.",
        "Runs of one compound differ among themselves much more than those of the other; the model gives both one "
        "spread, so read its p value beside the one by re-labelling.",
        "Look at the runs that stand apart, and log more of the compound that spreads.",
    )
    yield finding("spread alike", pair, "p value of equal spreads", (p_value, ">=", SPREAD_LEVEL), words)


def _sizes(pair: tuple[str, str], a: pd.DataFrame, b: pd.DataFrame) -> Iterator[PairFinding]:
    first, second = _numbers(a, "radius_m"), _numbers(b, "radius_m")
    if not first.size or not second.size:
        return
    ratio = float(second.mean() / first.mean())
    words = (
        "The driven tyres roll at the same radius.",
        f"The tyres differ in size: the radius of {pair[1]} is {100.0 * (ratio - 1.0):+.1f} % off that of {pair[0]}. "
        "Slip is measured with each run's own factor; forces at the wheel differ with the size, so part of what the "
        "compounds are worth is gearing.",
        "Enter each size in the controller when that tyre is fitted, or compare in one size.",
    )
    statistic = "difference of the rolling radius by engine speed"
    yield finding("size alike", pair, statistic, (abs(ratio - 1.0), "<", SIZE_GAP), words)


CHECKS: tuple[Check, ...] = (_speeds, _grids, _drivers, _order, _spread, _sizes)
"""In the order of the report."""


def beyond(table: pd.DataFrame, column: str, names: Sequence[str]) -> tuple[str, ...]:
    """Return the compounds that ran where another never did.

    Parameters
    ----------
    table : DataFrame
        One row per run: ``compound`` and the column.
    column : str
        A positive quantity, such as ``speed_kmh``.
    names : sequence of str
        Compounds, in the order of the answer.

    Returns
    -------
    tuple of str
        Those of whose runs at least `BEYOND_SHARE` lie outside of another's range by more than `BEYOND` of it.
    """
    values = {name: _numbers(table[table["compound"] == name], column) for name in names}
    known = {name: own for name, own in values.items() if own.size}
    return tuple(
        name for name in known if any(_outside(own, known[name]) for key, own in known.items() if key != name)
    )


def _outside(ruler: Floats, own: Floats) -> bool:
    low, high = float(ruler.min()) * (1.0 - BEYOND), float(ruler.max()) * (1.0 + BEYOND)
    return float(np.mean((own < low) | (own > high))) >= BEYOND_SHARE
