"""How much the logs said of each parameter: effective number of episodes, and the one table of all parameters.

The precision with which a parameter is known, the others free to move with it, is a sum over episodes and the
prior: along the direction d in which the fit gives way when that parameter is pushed, each adds d' H d of its own
curvature H. The effective number of episodes is that of as many equal ones, (sum I)^2 / sum I^2.

Source: Kish, Survey Sampling, Wiley 1965, section 11.7 (effective sample size under weights; from memory).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.plant.fit import FitResult
from gridfit.plant.identification import Identification
from gridfit.plant.leastsquares import MISMATCH
from gridfit.plant.predictions import weights
from gridfit.plant.prior import prior_table
from gridfit.plant.projection import Projection
from gridfit.plant.residuals import CONSIDERED, Problem
from gridfit.plant.windows import Windows
from gridfit.simulate.parameters import NAMES, PARAMETERS, Floats, from_free

CALIBRATED = "measured in these logs by the calibration of the wheel speeds, ahead of the fit"
"""Source of a parameter that calibration measured."""


@dataclass(frozen=True, slots=True)
class Information:
    """Where the fit's knowledge of its parameters comes from.

    Parameters
    ----------
    fitted : int64[F]
        Positions in the fit's vector.
    clusters : float64[Q, F]
        What each episode, or each window without one, adds to the precision of each parameter.
    prior : float64[F]
        What the prior adds.
    in_slip : bool[Q]
        Whether the cluster is an episode.
    """

    fitted: NDArray[np.int64]
    clusters: Floats
    prior: Floats
    in_slip: NDArray[np.bool_]

    @property
    def effective(self) -> Floats:
        """Effective number of episodes and quiet windows: float64[F]."""
        squares = (self.clusters**2).sum(axis=0)
        number: Floats = self.clusters.sum(axis=0) ** 2 / np.maximum(squares, 1e-300)
        return number

    @property
    def from_logs(self) -> Floats:
        """Share of the precision that the logs gave: float64[F] [1]."""
        logs = self.clusters.sum(axis=0)
        share: Floats = logs / (logs + self.prior)
        return share

    @property
    def from_slip(self) -> Floats:
        """Share of the logs' part that episodes gave: float64[F] [1]."""
        share: Floats = self.clusters[self.in_slip].sum(axis=0) / np.maximum(
            self.clusters.sum(axis=0), 1e-300
        )
        return share


def clusters_of(windows: Windows) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Cluster of each window, its episode or itself, and whether each cluster is an episode: int64[W], bool[Q]."""
    alone = windows.episode.max() + 1 + np.arange(len(windows))
    names = np.where(windows.episode >= 0, windows.episode, alone)
    unique, numbers = np.unique(names, return_inverse=True)
    return numbers.astype(np.int64), unique <= windows.episode.max()


def information(problem: Problem, result: FitResult) -> Information:
    """Split the precision of the fitted parameters over episodes and prior.

    Parameters
    ----------
    problem : Problem
        On the windows of the fit; `begin` has been called.
    result : FitResult

    Returns
    -------
    Information
    """
    fitted = problem.free
    _, sd = problem.start_prior(result.on_patch)
    _, to_start = problem.start_sensitivity(result.x, result.start)
    projection = Projection(to_start, sd, problem.linear(), problem.linear_sd(), weights(problem, result))
    along = problem.directions(fitted)
    _, slope = problem.sensitivity(result.x, result.start, along)
    left = projection.apply(projection.stack_slope(slope)) / MISMATCH
    curvature = along.gather(left)[np.ix_(fitted, fitted)]
    inverse = np.linalg.inv(curvature + np.diag(result.width[fitted] ** -2))
    ways = inverse / np.diag(inverse)
    # what each window's directions do along each fitted entry's own way
    whole = np.zeros((result.x.size, fitted.size))
    whole[fitted] = ways
    own = whole[along.entry] * along.known[:, :, None]
    per_window = ((left @ own) ** 2).sum(axis=1)
    numbers, in_slip = clusters_of(result.windows)
    clusters = np.zeros((in_slip.size, fitted.size))
    np.add.at(clusters, numbers, per_window)
    prior = (ways**2 / result.width[fitted, None] ** 2).sum(axis=0)
    return Information(fitted, clusters, prior, in_slip)


def parameter_table(
    sheet: CarSheet, identification: Identification, fixed: dict[str, tuple[float, float]], told: Information
) -> pd.DataFrame:
    """Every parameter of the plant: what was known before, what after, and what the logs did for it.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    identification : Identification
    fixed : dict of str to (float, float)
        Parameters that calibration measured, as `gridfit.plant.identification.measured_elsewhere` returns them.
    told : Information

    Returns
    -------
    DataFrame
        One row per parameter: parameter, unit, meaning, prior (its median), prior_sd, prior_sd_unit ("of the
        value" where the fit works on the logarithm), source, posterior, lo, hi (mean and central 90 % interval),
        effective_episodes, from_logs_pct, from_episodes_pct (NaN where the fit holds the parameter), moved
        ("yes", "no", "held": left at its prior by design).
    """
    result, place = identification.result, {int(at): i for i, at in enumerate(told.fitted)}
    centre = from_free(result.centre[None, : len(NAMES)])[0]
    rows = []
    for i, (parameter, prior, moved) in enumerate(
        zip(PARAMETERS, prior_table(sheet), identification.moved, strict=True)
    ):
        if _gear(parameter.name) > len(sheet.gearbox.ratios):
            continue
        at = place.get(i)
        held = parameter.name in CONSIDERED or at is None
        rows.append(
            {
                "parameter": parameter.name,
                "unit": parameter.unit,
                "meaning": parameter.meaning,
                "prior": float(centre[i]),
                "prior_sd": float(result.width[i]),
                "prior_sd_unit": "of the value" if parameter.log else parameter.unit,
                "source": CALIBRATED if parameter.name in fixed else prior.source,
                "posterior": moved.posterior.mean,
                "lo": moved.posterior.lo,
                "hi": moved.posterior.hi,
                "effective_episodes": np.nan if held else float(told.effective[at]),
                "from_logs_pct": np.nan if held else 100.0 * float(told.from_logs[at]),
                "from_episodes_pct": np.nan if held else 100.0 * float(told.from_slip[at]),
                "moved": "held" if held else ("yes" if moved.informed else "no"),
            }
        )
    return pd.DataFrame(rows)


def _gear(name: str) -> int:
    """Gear that a parameter belongs to, 0 for one of the car."""
    tail = name.rpartition("_")[2]
    return int(tail) if name.startswith("inertia_factor_") else 0
