"""What a comparison of compounds answers: one verdict per pair, with the numbers behind it."""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gridfit.estimate import Estimate, pct
from gridfit.mixedmodel import Contrast
from gridfit.pairfinding import PairFinding
from gridfit.runfigures import FigureComparison

FORMAT = "gridfit-compare/1"


@dataclass(frozen=True, slots=True)
class Pair:
    """Two compounds compared.

    Attributes
    ----------
    a, b : str
        The compounds; differences are b over a.
    difference : Contrast
        Of log peak friction, at one track temperature.
    p_value, p_value_alone, p_value_permutation : float
        Two-sided [1]: of the model, held to the family-wise level over all pairs; of this pair alone; by
        re-labelling its runs, which with few runs cannot get small.
    verdict : {"a", "b", "undecided"}
        The compound with more grip, at 5 % over all pairs.
    minimum_detectable_pct : float
        True difference [%] that such runs would decide with a chance of 80 %.
    runs : tuple of int
        Runs of a and of b.
    runs_needed : int
        Runs of each compound that decide the difference seen, with a chance of 80 %.
    runs_needed_for_pct : dict of float to int
        The same for round differences [%].
    findings : tuple of PairFinding
    """

    a: str
    b: str
    difference: Contrast
    p_value: float
    p_value_alone: float
    p_value_permutation: float
    verdict: Literal["a", "b", "undecided"]
    minimum_detectable_pct: float
    runs: tuple[int, int]
    runs_needed: int
    runs_needed_for_pct: dict[float, int]
    findings: tuple[PairFinding, ...]

    @property
    def runs_still_needed_for_pct(self) -> dict[float, tuple[int, int]]:
        """Runs of a and of b beyond those at hand for round differences [%]."""
        return {
            step: (max(0, count - self.runs[0]), max(0, count - self.runs[1]))
            for step, count in self.runs_needed_for_pct.items()
        }

    @property
    def peak_mu_diff_pct(self) -> Estimate:
        """Peak friction of b over that of a [%]."""
        low, high = self.difference.interval()
        return Estimate(pct(self.difference.estimate), pct(low), pct(high))

    def to_dict(self) -> dict[str, object]:
        """Return the pair as plain values for JSON."""
        return {
            "a": self.a,
            "b": self.b,
            "peak_mu_diff_pct": self.peak_mu_diff_pct.to_dict(),
            "p_value": self.p_value,
            "verdict": self.verdict,
            "minimum_detectable_pct": self.minimum_detectable_pct,
            "runs": list(self.runs),
            "runs_needed": self.runs_needed,
            "runs_needed_for_pct": {f"{step:g}": count for step, count in self.runs_needed_for_pct.items()},
            "runs_still_needed_for_pct": {
                f"{step:g}": list(counts) for step, counts in self.runs_still_needed_for_pct.items()
            },
            "p_value_alone": self.p_value_alone,
            "p_value_permutation": self.p_value_permutation,
            "degrees_of_freedom": self.difference.df,
            "findings": [finding.to_dict() for finding in self.findings],
        }

    def __str__(self) -> str:
        said = {"a": self.a, "b": self.b, "undecided": "undecided"}[self.verdict]
        runs, least = f"{self.runs[0]} and {self.runs[1]} runs", f"{self.minimum_detectable_pct:.1f} %"
        lines = [
            f"{self.b} over {self.a}: {self.peak_mu_diff_pct} % peak friction, p {self.p_value:.3g}, {said}.",
            f"  {runs} decide a difference of {least} four times in five.",
        ]
        lines += [f"  {finding.meaning} {finding.remedy}" for finding in self.findings if not finding.passed]
        return "\n".join(lines)


@dataclass(frozen=True, slots=True)
class Effects:
    """Log peak friction of the compounds as the model has it, for what is worked out from it.

    Attributes
    ----------
    names : tuple of str
    log_mu : float64[K]
        At the mean track temperature [1].
    covariance : float64[K, K]
        Small-sample corrected; what all runs share is not in it.
    df : float
        Least degrees of freedom of a difference.
    """

    names: tuple[str, ...]
    log_mu: NDArray[np.float64]
    covariance: NDArray[np.float64]
    df: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """All compounds of a set of runs against each other.

    Attributes
    ----------
    pairs : tuple of Pair
        In the order in which the compounds appear.
    peak_mu : dict of str to Estimate
        Peak friction [1] of each compound at the mean track temperature.
    run_sd_pct : float
        Run-to-run standard deviation of peak friction beyond the runs' own errors [%].
    temperature_slope_pct_per_c : Estimate or None
        Change of peak friction with track temperature [% per C]; None when it was not asked.
    left_out : tuple of str
        Runs whose peak friction was not identified.
    effects : Effects
    figures : tuple of FigureComparison
        Slip at the peak, fall-off, drift within the run; those that the runs tell.
    beyond_in_speed : tuple of str
        Compounds that slid at speeds at which another never did: speed is confounded on them.
    """

    pairs: tuple[Pair, ...]
    peak_mu: dict[str, Estimate]
    run_sd_pct: float
    temperature_slope_pct_per_c: Estimate | None
    left_out: tuple[str, ...]
    effects: Effects
    figures: tuple[FigureComparison, ...] = field(default=())
    beyond_in_speed: tuple[str, ...] = field(default=())

    def to_dict(self) -> dict[str, object]:
        """Return compare.json as plain values."""
        slope = self.temperature_slope_pct_per_c
        return {
            "format": FORMAT,
            "pairs": [pair.to_dict() for pair in self.pairs],
            "compounds": [{"compound": name, "peak_mu": e.to_dict()} for name, e in self.peak_mu.items()],
            "run_sd_pct": self.run_sd_pct,
            "temperature_slope_pct_per_c": None if slope is None else slope.to_dict(),
            "runs_left_out": list(self.left_out),
            "figures": [figure.to_dict() for figure in self.figures],
            "speed_confounded_on": list(self.beyond_in_speed),
        }

    def __str__(self) -> str:
        return "\n".join(str(pair) for pair in self.pairs)
