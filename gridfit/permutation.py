"""Two samples compared by re-labelling, and several tests held to one family-wise level."""

import math
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

EXACT_LIMIT = 20_000
"""Splits up to which every one is counted."""
DRAWS = 20_000
"""Random splits beyond that."""
TIE_ALLOWANCE = 1e-12
"""Differences closer than this (over the largest value, where that exceeds 1) count as ties."""


def permutation_p_value(a: ArrayLike, b: ArrayLike, rng: np.random.Generator) -> float:
    """Return the two-sided p value [1] of the difference of means under re-labelling.

    Parameters
    ----------
    a, b : float64[...]
        Two samples in one unit, at least one value each.
    rng : numpy.random.Generator
        Used only when there are more than `EXACT_LIMIT` splits.

    Returns
    -------
    float
        Share of splits at least as far apart as the one seen; beyond `EXACT_LIMIT` splits that of
        `DRAWS` random ones, the one seen counted among them.

    Source: Fisher, The Design of Experiments, 1935 (from memory).
    """
    first, second = np.asarray(a, np.float64), np.asarray(b, np.float64)
    values = np.concatenate([first, second])
    values = values - values.mean()
    exact = math.comb(values.size, first.size) <= EXACT_LIMIT
    chosen = _every_split(values.size, first.size) if exact else _random_splits(values.size, first.size, rng)
    # With the values centred, the difference of means is the sum over a times one constant.
    sums = np.abs(values[chosen].sum(axis=1))
    seen = abs(float(values[: first.size].sum()))
    as_far = int(np.count_nonzero(sums >= seen - TIE_ALLOWANCE * max(1.0, float(np.abs(values).max()))))
    return as_far / len(chosen) if exact else (as_far + 1) / (len(chosen) + 1)


@lru_cache(maxsize=32)
def _every_split(size: int, part: int) -> NDArray[np.int64]:
    return np.array(list(combinations(range(size), part)), dtype=np.int64)


def _random_splits(size: int, part: int, rng: np.random.Generator) -> NDArray[np.int64]:
    return np.argsort(rng.random((DRAWS, size)), axis=1)[:, :part].astype(np.int64)


def holm(p_values: ArrayLike) -> NDArray[np.float64]:
    """Return p values [1] that hold the family-wise level, in the order given.

    Parameters
    ----------
    p_values : float64[m]
        Of m tests.

    Source: Holm, Scandinavian Journal of Statistics 6, 1979 (from memory).
    """
    p = np.asarray(p_values, np.float64)
    order = np.argsort(p, kind="stable")
    steps = np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(1.0, steps)
    return adjusted
