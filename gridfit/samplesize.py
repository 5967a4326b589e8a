"""How small a difference a comparison can find, and how many runs it takes."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

LEVEL = 0.05
"""Two-sided level of a verdict [1]."""
POWER = 0.80
"""Chance of a verdict that a detectable difference must have [1]."""
MOST_RUNS = 9999
"""Counts end here: that many runs or more."""

_GAUSS = np.polynomial.legendre.leggauss(400)
_NODES = (_GAUSS[0] + 1.0) / 2.0
_WEIGHTS = _GAUSS[1] / 2.0


@lru_cache(maxsize=512)
def _error_ratio(df: float) -> NDArray[np.float64]:
    """Return the estimated over the true standard error at the nodes of the quadrature."""
    return np.asarray(np.sqrt(special.chdtri(df, 1.0 - _NODES) / df), dtype=np.float64)


def power(ratio: float, df: float, level: float = LEVEL) -> float:
    """Return the chance [1] that a two-sided t test finds a difference.

    Parameters
    ----------
    ratio : float
        True difference over its standard error [1].
    df : float
        Degrees of freedom [1].
    level : float
        Two-sided level [1].

    Source: noncentral t distribution, as a normal one given the estimated standard error; the library's own
    function returns NaN for few degrees of freedom.
    """
    edge = -special.stdtrit(df, level / 2.0)
    threshold = edge * _error_ratio(df)
    return float(_WEIGHTS @ (special.ndtr(ratio - threshold) + special.ndtr(-threshold - ratio)))


def minimum_detectable(se: float, df: float, level: float = LEVEL) -> float:
    """Return the difference that is found with a chance of `POWER`, in the unit of `se`.

    Parameters
    ----------
    se : float
        Standard error of the difference.
    df : float
        Degrees of freedom [1], at least 1.
    level : float
        Two-sided level [1].
    """
    edge = -float(special.stdtrit(df, level / 2.0))
    found = optimize.brentq(lambda ratio: power(ratio, df, level) - POWER, 0.0, 4.0 * edge + 4.0, xtol=1e-10)
    return float(found) * se


def runs_needed(difference: float, sd: float, level: float = LEVEL) -> int:
    """Return the runs of each of two compounds that find a difference with a chance of `POWER`.

    Parameters
    ----------
    difference : float
        True difference of the means; its sign does not matter.
    sd : float
        Standard deviation of one run, in the same unit.
    level : float
        Two-sided level [1].

    Returns
    -------
    int
        At least 2; `MOST_RUNS` stands for that many or more.
    """
    size = abs(difference) / sd if sd > 0.0 else np.inf
    if size * np.sqrt(MOST_RUNS / 2.0) < 3.0:
        return MOST_RUNS
    low, high = 1, MOST_RUNS
    while high - low > 1:  # power grows with the number of runs: bisect
        middle = (low + high) // 2
        enough = power(min(size, 1e3) * np.sqrt(middle / 2.0), 2.0 * (middle - 1), level) >= POWER
        low, high = (low, middle) if enough else (middle, high)
    return high
