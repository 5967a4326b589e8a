"""Compounds against each other, from one row per run.

The run is the unit of replication: log peak friction = compound + track-temperature slope + run effect, each
run's estimate with its own error. Differences come with a small-sample interval, a p value that holds the
family-wise level over all pairs, a permutation p value beside it, and what it would take to see less.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit import mixedmodel, samplesize
from gridfit.comparison import Comparison, Effects, Pair
from gridfit.confounding import LEAST_RUNS, check_pair
from gridfit.errors import DataError, InputError
from gridfit.estimate import MOST_LOG, Estimate, pct
from gridfit.imbalance import beyond
from gridfit.mixedmodel import Contrast
from gridfit.permutation import holm, permutation_p_value
from gridfit.runfigures import compare_figures

Floats = NDArray[np.float64]

TEMPERATURE_SLOPE_SD = 0.003
"""Prior standard deviation of the slope of log peak friction against track temperature [1/C].

UN R117 corrects its reference tyre by 0.002 per C (from memory), so twice that is not surprising.
"""
STEPS_PCT = (2.0, 3.0, 5.0)
"""Differences [%] for which the runs needed are told beside the one observed."""
_COLUMNS = ("run", "compound", "log_mu", "se")


@dataclass(frozen=True, slots=True)
class _Model:
    """The fit, and what the pairs ask of it."""

    names: tuple[str, ...]
    fit: mixedmodel.MixedFit
    temperature: Floats  # [R] less its mean, C; zeros when it is not used
    one_run_variance: float
    slope: Estimate | None
    slope_mean: float
    block_effect: Floats  # [R]

    def unit(self, index: int) -> Floats:
        """Return the weights of one side among the effects."""
        weights: Floats = np.eye(self.fit.beta.size)[index]
        return weights


def compare(
    table: pd.DataFrame,
    rng: np.random.Generator,
    *,
    noun: str = "compound",
    temperature_sd: float = TEMPERATURE_SLOPE_SD,
) -> Comparison:
    """Compare every pair of compounds, or of other sides that runs can be on.

    Parameters
    ----------
    table : DataFrame
        One row per run. ``run``, ``compound`` (text), ``log_mu`` (log peak friction [1]), ``se`` (its
        standard error, NaN when unknown); where known ``track_temp_c``, ``day``, ``track``, ``mean_gear``, the
        columns of `gridfit.runfigures.FIGURES`, and ``speed_kmh``, ``grids``, ``driver``, ``started``, ``radius_m``
        as `gridfit.imbalance` reads them, and ``block``: runs are compared within their block alone.
    rng : numpy.random.Generator
        For permutations that are too many to count.
    noun : str
        What the sides are called.
    temperature_sd : float
        Prior standard deviation of the slope against track temperature [1/C]; 0 leaves temperature out.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        When the table lacks a column or an error is not positive.
    DataError
        When there is no pair of compounds with two runs each, or the runs do not differ at all.
    """
    runs, left_out = _checked(table)
    names = tuple(dict.fromkeys(runs["compound"]))
    pairs = list(combinations(range(len(names)), 2))
    _refuse(runs, names, noun)
    model = _fitted(runs, names, temperature_sd)
    contrasts = [model.fit.contrast(model.unit(j) - model.unit(i)) for i, j in pairs]
    held = holm([contrast.p_value for contrast in contrasts])
    decided = [
        _pair(runs, model, ij, contrast, float(p), rng, noun)
        for ij, contrast, p in zip(pairs, contrasts, held, strict=True)
    ]
    return Comparison(
        tuple(decided),
        {name: _level(model.fit.contrast(model.unit(i))) for i, name in enumerate(names)},
        100.0 * math.sqrt(float(model.fit.theta[0])),
        model.slope,
        left_out,
        Effects(
            names,
            model.fit.beta,
            model.fit.covariance + model.fit.inflation,
            min(one.df for one in contrasts),
        ),
        compare_figures(runs, names),
        beyond(runs, "speed_kmh", names),
    )


def _checked(table: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    missing = [name for name in _COLUMNS if name not in table]
    if missing:
        raise InputError.of(
            where="run table",
            what="columns",
            value=", ".join(map(str, table.columns)) or "none",
            allowed=f"must hold {', '.join(_COLUMNS)}",
            remedy=f"Add {', '.join(missing)}.",
        )
    errors = table["se"].to_numpy(dtype=np.float64)
    if np.any(errors < 0.0):
        worst = table.loc[errors < 0.0, ["run", "se"]].iloc[0]
        raise InputError.of(
            where=f"run table, {worst['run']}",
            what="se",
            value=worst["se"],
            allowed="must be 0 or more (standard error of log_mu, 1), or NaN when unknown",
            remedy="Pass the standard deviation of the fitted log peak friction.",
        )
    seen = np.isfinite(table["log_mu"].to_numpy(dtype=np.float64))
    return table[seen].reset_index(drop=True), tuple(str(run) for run in table.loc[~seen, "run"])


def _refuse(runs: pd.DataFrame, names: Sequence[str], noun: str) -> None:
    what = "peak friction" if noun == "compound" else "figure"
    counts = {name: int((runs["compound"] == name).sum()) for name in names}
    if sum(count >= LEAST_RUNS for count in counts.values()) < 2:
        raise DataError.of(
            where=f"{noun}s",
            what="runs of each",
            value=", ".join(f"{name} {count}" for name, count in counts.items()) or "none",
            allowed=f"two {noun}s must have {LEAST_RUNS} runs or more whose {what} is known; the "
            "run is the unit that counts, and one run does not show how much runs differ",
            remedy=f"Log more runs of each {noun}, in mixed order on one day, with slip past the peak.",
        )
    if np.ptp(runs["log_mu"].to_numpy(dtype=np.float64)) == 0.0:
        raise DataError.of(
            where=f"{noun}s",
            what="log peak friction",
            value=float(runs["log_mu"].iloc[0]),
            allowed="must differ between runs, if only by noise",
            remedy="These are not measurements of separate runs: look where the numbers come from.",
        )


def _fitted(runs: pd.DataFrame, names: tuple[str, ...], temperature_sd: float) -> _Model:
    y = runs["log_mu"].to_numpy(dtype=np.float64)
    sides = np.array(
        [[name == compound for name in names] for compound in runs["compound"]], dtype=np.float64
    )
    blocks = _blocks(runs)
    design = np.concatenate([sides, blocks], axis=1)
    error = runs["se"].to_numpy(dtype=np.float64)
    # A run that does not know its error is taken to be as good as the middle one.
    middle = float(np.median(error[np.isfinite(error)])) if np.isfinite(error).any() else 0.0
    error = np.where(np.isfinite(error), error, middle)
    temperature = _centred_temperature(runs) * (temperature_sd > 0.0)
    slope_covariance = temperature_sd**2 * np.outer(temperature, temperature)
    known = np.diag(error**2) + slope_covariance
    fit = mixedmodel.fit(y, design, np.zeros(y.size, dtype=np.int64), known)
    slope, mean = None, 0.0
    if np.any(temperature != 0.0):
        inverse = np.linalg.inv(known + fit.theta[0] * np.eye(y.size))
        projection = inverse - inverse @ design @ fit.covariance @ design.T @ inverse
        mean = float(temperature_sd**2 * temperature @ projection @ y)
        left = 1.0 - temperature_sd**2 * float(temperature @ projection @ temperature)
        slope = Estimate.from_mean_sd(100.0 * mean, 100.0 * temperature_sd * math.sqrt(max(0.0, left)))
    one_run = float(fit.theta[0]) + float(np.mean(error**2))
    return _Model(names, fit, temperature, one_run, slope, mean, blocks @ fit.beta[len(names) :])


def _blocks(runs: pd.DataFrame) -> Floats:
    """Return columns that tell blocks apart, each less its mean: float64[R, B - 1]; none without blocks."""
    if "block" not in runs:
        return np.zeros((len(runs), 0))
    names = list(dict.fromkeys(runs["block"]))[1:]
    columns = np.array([[one == name for name in names] for one in runs["block"]], dtype=np.float64)
    columns = columns.reshape(len(runs), len(names))
    return np.asarray(columns - columns.mean(axis=0), dtype=np.float64)


def _centred_temperature(runs: pd.DataFrame) -> Floats:
    """Return track temperature less its mean, float64[R] [C]; zeros when any run lacks it."""
    if "track_temp_c" not in runs:
        return np.zeros(len(runs))
    temperature = np.array(runs["track_temp_c"], dtype=np.float64)
    return temperature - temperature.mean() if np.isfinite(temperature).all() else np.zeros(len(runs))


def _pair(
    runs: pd.DataFrame,
    model: _Model,
    ij: tuple[int, int],
    contrast: Contrast,
    p_value: float,
    rng: np.random.Generator,
    noun: str,
) -> Pair:
    a, b = (model.names[k] for k in ij)
    level = samplesize.LEVEL / math.comb(len(model.names), 2)
    sd = math.sqrt(model.one_run_variance)
    findings = tuple(finding.about(noun) for finding in check_pair(runs, a, b))
    adjusted = runs["log_mu"].to_numpy(dtype=np.float64) - model.slope_mean * model.temperature
    adjusted = adjusted - model.block_effect
    sides = [adjusted[(runs["compound"] == name).to_numpy()] for name in (a, b)]
    enough = min(side.size for side in sides) >= LEAST_RUNS
    more: Literal["a", "b"] = "b" if contrast.estimate > 0.0 else "a"
    return Pair(
        a=a,
        b=b,
        difference=contrast,
        p_value=p_value,
        p_value_alone=contrast.p_value,
        p_value_permutation=permutation_p_value(sides[0], sides[1], rng),
        verdict=more if enough and p_value < samplesize.LEVEL else "undecided",
        minimum_detectable_pct=pct(samplesize.minimum_detectable(contrast.se, contrast.df, level)),
        runs=(sides[0].size, sides[1].size),
        runs_needed=samplesize.runs_needed(contrast.estimate, sd, level),
        runs_needed_for_pct={
            step: samplesize.runs_needed(math.log1p(step / 100.0), sd, level) for step in STEPS_PCT
        },
        findings=findings,
    )


def _level(contrast: Contrast) -> Estimate:
    low, high = contrast.interval()
    return Estimate(math.exp(contrast.estimate), math.exp(low), math.exp(min(high, MOST_LOG)))
