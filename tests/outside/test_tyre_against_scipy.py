"""Closed forms of the tyre curves against scipy's general-purpose maximiser, root finder and integrator."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq, minimize_scalar

from gridfit import tyre

SETS = [
    (10, 1.9, 1.0, 0.97),
    (12, 2.3, 0.82, 1.0),
    (5, 2.0, 0.3, 1.0),
    (4, 2.0, 0.1, 1.0),
    (11.577, 1.6411, 1.1739, 0.46403),
]
BURCKHARDT = [
    (1.2801, 23.99, 0.52),
    (0.857, 33.822, 0.347),
    (1.3713, 6.4565, 0.6691),
    (0.1946, 94.129, 0.0646),
]


def _maximum(curve, guess):
    found = minimize_scalar(
        lambda x: -float(curve(x)), bounds=(0, 4 * guess), method="bounded", options={"xatol": 1e-10}
    )
    return found.x, -found.fun


@pytest.mark.parametrize("bcde", SETS)
def test_magic_formula_peak(bcde):
    peak = tyre.magic_peak(*bcde)
    slip, mu = _maximum(lambda kappa: tyre.magic_formula(kappa, *bcde), float(peak.peak_slip))
    # A maximum is flat: its place is found to about the square root of the precision of the value.
    assert slip == pytest.approx(float(peak.peak_slip), rel=1e-5)
    assert mu == pytest.approx(float(peak.peak_mu), rel=1e-12)


@pytest.mark.parametrize("coefficients", BURCKHARDT)
def test_burckhardt_peak(coefficients):
    peak = tyre.burckhardt_peak(*coefficients)
    slip, mu = _maximum(lambda s: tyre.burckhardt(s, *coefficients), float(peak.peak_slip))
    assert slip == pytest.approx(float(peak.peak_slip), rel=1e-5)
    assert mu == pytest.approx(float(peak.peak_mu), rel=1e-12)


@pytest.mark.parametrize("c", [1.05, 1.3, 1.65, 2.2])
@pytest.mark.parametrize("e", [-3.0, -0.5, 0.0, 0.5, 0.99])
def test_stiffness_factor_from_the_peak(c, e):
    target = np.tan(np.pi / (2 * c))
    x = brentq(lambda x: x - e * (x - np.arctan(x)) - target, 0.0, 1e5, xtol=1e-13, rtol=1e-14)
    assert tyre.magic_formula_from_peak(1.0, 0.1, c, e).b == pytest.approx(x / 0.1, rel=1e-10)


def test_relaxation_is_the_first_order_lag_over_distance():
    answer = solve_ivp(
        lambda _, slip: (0.1 - slip) / 0.25, (0, 1.0), [0.02], rtol=1e-10, atol=1e-12, dense_output=True
    )
    way = np.linspace(0, 1, 11)
    assert tyre.relaxed_slip(0.02, 0.1, way, 0.25) == pytest.approx(answer.sol(way)[0], rel=1e-7)
