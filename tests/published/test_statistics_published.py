"""The statistics of compound comparison against worked examples; sources stand in data/statistics.toml."""

import numpy as np
import pytest

from gridfit import mixedmodel, permutation, samplesize

TABLES = {
    "permuted": ("statistics.toml", "permutation"),
    "t_test": ("statistics.toml", "t_test"),
    "one_way": ("statistics.toml", "one_way"),
    "needed": ("statistics.toml", "runs_needed"),
    "least": ("statistics.toml", "least_significant"),
}


def _two_samples(a, b, own_spread):
    y = np.array([*a, *b], dtype=float)
    side = np.repeat([0, 1], [len(a), len(b)])
    groups = side if own_spread else np.zeros(y.size, dtype=int)
    return mixedmodel.fit(y, np.eye(2)[side], groups, np.zeros((y.size, y.size)))


def test_exact_permutation(permuted, agrees):
    found = permutation.permutation_p_value(permuted["a"], permuted["b"], np.random.default_rng(0))
    agrees(found, permuted["as_far"] / permuted["splits"])


@pytest.mark.parametrize(
    ("size", "smallest"), [(3, 0.1), (4, "0.0285714"), (5, "0.0079365"), (6, "0.0021645")]
)
def test_smallest_p_value_of_equal_sides(size, smallest, agrees):
    """2/C(2G, G) (A): what no permutation test of so few runs can go below."""
    values = np.arange(2.0 * size)
    agrees(permutation.permutation_p_value(values[:size], values[size:], np.random.default_rng(0)), smallest)


def test_t_tests_are_special_cases(t_test, agrees):
    contrast = _two_samples(t_test["a"], t_test["b"], t_test["own_spread"]).contrast([-1.0, 1.0])
    agrees(contrast.estimate / contrast.se, t_test["t"])
    agrees(contrast.df, t_test["df"])
    agrees(contrast.p_value, t_test["p"])
    for found, printed in zip(contrast.interval(0.95), t_test.get("interval_95", []), strict=False):
        agrees(found, printed)


def test_one_way_layout_from_group_means(one_way, agrees):
    groups = np.array(one_way["groups"], dtype=float)
    within = groups.var(axis=1, ddof=1).mean()
    agrees(within, one_way["within"])
    count, size = groups.shape
    known = np.eye(count) * within / size
    fit = mixedmodel.fit(groups.mean(axis=1), np.ones((count, 1)), np.zeros(count, dtype=int), known)
    agrees(fit.theta[0], one_way["between"])
    contrast = fit.contrast([1.0])
    agrees(contrast.estimate, one_way["mean"])
    agrees(contrast.se, one_way["se"])
    agrees(contrast.df, float(count - 1))


def test_runs_needed(needed):
    assert samplesize.runs_needed(needed["difference"], needed["sd"]) == needed["runs"]


def test_least_significant_difference(least, agrees):
    """Half the 95 % interval of a pooled comparison whose samples have exactly that spread."""
    shape = np.array([-1.0, -1.0, -1.0, 1.0, 1.0, 1.0]) * np.sqrt(5 / 6) * least["sd"]
    low, high = _two_samples(shape, shape, own_spread=False).contrast([-1.0, 1.0]).interval(0.95)
    agrees((high - low) / 2, least["difference"])


def test_holm_example(agrees):
    """p 0.01, 0.04, 0.03, 0.005 become 0.03, 0.06, 0.06, 0.02: steps of 4, 3, 2, 1, never falling (A)."""
    for found, printed in zip(
        permutation.holm([0.01, 0.04, 0.03, 0.005]), [0.03, 0.06, 0.06, 0.02], strict=True
    ):
        agrees(found, printed)
