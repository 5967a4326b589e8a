"""A number with its central 90 % interval, from draws or from a mean and a standard deviation."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike

from gridfit.errors import DataError

NORMAL_95 = 1.6448536269514722
"""95 % point of the standard normal distribution [1]: a central 90 % interval is mean +- this times SD."""

MOST_LOG = 20.0
"""Largest log ratio that is told [1]."""


def pct(log_ratio: float) -> float:
    """Return a log ratio as a difference [%]; those beyond e^20 are held there."""
    return 100.0 * math.expm1(min(log_ratio, MOST_LOG))


@dataclass(frozen=True, slots=True)
class Estimate:
    """A mean and the bounds of its central 90 % interval, all in the unit that the owner's name gives.

    Parameters
    ----------
    mean : float
        Best value.
    lo, hi : float
        5 % and 95 % points; ``lo <= hi``. NaN when nothing is known.
    """

    mean: float
    lo: float
    hi: float

    def __post_init__(self) -> None:
        if self.lo > self.hi:
            raise DataError.of(
                where="Estimate",
                what="interval",
                value=f"{self.lo:g} to {self.hi:g}",
                allowed="the lower bound must not exceed the upper one",
                remedy="Swap the bounds.",
            )

    @classmethod
    def exactly(cls, value: float) -> Self:
        """Return a value that is known without error."""
        return cls(float(value), float(value), float(value))

    @classmethod
    def from_draws(cls, draws: ArrayLike) -> Self:
        """Make an estimate from draws of the quantity.

        Parameters
        ----------
        draws : float64[D]
            Draws of equal weight; those that are not finite are left out.

        Returns
        -------
        Estimate
            Mean, 5 % and 95 % point; all NaN when no draw is finite.
        """
        values = np.asarray(draws, dtype=np.float64).ravel()
        values = values[np.isfinite(values)]
        if values.size == 0:
            return cls(math.nan, math.nan, math.nan)
        low, high = np.quantile(values, [0.05, 0.95])
        return cls(float(values.mean()), float(low), float(high))

    @classmethod
    def from_mean_sd(cls, mean: float, sd: float) -> Self:
        """Make an estimate from a mean and the standard deviation of a normal distribution, sd >= 0."""
        half = NORMAL_95 * abs(float(sd))
        return cls(float(mean), float(mean) - half, float(mean) + half)

    @classmethod
    def from_dict(cls, data: Mapping[str, float]) -> Self:
        """Read an estimate back from `to_dict`."""
        return cls(float(data["mean"]), float(data["lo"]), float(data["hi"]))

    @property
    def sd(self) -> float:
        """Standard deviation of the normal distribution with an interval of the same width."""
        return (self.hi - self.lo) / (2.0 * NORMAL_95)

    def scaled(self, factor: float) -> Self:
        """Return the estimate of `factor` times the quantity."""
        ends = sorted((self.lo * factor, self.hi * factor))
        return type(self)(self.mean * factor, ends[0], ends[1])

    def covers(self, value: float) -> bool:
        """Say whether the interval holds `value`."""
        return self.lo <= value <= self.hi

    def to_dict(self) -> dict[str, float]:
        """Return ``{"mean", "lo", "hi"}`` for JSON."""
        return {"mean": self.mean, "lo": self.lo, "hi": self.hi}

    def __str__(self) -> str:
        if not math.isfinite(self.mean):
            return "unknown"
        decimals = _decimals(self.hi - self.lo, self.mean)
        return f"{self.mean:.{decimals}f} ({self.lo:.{decimals}f} to {self.hi:.{decimals}f})"


def _decimals(width: float, mean: float) -> int:
    """Return how many decimals show two digits of the interval's width, or four digits of an exact value."""
    scale = width if math.isfinite(width) and width > 0 else abs(mean) / 100.0
    return 0 if scale <= 0 else int(min(8, max(0, 1 - math.floor(math.log10(scale)))))
