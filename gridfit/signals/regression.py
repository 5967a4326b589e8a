"""A robust line with a level per group, priors on its slopes, and errors that clusters of points share."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from gridfit.signals import filters
from gridfit.signals.filters import Bools, Floats, Ints

HUBER_EPSILON = 1.345
"""Where the loss turns linear, in standard deviations; 95 % efficient (Huber, Robust Statistics, 1981)."""

SMALLEST_SD = 1e-5
"""Smallest error of a level, in the unit of the data."""


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of a slope before the data: mean and standard deviation, in its unit."""

    mean: float
    sd: float


@dataclass(frozen=True, slots=True)
class Line:
    """A fitted line.

    Parameters
    ----------
    level, level_sd : float64[R]
        Level of each group at zero of all columns, and its own error; error infinite for an empty group.
    common_sd : float
        Error of all levels together that comes from the slopes.
    coefficient, coefficient_sd : float64[C]
        Slopes in the order of the columns, and their errors.
    """

    level: Floats
    level_sd: Floats
    common_sd: float
    coefficient: Floats
    coefficient_sd: Floats


def robust(
    values: Floats, group: Ints, cluster: Ints, columns: Mapping[str, Floats], priors: Mapping[str, Prior]
) -> Line:
    """Fit a line by iterated weights (Huber's loss).

    Parameters
    ----------
    values : float64[B]
        What is to be explained.
    group : int64[B]
        Which level each point belongs to, from 0.
    cluster : int64[B]
        Points of one cluster share their errors; as far as they do they count as one.
    columns : mapping of str to float64[B]
        What explains it.
    priors : mapping of str to Prior
        One per column.

    Returns
    -------
    Line
    """
    groups = int(group.max()) + 1
    dummies = (group[:, None] == np.arange(groups)).astype(np.float64)
    slopes = np.column_stack([columns[name] for name in columns])
    design = np.hstack([dummies, slopes])
    prior_mean = np.concatenate([np.zeros(groups), [priors[name].mean for name in columns]])
    precision = np.concatenate([np.full(groups, 1e-4), [priors[name].sd ** -2.0 for name in columns]])
    # Unknown columns differ by orders of magnitude; scaling keeps the normal equations well conditioned.
    unit = 1.0 / np.sqrt(precision)
    unit[:groups] = 1.0
    scaled = design * unit
    penalty = precision * unit**2
    rest = values - design @ prior_mean
    weight, scale, effect = np.ones(values.size), float(np.std(values)) + 1e-6, 1.0
    answer = np.zeros(design.shape[1])
    normal = np.eye(design.shape[1])
    away = rest
    for _ in range(30):
        share = weight / (scale**2 * effect)
        normal = (scaled * share[:, None]).T @ scaled + np.diag(penalty)
        answer = np.linalg.solve(normal, (scaled * share[:, None]).T @ rest)
        away = rest - scaled @ answer
        scale = filters.MAD_TO_SD * float(np.median(np.abs(away - np.median(away)))) + 1e-6
        weight = np.minimum(1.0, HUBER_EPSILON * scale / np.maximum(np.abs(away), 1e-12))
        effect = _design_effect(weight * away, cluster)
    covariance = np.linalg.inv(normal)
    inner = covariance[groups:, groups:]
    counts = np.array([(weight * (group == g)).sum() for g in range(groups)])
    own = [_own_error(weight, away, cluster, group == g) for g in range(groups)]
    mean = np.average(scaled[:, groups:], axis=0, weights=weight)
    common = float(np.sqrt(max(0.0, mean @ inner @ mean)))
    level = np.where(counts > 0.0, answer[:groups] + prior_mean[:groups], 0.0)
    found = (answer * unit + prior_mean)[groups:]
    return Line(level, np.array(own), common, found, np.sqrt(np.diag(inner)) * unit[groups:])


def _design_effect(pull: Floats, cluster: Ints) -> float:
    """Return by how much clusters raise the variance of a mean over that of independent points, at least 1."""
    sums = np.bincount(np.unique(cluster, return_inverse=True)[1], weights=pull)
    return max(1.0, float(np.sum(sums**2) / max(float(np.sum(pull**2)), 1e-30)))


def _own_error(weight: Floats, away: Floats, cluster: Ints, member: Bools) -> float:
    """Return the error of a group's level from the means of its clusters; infinite without points."""
    if not member.any():
        return float("inf")
    labels = np.unique(cluster[member], return_inverse=True)[1]
    sums = np.bincount(labels, weights=(weight * away)[member])
    total = float(weight[member].sum())
    groups = sums.size
    if groups < 2:
        return max(float(np.std(away[member])), 0.002)
    return max(float(np.sqrt(np.sum(sums**2) * groups / (groups - 1)) / total), SMALLEST_SD)
