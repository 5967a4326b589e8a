"""The robust line against closed forms and by simulation."""

import numpy as np
import pytest

from gridfit.signals.regression import Prior, robust


def make(rng, slope, per_group=60, groups=2, shared=0.0):
    group = np.repeat(np.arange(groups), per_group)
    cluster = np.arange(group.size) // 6
    x = rng.uniform(-1.0, 1.0, group.size)
    noise = 0.1 * rng.standard_normal(group.size) + shared * rng.standard_normal(cluster.max() + 1)[cluster]
    return group, cluster, x, 1.0 + 0.5 * group + slope * x + noise


def test_levels_and_slope_come_back():
    rng = np.random.default_rng(1)
    group, cluster, x, y = make(rng, 0.7)
    y[::20] += 5.0
    line = robust(y, group, cluster, {"x": x}, {"x": Prior(0.0, 10.0)})
    # Standard error of a mean of 60 with sd 0.1 is 0.013; one in twenty points is wild.
    assert line.level == pytest.approx([1.0, 1.5], abs=0.05)
    assert line.coefficient[0] == pytest.approx(0.7, abs=0.06)


def test_a_sure_prior_holds_the_slope():
    group, cluster, x, y = make(np.random.default_rng(2), 0.7)
    line = robust(y, group, cluster, {"x": x}, {"x": Prior(0.2, 1e-6)})
    assert line.coefficient[0] == pytest.approx(0.2, abs=1e-4)


def test_errors_that_clusters_share_widen_the_interval_as_theory_says():
    # Clusters of 6 with variance s^2 each: variance of the mean of 10 clusters is s^2/10 (plus 0.01/60).
    errors, spread = [], []
    for seed in range(60):
        group, cluster, x, y = make(np.random.default_rng(seed), 0.0, groups=1, shared=0.3)
        line = robust(y, group, cluster, {"x": x}, {"x": Prior(0.0, 0.01)})
        errors.append(line.level_sd[0])
        spread.append(line.level[0] - 1.0)
    theory = np.sqrt(0.09 / 10.0 + 0.01 / 60.0)
    assert np.median(errors) == pytest.approx(theory, rel=0.2)
    assert np.std(spread) == pytest.approx(theory, rel=0.25)


def test_a_group_without_points_is_unknown():
    group, cluster, x, y = make(np.random.default_rng(3), 0.0)
    keep = group == 1
    line = robust(y[keep], group[keep], cluster[keep], {"x": x[keep]}, {"x": Prior(0.0, 1.0)})
    assert np.isinf(line.level_sd[0])
    assert np.isfinite(line.level_sd[1])
