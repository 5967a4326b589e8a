"""What a factor is put down to, and what to enter."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridfit.estimate import Estimate
from gridfit.signals import scale
from gridfit.signals.prepare import prepare
from tests.gridfit.signals.conftest import Drive
from tests.gridfit.signals.test_calibration import wander


def test_pulses_per_km_of_a_size_code(sheet):
    # 225/45R17: 17 x 25.4 + 2 x 0.45 x 225 = 634.3 mm; 97 % of its circumference (ETRTO practice, from memory).
    turns = 1e6 / (0.97 * math.pi * 634.3)
    assert scale.pulses_per_km(sheet, "driven") == pytest.approx(48 * turns, rel=1e-9)


@pytest.mark.parametrize("true", [45, 46, 47, 49, 50, 51])
def test_a_miscounted_ring_is_named(sheet, true):
    found = scale.sources(Estimate.from_mean_sd(true / 48, 0.001), sheet)
    assert any(f"{true} teeth on the driven ring" in one.what for one in found)


def test_another_tyre_is_named(sheet):
    # 205/50R17 instead of 225/45R17: 17 x 25.4 + 2 x 102.5 = 636.8 mm against 634.3, 0.4 %: no cause needed.
    assert scale.sources(Estimate.from_mean_sd(634.3 / 636.8, 0.001), sheet) == []
    # 225/40R17: 431.8 + 180 = 611.8 mm, 3.7 % smaller.
    found = scale.sources(Estimate.from_mean_sd(634.3 / 611.8, 0.001), sheet)
    assert any("225/40R17" in one.what for one in found)


@settings(max_examples=5, deadline=None)
@given(off=st.sampled_from([-3, -2, 2, 3]), seed=st.integers(0, 1000))
def test_the_value_to_enter_makes_both_axles_read_alike(sheet, off, seed):
    rng = np.random.default_rng(seed)
    factor = 1.0 + off / 48
    signals = prepare(
        [wander(Drive(sheet, 120.0), rng).run(factor=factor, noise_kmh=0.3, rng=rng)], sheet, {}
    )[0]
    (finding,) = [one for one in signals.findings if one.check == "wheel-speed scale"]
    assert not finding.passed
    assert f"{48 + off} teeth on the driven ring, entered as 48" in finding.meaning
    assert "rather the driven axle" in finding.meaning
    entered = float(finding.remedy.split("enter ")[1].split(" ")[0])
    assert entered == pytest.approx(scale.pulses_per_km(sheet, "driven") * factor, rel=0.002)


def test_both_axles_alike_need_no_cause(drive, sheet):
    rng = np.random.default_rng(3)
    signals = prepare([wander(drive(120.0), rng).run(factor=1.004, noise_kmh=0.3, rng=rng)], sheet, {})[0]
    assert {one.check: one.passed for one in signals.findings}["wheel-speed scale"]
