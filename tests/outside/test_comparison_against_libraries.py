"""Mixed model, permutation, family-wise p values and power against statsmodels and scipy."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestIndPower
from statsmodels.tools.sm_exceptions import ConvergenceWarning

from gridfit import mixedmodel, permutation, samplesize


def _episodes(seed, runs=12, size=6):
    """Balanced episodes in runs of two compounds: y[R, size] in %, compound[R], temperature[R]."""
    rng = np.random.default_rng(seed)
    compound = np.arange(runs) % 2
    temperature = rng.uniform(15, 40, runs)
    run = 5 * compound - 0.2 * temperature + rng.normal(0, 3, runs)
    return run[:, None] + rng.normal(0, 4, (runs, size)), compound, temperature - temperature.mean()


def _both(seed):
    """Return statsmodels' fit of the episodes and ours of the run means with their known error."""
    y, compound, temperature = _episodes(seed)
    design = np.column_stack([np.eye(2)[compound], temperature])
    runs, size = y.shape
    model = sm.MixedLM(y.ravel(), np.repeat(design, size, axis=0), np.repeat(np.arange(runs), size))
    outside = model.fit(reml=True, method="bfgs")
    within = y.var(axis=1, ddof=1).mean()
    fit = mixedmodel.fit(y.mean(axis=1), design, np.zeros(runs, dtype=int), np.eye(runs) * within / size)
    return outside, fit, within


@pytest.mark.parametrize("seed", [0, 1, 3, 4, 5])
def test_run_effect_is_that_of_a_mixed_model_on_the_episodes(seed):
    """A balanced layout: the run means with their known error carry all that the episodes say of the runs."""
    outside, fit, within = _both(seed)
    assert outside.scale == pytest.approx(within, rel=1e-3)
    assert fit.theta[0] == pytest.approx(outside.cov_re[0, 0], rel=1e-3)
    assert fit.beta == pytest.approx(outside.fe_params, rel=1e-6, abs=1e-7)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(outside.bse_fe, rel=1e-3)


def test_run_effect_of_zero_is_that_of_a_mixed_model_on_the_episodes():
    """In sample 2 run means spread less than their errors say; statsmodels warns of the boundary."""
    with pytest.warns(ConvergenceWarning, match="boundary"):
        outside, fit, within = _both(2)
    assert outside.cov_re[0, 0] < 1e-3 * within
    assert fit.theta[0] < 1e-9 * within


@pytest.mark.parametrize("seed", range(4))
def test_effects_at_given_variances_are_generalised_least_squares(seed):
    rng = np.random.default_rng(seed)
    error = rng.uniform(0.005, 0.06, 9)
    design = np.column_stack([np.eye(3)[np.arange(9) % 3], rng.normal(size=9)])
    y = design @ [0.1, 0.2, 0.15, 0.02] + rng.normal(0, np.hypot(0.03, error))
    fit = mixedmodel.fit(y, design, np.zeros(9, dtype=int), np.diag(error**2))
    outside = sm.GLS(y, design, sigma=np.diag(error**2 + fit.theta[0])).fit(scale=1.0, cov_type="fixed scale")
    assert fit.beta == pytest.approx(outside.params, rel=1e-9)
    assert fit.covariance == pytest.approx(outside.normalized_cov_params, rel=1e-8, abs=1e-15)


@pytest.mark.parametrize("seed", range(5))
def test_the_variance_maximises_the_restricted_likelihood(seed):
    """The likelihood of error contrasts, made with scipy's normal density, over a grid of variances."""
    rng = np.random.default_rng(seed)
    error = rng.uniform(0.005, 0.04, 8)
    design = np.eye(2)[np.arange(8) % 2]
    y = rng.normal(0, np.hypot(0.03, error))
    fit = mixedmodel.fit(y, design, np.zeros(8, dtype=int), np.diag(error**2))
    contrasts = np.linalg.svd(design)[0][:, 2:]

    def restricted(theta):
        covariance = contrasts.T @ np.diag(error**2 + theta) @ contrasts
        return stats.multivariate_normal(np.zeros(6), covariance).logpdf(contrasts.T @ y)

    grid = np.concatenate([[0.0], np.geomspace(1e-7, 1e-1, 400)])
    best = max(restricted(theta) for theta in grid)
    assert restricted(fit.theta[0]) >= best - 1e-9
    # The criterion leaves out constants, so only its differences must agree.
    assert fit.criterion == pytest.approx(
        -2 * restricted(fit.theta[0]) - 6 * np.log(2 * np.pi) + np.linalg.slogdet(design.T @ design)[1],
        abs=1e-8,
    )


@pytest.mark.parametrize("seed", range(4))
def test_welch_and_student(seed):
    rng = np.random.default_rng(seed)
    a, b = rng.normal(0, 1, 3 + seed), rng.normal(0.5, 2, 5)
    side = np.repeat([0, 1], [a.size, b.size])
    y, none = np.concatenate([a, b]), np.zeros((side.size, side.size))
    for equal, groups in ((True, np.zeros_like(side)), (False, side)):
        found = mixedmodel.fit(y, np.eye(2)[side], groups, none).contrast([1, -1])
        outside = stats.ttest_ind(a, b, equal_var=equal)
        assert found.p_value == pytest.approx(outside.pvalue, rel=1e-6)
        assert found.df == pytest.approx(outside.df, rel=1e-6)


def test_exact_permutation_against_scipy():
    rng = np.random.default_rng(3)
    for sizes in ((3, 3), (4, 6), (5, 5)):
        a, b = (rng.normal(size=size) for size in sizes)
        outside = stats.permutation_test(
            (a, b), lambda x, y, axis: np.abs(x.mean(axis=axis) - y.mean(axis=axis)), alternative="greater"
        )
        assert permutation.permutation_p_value(a, b, rng) == pytest.approx(outside.pvalue, rel=1e-12)


def test_random_splits_come_near_the_t_test():
    rng = np.random.default_rng(4)
    a, b = rng.normal(0.0, 1, 20), rng.normal(0.7, 1, 20)
    found = permutation.permutation_p_value(a, b, rng)
    spread = 4 * np.sqrt(found * (1 - found) / permutation.DRAWS)
    assert found == pytest.approx(stats.ttest_ind(a, b).pvalue, abs=spread + 0.005)


def test_holm():
    p = np.random.default_rng(5).uniform(0, 0.2, 12)
    assert permutation.holm(p) == pytest.approx(multipletests(p, method="holm")[1])


@pytest.mark.parametrize("df", [4, 10, 30])
@pytest.mark.parametrize("ratio", [0.5, 2.0, 3.5])
def test_power(df, ratio):
    edge = stats.t.isf(0.025, df)
    outside = stats.nct.sf(edge, df, ratio) + stats.nct.cdf(-edge, df, ratio)
    assert samplesize.power(ratio, df) == pytest.approx(outside, abs=1e-6)


@pytest.mark.parametrize("size", [0.4, 0.9, 1.5])
def test_runs_needed(size):
    outside = TTestIndPower().solve_power(size, power=0.8, alpha=0.05)
    assert samplesize.runs_needed(size, 1.0) == int(np.ceil(outside))
