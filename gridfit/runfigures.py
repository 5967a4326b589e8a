"""Slip at the peak, fall-off and drift of the compounds against each other, with the machinery of peak friction.

The run is the unit here too. No verdict hangs on these figures; they say what kind of tyre it is.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import exp

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit import mixedmodel
from gridfit.confounding import LEAST_RUNS
from gridfit.estimate import MOST_LOG, Estimate, pct
from gridfit.mixedmodel import Contrast

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a run.

    Parameters
    ----------
    key : str
        Name with its unit.
    value, error : str
        Columns of the run table.
    ratio : bool
        Whether the column is a natural logarithm, so that differences are told in per cent.
    scale : float
        What the exponential of the column is multiplied with.
    """

    key: str
    value: str
    error: str
    ratio: bool = False
    scale: float = 1.0


FIGURES: tuple[Figure, ...] = (
    Figure("peak_slip_pct", "log_slip", "log_slip_se", ratio=True, scale=100.0),
    Figure("fall_off_pct", "fall_off_pct", "fall_off_se"),
    Figure("drift_pct_per_min", "drift_pct_per_min", "drift_se"),
)
"""Beside peak friction; differences of the first in %, of the others in their own unit."""


@dataclass(frozen=True, slots=True)
class FigureComparison:
    """One figure, compound by compound.

    Parameters
    ----------
    key : str
        Name with its unit.
    levels : dict of str to Estimate
        Of each compound with two runs or more that tell it.
    differences : dict of (str, str) to Estimate
        Second over first: in % where `ratio`, else in the figure's unit.
    p_values : dict of (str, str) to float
        Two-sided, of each pair alone [1].
    runs : dict of str to int
        Runs that tell it.
    ratio : bool
        Whether differences are in %.
    """

    key: str
    levels: dict[str, Estimate]
    differences: dict[tuple[str, str], Estimate]
    p_values: dict[tuple[str, str], float]
    runs: dict[str, int]
    ratio: bool

    def to_dict(self) -> dict[str, object]:
        """Return it as plain values for JSON."""
        return {
            "figure": self.key,
            "difference_unit": "%" if self.ratio else self.key,
            "levels": {name: level.to_dict() for name, level in self.levels.items()},
            "runs": self.runs,
            "differences": [
                {"a": a, "b": b, **difference.to_dict(), "p_value": self.p_values[a, b]}
                for (a, b), difference in self.differences.items()
            ],
        }


def compare_figures(table: pd.DataFrame, names: Sequence[str]) -> tuple[FigureComparison, ...]:
    """Compare the compounds in each figure that the table has.

    Parameters
    ----------
    table : DataFrame
        One row per run: ``compound`` and the columns of `FIGURES`; NaN where a run does not tell.
    names : sequence of str
        Compounds in the order of the answer.

    Returns
    -------
    tuple of FigureComparison
        Without the figures that fewer than two compounds tell in two runs each.
    """
    found = (_compared(table, names, figure) for figure in FIGURES if figure.value in table)
    return tuple(one for one in found if one is not None)


def _compared(table: pd.DataFrame, names: Sequence[str], figure: Figure) -> FigureComparison | None:
    known = table[np.isfinite(table[figure.value].to_numpy(dtype=np.float64))]
    counts = {name: int((known["compound"] == name).sum()) for name in names}
    kept = [name for name in names if counts[name] >= LEAST_RUNS]
    known = known[known["compound"].isin(kept)]
    value = known[figure.value].to_numpy(dtype=np.float64)
    if len(kept) < 2 or np.ptp(value) == 0.0:
        return None
    error = known[figure.error].to_numpy(dtype=np.float64)
    design = np.array([[name == one for name in kept] for one in known["compound"]], dtype=np.float64)
    fit = mixedmodel.fit(value, design, np.zeros(value.size, dtype=np.int64), np.diag(error**2))
    unit = np.eye(len(kept))
    pairs = {
        (kept[i], kept[j]): fit.contrast(unit[j] - unit[i]) for i, j in combinations(range(len(kept)), 2)
    }
    return FigureComparison(
        figure.key,
        {name: _level(fit.contrast(unit[k]), figure) for k, name in enumerate(kept)},
        {pair: _difference(contrast, figure) for pair, contrast in pairs.items()},
        {pair: contrast.p_value for pair, contrast in pairs.items()},
        counts,
        figure.ratio,
    )


def _level(contrast: Contrast, figure: Figure) -> Estimate:
    ends = (contrast.estimate, *contrast.interval())
    if not figure.ratio:
        return Estimate(*ends)
    return Estimate(*(figure.scale * exp(min(end, MOST_LOG)) for end in ends))


def _difference(contrast: Contrast, figure: Figure) -> Estimate:
    ends = (contrast.estimate, *contrast.interval())
    return Estimate(*(pct(end) for end in ends)) if figure.ratio else Estimate(*ends)


def by_key(figures: Sequence[FigureComparison]) -> Mapping[str, FigureComparison]:
    """Return the figures by their names."""
    return {one.key: one for one in figures}
