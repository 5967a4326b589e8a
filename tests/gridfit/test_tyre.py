"""Identities of the tyre curves, over the whole range of shapes that a fit may visit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridfit import tyre

shapes = st.floats(1.05, 2.2)
curvatures = st.floats(-3.0, 0.99)
peaks = st.floats(0.1, 2.0)
slips = st.floats(0.02, 0.6)


@given(mu=peaks, slip=slips, c=shapes, e=curvatures)
@settings(max_examples=150, deadline=None)
def test_from_peak_puts_the_peak_where_asked(mu, slip, c, e):
    formula = tyre.magic_formula_from_peak(mu, slip, c, e)
    assert tyre.magic_formula(slip, *formula) == pytest.approx(mu, rel=1e-12)
    found = tyre.magic_peak(*formula)
    assert (found.peak_mu, found.peak_slip) == (pytest.approx(mu, rel=1e-12), pytest.approx(slip, rel=1e-12))
    curve = tyre.magic_formula(np.linspace(0.0, 20 * slip, 4001), *formula)
    assert curve.max() <= mu * (1 + 1e-12)


@given(mu=peaks, slip=slips, c=shapes, e=curvatures)
@settings(max_examples=150, deadline=None)
def test_rises_before_the_peak_and_falls_after_it(mu, slip, c, e):
    formula = tyre.magic_formula_from_peak(mu, slip, c, e)
    assert np.all(np.diff(tyre.magic_formula(np.linspace(0.0, slip, 200), *formula)) > -1e-12)
    assert np.all(np.diff(tyre.magic_formula(np.linspace(slip, 4 * slip, 200), *formula)) < 1e-12)


@given(c=shapes, e=curvatures)
@settings(max_examples=150, deadline=None)
def test_slope_at_zero_is_the_stiffness(c, e):
    formula = tyre.magic_formula_from_peak(1.1, 0.12, c, e)
    tiny = 1e-7
    slope = (tyre.magic_formula(tiny, *formula) - tyre.magic_formula(-tiny, *formula)) / (2 * tiny)
    assert slope == pytest.approx(float(tyre.slip_stiffness(*formula[:3])), rel=1e-6)


def test_the_curve_is_odd():
    kappa = np.linspace(0, 2, 50)
    assert tyre.magic_formula(-kappa, 10, 1.6, 1.1, 0.3) == pytest.approx(
        -tyre.magic_formula(kappa, 10, 1.6, 1.1, 0.3)
    )
    assert tyre.burckhardt(-kappa, 1.28, 24, 0.52) == pytest.approx(-tyre.burckhardt(kappa, 1.28, 24, 0.52))


def test_from_peak_works_on_arrays_at_the_edges_of_the_range():
    c, e = np.meshgrid(np.linspace(1.05, 2.2, 47), np.append(np.linspace(-3.0, 0.99, 40), 1 - 1e-9))
    formula = tyre.magic_formula_from_peak(np.full_like(c, 1.2), 0.11, c, e)
    assert all(part.shape == c.shape for part in formula)
    assert np.all(np.isfinite(formula.b))
    phase = formula.b * 0.11
    assert (1 - e) * phase + e * np.arctan(phase) == pytest.approx(np.tan(np.pi / (2 * c)), rel=1e-9)


def test_shapes_without_a_peak_answer_nan_and_what_they_tend_to():
    found = tyre.magic_peak(10.0, np.array([1.0, 0.8, 1.3, 1.3]), 1.0, np.array([0.0, 0.0, 1.0, 1.2]))
    assert np.isnan(found.peak_slip).all()
    expected = [1.0, np.sin(0.4 * np.pi), np.sin(1.3 * np.arctan(np.pi / 2))]
    assert found.peak_mu[:3] == pytest.approx(expected)
    assert np.isnan(found.peak_mu[3])


def test_slip_frames_undo_each_other():
    kappa = np.linspace(-0.5, 5.0, 40)
    assert tyre.slip_on_vehicle_speed(tyre.slip_on_wheel_speed(kappa)) == pytest.approx(kappa)


LONGITUDINAL = tyre.magic_formula_from_peak(1.2, 0.12, 1.65, 0.4)
LATERAL = tyre.magic_formula_from_peak(1.05, np.tan(0.14), 1.4, -0.5)


@given(kappa=st.floats(-2.0, 2.0), alpha=st.floats(-0.8, 0.8))
@settings(max_examples=300, deadline=None)
def test_combined_slip_stays_inside_the_friction_ellipse(kappa, alpha):
    mu_x, mu_y = tyre.combined_friction(kappa, alpha, LONGITUDINAL, LATERAL)
    assert np.hypot(mu_x / 1.2, mu_y / 1.05) <= 1 + 1e-12
    assert mu_x * kappa >= 0
    assert mu_y * alpha >= 0


def test_combined_slip_is_pure_slip_on_the_axes_and_zero_at_rest():
    kappa = np.linspace(-1, 1, 41)
    mu_x, mu_y = tyre.combined_friction(kappa, 0.0, LONGITUDINAL, LATERAL)
    assert mu_x == pytest.approx(tyre.magic_formula(kappa, *LONGITUDINAL))
    assert mu_y == pytest.approx(0)
    mu_x, mu_y = tyre.combined_friction(0.0, 0.1, LONGITUDINAL, LATERAL)
    assert (mu_x, mu_y) == (0, pytest.approx(float(tyre.magic_formula(np.tan(0.1), *LATERAL))))


@given(kappa=st.floats(0.005, 0.12), alpha=st.floats(0.01, 0.3))
@settings(max_examples=100, deadline=None)
def test_cornering_costs_drive_below_the_peak(kappa, alpha):
    straight, _ = tyre.combined_friction(kappa, 0.0, LONGITUDINAL, LATERAL)
    turning, _ = tyre.combined_friction(kappa, alpha, LONGITUDINAL, LATERAL)
    assert turning < straight


def test_the_ellipse_leaves_nothing_when_the_bend_asks_for_more_than_all():
    assert tyre.longitudinal_share([0.0, 1.0, 1.4]) == pytest.approx([1.0, 0.0, 0.0])


def test_relaxation_goes_from_start_to_end():
    felt = tyre.relaxed_slip(0.3, 0.1, np.array([0.0, 0.4, 100.0]), 0.4)
    assert felt == pytest.approx([0.3, 0.1 + 0.2 * np.exp(-1), 0.1])
