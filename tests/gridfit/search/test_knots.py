"""The best knots for straight lines: against every choice, against SciPy's optimiser, against published theory."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from gridfit.search.knots import best_knots, held_costs, place_knots, stretch_costs


def error_of(axis, curves, weight, knots, first_fixed):
    """Weighted sum of squares of straight lines between the knots, as the controller looks them up."""
    total = 0.0
    for curve, own in zip(curves, weight, strict=True):
        total += float(np.sum(own * (np.interp(axis, axis[knots], curve[knots]) - curve) ** 2))
    return np.inf if first_fixed and knots[0] != 0 else total


def optimum(axis, curves, weight, count, first_fixed=False):
    none = np.zeros(len(curves))
    before, after = held_costs(axis, curves, weight, none)
    if first_fixed:
        before = np.where(np.arange(axis.size) == 0, 0.0, np.inf)
    return best_knots(stretch_costs(axis, curves, weight, none), before, after, count)


@pytest.mark.parametrize("first_fixed", [False, True])
@pytest.mark.parametrize("count", [2, 3, 4, 6])
@pytest.mark.parametrize("seed", range(5))
def test_no_other_choice_of_knots_is_better(seed, count, first_fixed):
    rng = np.random.default_rng(seed)
    axis = np.cumsum(rng.uniform(0.2, 2.0, 10))
    curves, weight = rng.normal(0.0, 10.0, (3, 10)), rng.uniform(0.0, 2.0, (3, 10))
    knots, error = optimum(axis, curves, weight, count, first_fixed)
    tried = (
        error_of(axis, curves, weight, list(choice), first_fixed) for choice in combinations(range(10), count)
    )
    assert error == pytest.approx(min(tried))
    assert error == pytest.approx(error_of(axis, curves, weight, list(knots), first_fixed))


def test_a_curve_of_few_lines_is_met_exactly():
    axis = np.arange(0.0, 30.5, 0.5)
    curve = np.interp(axis, [0.0, 3.5, 11.0, 30.0], [5.0, 10.0, 80.0, 95.0])[None, :]
    knots, error = optimum(axis, curve, np.ones_like(curve), 4)
    np.testing.assert_array_equal(axis[list(knots)], [0.0, 3.5, 11.0, 30.0])
    assert error == pytest.approx(0.0, abs=1e-9)


def test_between_the_optimum_of_scipy_and_that_optimum_put_on_the_candidates():
    # scipy.optimize.differential_evolution moves three inner knots freely over a curve given at 201 points
    axis = np.linspace(0.0, 1.0, 201)
    curve = np.exp(-8.0 * axis) + 0.3 * axis**3
    weight = np.ones((1, axis.size))

    def loss(inner):
        at = np.concatenate(([0.0], np.sort(inner), [1.0]))
        return float(np.sum((np.interp(axis, at, np.interp(at, axis, curve)) - curve) ** 2))

    free = optimize.differential_evolution(loss, [(0.0, 1.0)] * 3, rng=np.random.default_rng(1), tol=1e-10)
    fixed = np.isin(np.arange(axis.size), (0, axis.size - 1))
    stretch = stretch_costs(axis, curve[None, :], weight, np.zeros(1))
    ends = np.where(fixed, 0.0, np.inf)
    knots, error = best_knots(stretch, ends, ends, 5)
    on_candidates = loss(np.round(np.sort(free.x) * 200.0) / 200.0)
    assert free.fun - 1e-9 <= error <= on_candidates + 1e-12
    np.testing.assert_allclose(axis[list(knots)][1:-1], np.sort(free.x), atol=0.006)


def test_knots_crowd_where_the_curve_bends_as_theory_says():
    # Optimal knots of piecewise linear interpolation in L2 share out the integral of |f''|^(2/5): C. de Boor, A
    # Practical Guide to Splines (1978), chapter XII, for order 2 in L2 (exponent 1/(2 + 1/2)).
    axis = np.linspace(0.0, 4.0, 801)
    curve = np.exp(axis)[None, :]
    ends = np.where(np.isin(np.arange(801), (0, 800)), 0.0, np.inf)
    knots, _ = best_knots(stretch_costs(axis, curve, np.ones((1, 801)), np.zeros(1)), ends, ends, 17)
    share = np.linspace(0.0, 1.0, 17)
    theory = 2.5 * np.log(1.0 + share * (np.exp(4.0 / 2.5) - 1.0))
    np.testing.assert_allclose(axis[list(knots)], theory, atol=0.03)


def test_even_bending_gives_even_knots():
    # f = x^2: the error of a stretch depends on its length alone
    axis = np.linspace(0.0, 6.0, 61)
    curve = (axis**2)[None, :]
    ends = np.where(np.isin(np.arange(61), (0, 60)), 0.0, np.inf)
    knots, _ = best_knots(stretch_costs(axis, curve, np.ones((1, 61)), np.zeros(1)), ends, ends, 7)
    np.testing.assert_allclose(axis[list(knots)], np.arange(7.0))


def test_what_looks_straight_still_gets_knots_where_the_time_is_spent():
    axis = np.arange(0.0, 41.0)
    curve = np.full((1, 41), 12.0)
    weight = np.where(axis <= 10.0, 1.0, 0.01)[None, :]
    gaps = np.diff(place_knots(axis, curve, weight, 8, first_fixed=True))
    # the weighted square of a stretch of even bending grows as weight * gap^5: 100^(1/5) = 2.5 times the gap
    assert np.mean(gaps[-3:]) / np.mean(gaps[:3]) == pytest.approx(2.5, abs=0.7)


@settings(max_examples=60, deadline=None)
@given(st.integers(2, 25), st.integers(1, 4), st.integers(2, 30), st.booleans(), st.integers(0, 2**32 - 1))
def test_knots_are_candidates_in_order_and_no_more_than_asked_for(size, rows, count, first_fixed, seed):
    rng = np.random.default_rng(seed)
    axis = np.cumsum(rng.uniform(0.1, 3.0, size))
    curves, weight = rng.uniform(0.0, 100.0, (rows, size)), rng.exponential(1.0, (rows, size))
    knots = place_knots(axis, curves, weight, count, first_fixed=first_fixed)
    assert knots.size == min(count, size)
    assert np.all(np.diff(knots) > 0.0)
    assert np.all(np.isin(knots, axis))
    assert not first_fixed or knots[0] == axis[0]


def test_fewer_than_two_knots_are_refused():
    with pytest.raises(ValueError, match="must be 2 to 3"):
        best_knots(np.zeros((3, 3)), np.zeros(3), np.zeros(3), 1)
