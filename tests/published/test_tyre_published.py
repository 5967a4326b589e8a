"""Tyre curves against published coefficient sets; sources and status letters stand in data/*.toml."""

import math

import numpy as np
import pytest

from gridfit import tyre

TABLES = {
    "surface": ("burckhardt.toml", "surface"),
    "rounded": ("burckhardt.toml", "rounded"),
    "typical": ("magic_formula.toml", "typical"),
    "handbook": ("magic_formula.toml", "handbook"),
    "load": ("magic_formula.toml", "load"),
}


def test_burckhardt_peak_in_both_slip_frames(surface, agrees):
    peak = tyre.burckhardt_peak(*surface["c"])
    agrees(peak.peak_mu, surface["peak_mu"])
    agrees(peak.peak_slip, surface["peak_s"])
    agrees(tyre.slip_on_vehicle_speed(peak.peak_slip), surface["peak_kappa"])


def test_burckhardt_slope_and_locked_wheel(surface, agrees):
    c1, c2, c3 = surface["c"]
    tiny = 1e-9
    agrees(tyre.burckhardt(tiny, c1, c2, c3) / tiny, surface["slope"])
    agrees(tyre.burckhardt(1.0, c1, c2, c3), surface["mu_locked"])


def test_burckhardt_grip_kept_off_the_optimum(surface, agrees):
    best = tyre.burckhardt_peak(*surface["c"])
    kappa = tyre.slip_on_vehicle_speed(best.peak_slip)
    for factor, kept in zip([0.25, 0.5, 0.75, 1.25, 1.5, 2, 3], surface.get("kept", []), strict=False):
        s = tyre.slip_on_wheel_speed(factor * kappa)
        agrees(tyre.burckhardt(s, *surface["c"]) / best.peak_mu, kept)


def test_burckhardt_98_per_cent_band(surface, agrees):
    best = tyre.burckhardt_peak(*surface["c"])
    for edge in surface.get("band_98_kappa_pct", []):
        s = tyre.slip_on_wheel_speed(float(edge) / 100)
        # The printed edge is rounded to 0.01 point of slip, where friction moves by less than 5e-4 of itself.
        assert tyre.burckhardt(s, *surface["c"]) / best.peak_mu == pytest.approx(0.98, abs=5e-4)


def test_burckhardt_other_printings(rounded, agrees):
    peak = tyre.burckhardt_peak(*rounded["c"])
    agrees(peak.peak_mu, rounded["peak_mu"])
    agrees(peak.peak_slip, rounded["peak_s"])


def test_burckhardt_ice_has_no_peak(agrees):
    """Same table (S): c3 = 0, so friction rises to c1; 99 % of it at s = 0.0150304 (A)."""
    peak = tyre.burckhardt_peak(0.05, 306.39, 0.0)
    assert np.isnan(peak.peak_slip)
    agrees(peak.peak_mu, 0.05)
    assert tyre.burckhardt(0.0150304, 0.05, 306.39, 0.0) == pytest.approx(0.99 * 0.05, rel=1e-5)


def test_magic_formula_points_peak_and_slope(typical, agrees):
    b, c, d, e = typical["bcde"]
    for kappa, printed in zip(typical["kappa"], typical["mu"], strict=True):
        agrees(tyre.magic_formula(kappa, b, c, d, e), printed)
    peak = tyre.magic_peak(b, c, d, e)
    agrees(peak.peak_mu, typical["peak_mu"])
    agrees(peak.peak_slip, typical["peak_kappa"])
    agrees(tyre.slip_stiffness(b, c, d), typical["slope"])
    agrees(tyre.magic_formula(1e12, b, c, d, e), typical["limit"])


def test_magic_formula_from_peak_gives_the_sets_back(typical):
    b, c, d, e = typical["bcde"]
    found = tyre.magic_formula_from_peak(d, float(typical["peak_kappa"]), c, e)
    # The printed peak slip has six decimals, so B is known to half a unit of them, relatively.
    assert found.b == pytest.approx(b, rel=0.5e-6 / float(typical["peak_kappa"]))


def test_condition_for_a_peak_at_e_one():
    """C = pi/(2 atan(pi/2)) = 1.56472 divides curves with and without a peak (A, printed to 6 figures)."""
    assert np.isnan(tyre.magic_peak(10, 1.56471, 1, 1).peak_slip)
    assert np.isfinite(tyre.magic_peak(10, 1.56473, 1, 1).peak_slip)
    assert np.isnan(tyre.magic_peak(10, 1.0, 1, 0.5).peak_slip)


def test_handbook_set(handbook, agrees):
    c, d, e = handbook["p_cx1"], handbook["p_dx1"], handbook["p_ex1"]
    b = handbook["p_kx1"] / (c * d)
    agrees(b, handbook["b"])
    peak = tyre.magic_peak(b, c, d, e)
    agrees(peak.peak_mu, handbook["peak_mu"])
    agrees(peak.peak_slip, handbook["peak_shifted"])
    agrees(peak.peak_slip - handbook["p_hx1"], handbook["peak_kappa"])
    agrees(peak.peak_slip + handbook["p_hx1"], handbook["braking_peak_kappa"])
    agrees(tyre.magic_formula(handbook["p_hx1"], b, c, d, e), handbook["mu_at_zero"])
    for kappa, printed in zip(handbook["kappa"], handbook["mu"], strict=True):
        agrees(tyre.magic_formula(kappa, b, c, d, e), printed)


def test_load_polynomials_of_1987(load, agrees):
    fz, c = load["load_kn"], 1.65
    d = -21.3 * fz**2 + 1144 * fz
    bcd = (49.6 * fz**2 + 226 * fz) * math.exp(-0.069 * fz)
    e = -0.006 * fz**2 + 0.056 * fz + 0.486
    agrees(d, load["d_n"])
    agrees(bcd, load["bcd"])
    agrees(e, load["e"])
    agrees(bcd / (c * d), load["b"])
    agrees(tyre.magic_peak(bcd / (c * d), c, d, e).peak_slip, load["peak_pct"])
    for slip_pct, printed in zip([5, 10, 20, 100], load["force_n"], strict=True):
        agrees(tyre.magic_formula(slip_pct, bcd / (c * d), c, d, e), printed)


@pytest.mark.parametrize(
    ("kappa_pct", "s_pct"),
    [
        (5, "4.761905"),
        (10, "9.090909"),
        (15, "13.043478"),
        (20, "16.666667"),
        (30, "23.076923"),
        (100, "50.0"),
    ],
)
def test_slip_frames(kappa_pct, s_pct, agrees):
    """s = kappa/(1 + kappa); definitions ISO 8855:2011 and SAE J670 (M), arithmetic (A)."""
    agrees(100 * tyre.slip_on_wheel_speed(kappa_pct / 100), s_pct)
    agrees(100 * tyre.slip_on_vehicle_speed(tyre.slip_on_wheel_speed(kappa_pct / 100)), float(kappa_pct))


@pytest.mark.parametrize(
    ("use", "left"), [(0.3, "0.95394"), (0.5, "0.86603"), (0.7, "0.71414"), (0.8, 0.6), (0.9, "0.43589")]
)
def test_friction_ellipse(use, left, agrees):
    """sqrt(1 - u^2) (A)."""
    agrees(tyre.longitudinal_share(use), left)


def test_relaxation(agrees):
    """63.2 % after one relaxation length; 0.2 m is 40, 20, 10, 5 ms at 5, 10, 20, 40 m/s (A)."""
    agrees(100 * tyre.relaxed_slip(0.0, 1.0, 0.2, 0.2), "63.2")
    for speed, time_s in [(5, 0.040), (10, 0.020), (20, 0.010), (40, 0.005)]:
        agrees(tyre.relaxation_time_s(0.2, speed), time_s)
