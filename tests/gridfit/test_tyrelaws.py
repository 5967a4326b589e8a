"""Tyre laws in units of their peak, against the laws' own closed forms and scipy's optimiser."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from gridfit.tyre import burckhardt, burckhardt_peak
from gridfit.tyrelaws import LAWS, SLIDE_FLOOR, normalised_exponential, normalised_magic_formula


def test_the_exponential_law_is_burckhardts_dry_asphalt():
    """Burckhardt's dry asphalt, c = (1.2801, 23.99, 0.52): Kiencke and Nielsen, Automotive Control Systems, table 9.1
    (from memory). Friction in units of the peak must fall on the law of the same rate."""
    c1, c2, c3 = 1.2801, 23.99, 0.52
    peak = burckhardt_peak(c1, c2, c3)
    slip = np.linspace(0.0, 0.6, 61)
    law = normalised_exponential(slip / peak.peak_slip, c2 * float(peak.peak_slip))
    assert law == pytest.approx(burckhardt(slip, c1, c2, c3) / peak.peak_mu, abs=1e-9)


@settings(deadline=None)
@given(st.floats(1.15, 2.1), st.floats(-3.0, 0.9), st.floats(2.6, 8.5))
def test_every_law_peaks_at_one(c, e, rate):
    """The maximum by scipy's bounded minimiser is 1 at 1."""
    for curve in (lambda r: normalised_magic_formula(r, c, e), lambda r: normalised_exponential(r, rate)):
        found = minimize_scalar(
            lambda r, f=curve: -float(f(np.array([r]))[0]), bounds=(0.2, 3.0), options={"xatol": 1e-9}
        )
        assert -found.fun == pytest.approx(1.0, abs=1e-6)
        assert curve(np.array([1.0]))[0] == pytest.approx(1.0, abs=1e-9)


def test_the_exponential_law_does_not_fall_below_its_floor():
    assert normalised_exponential(np.linspace(1.0, 16.0, 200), 3.0).min() == pytest.approx(SLIDE_FLOOR)


def test_the_laws_are_told_apart_by_their_shapes():
    assert [law.shape_names for law in LAWS] == [("tyre_c", "tyre_e"), ("tyre_rate",)]
