"""Driveline arithmetic: identities that hold for any car, and the functions that read a car sheet."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gridfit import driveline
from gridfit.carsheet import read_carsheet
from gridfit.errors import InputError
from gridfit.units import GRAVITY_MPS2

SHEET = """
[car]
name = "test car"
drive = "{drive}"
mass_kg = 1400
wheelbase_m = 2.5
track_m = 1.5
front_weight_pct = 45
cg_height_m = 0.5

[engine]
rpm = [1000, 3000, 5000, 7000]
torque_nm = [200, 300, 320, 260]
cylinders = 6
idle_rpm = 900
limit_rpm = 7200
cut = "ignition"

[gearbox]
ratios = [3.2, 2.1, 1.5]
final_drive = 3.5

[tyre]
size = "245/40R18"
compound = "soft"

[sensors]
teeth_driven = 48
teeth_undriven = 48
log_hz = 100

[controller]
loop_hz = 100
min_speed_kmh = 20
throttle_gate_pct = 20
"""


@pytest.fixture
def sheet(tmp_path):
    def make(drive):
        path = tmp_path / f"{drive}.toml"
        path.write_text(SHEET.format(drive=drive), encoding="utf-8")
        return read_carsheet(path)

    return make


@given(
    mu=st.floats(0.1, 1.8), share=st.floats(0.3, 0.7), height=st.floats(0.0, 0.8), length=st.floats(2.0, 3.2)
)
@settings(max_examples=200, deadline=None)
def test_acceleration_is_grip_times_the_share_under_way(mu, share, height, length):
    """Driven share under way = w +- (a/g)(h/L), a/g = mu times it (Gillespie 1992, ch. 2, from memory)."""
    for drive, sign in (("rwd", 1), ("fwd", -1)):
        limit = float(driveline.traction_limit_g(mu, share, height, length, drive))
        under_way = share + sign * limit * height / length
        assert under_way <= 1 + 1e-12
        if under_way < 1 - 1e-9:
            assert limit == pytest.approx(mu * under_way, rel=1e-9)
        else:
            assert limit <= mu * (1 + 1e-12)  # the front axle is in the air: all the weight is driven


def test_a_car_whose_front_lifts_is_limited_by_that():
    assert driveline.traction_limit_g(3.0, 0.6, 0.9, 2.0, "rwd") == pytest.approx(0.4 / 0.45)
    assert driveline.traction_limit_g([0.5, 3.0], 0.6, 0.9, 2.0, "rwd").shape == (2,)


def test_rpm_and_speed_undo_each_other():
    rpm = np.linspace(900, 7000, 20)
    speed = driveline.speed_mps_at_rpm(rpm, 9.1, 0.31)
    assert driveline.rpm_at_speed_mps(speed, 9.1, 0.31) == pytest.approx(rpm)
    assert driveline.speed_mps_at_rpm(60, 1.0, 1.0) == pytest.approx(2 * np.pi)  # one turn a second


def test_power_is_kept_from_crank_to_tread():
    torque, rpm, ratio, radius = 300.0, 5000.0, 8.4, 0.31
    force = driveline.wheel_force_n(torque, ratio, 1.0, radius)
    speed = driveline.speed_mps_at_rpm(rpm, ratio, radius)
    assert force * speed == pytest.approx(torque * rpm * 2 * np.pi / 60)


def test_equivalent_inertia_stores_the_same_energy():
    mass = driveline.equivalent_inertia_kg(2.4, 0.2, 9.0, 0.3)
    wheel = 7.0  # rad/s
    energy = 0.5 * 2.4 * wheel**2 + 0.5 * 0.2 * (9.0 * wheel) ** 2
    assert 0.5 * mass * (wheel * 0.3) ** 2 == pytest.approx(energy)


def test_overall_ratio_of_the_sheet(sheet):
    car = sheet("rwd")
    assert driveline.overall_ratio(car, [1, 3, 2]) == pytest.approx([11.2, 5.25, 7.35])
    for gear in (0, 4, [1, -1]):
        with pytest.raises(InputError, match="must lie in 1 to 3") as caught:
            driveline.overall_ratio(car, gear)
        assert "rwd.toml" in str(caught.value)


@pytest.mark.parametrize(("drive", "share", "sign"), [("rwd", 0.55, 1), ("fwd", 0.45, -1)])
def test_axle_load_of_the_sheet(sheet, drive, share, sign):
    """m a h/L: 1400 kg, 5 m/s2, 0.5 over 2.5 m transfer 1400 N (Gillespie 1992, ch. 1, from memory)."""
    car = sheet(drive)
    assert driveline.driven_share(car) == pytest.approx(share)
    static = share * 1400 * GRAVITY_MPS2
    assert driveline.axle_load_n(car) == pytest.approx(static)
    assert driveline.axle_load_n(car, 5.0) == pytest.approx(static + sign * 1400)
    load = driveline.axle_load_n(car, np.array([-100.0, 0.0, 100.0]))
    assert load.min() == 0
    assert load.max() == pytest.approx(1400 * GRAVITY_MPS2)


@pytest.mark.parametrize("drive", ["rwd", "fwd"])
def test_load_and_traction_limit_tell_the_same_story(sheet, drive):
    car = sheet(drive)
    limit = float(driveline.traction_limit_g(1.1, driveline.driven_share(car), 0.5, 2.5, drive))
    force = 1.1 * float(driveline.axle_load_n(car, limit * GRAVITY_MPS2))
    assert force / (1400 * GRAVITY_MPS2) == pytest.approx(limit)


def test_full_throttle_torque_is_held_at_both_ends(sheet):
    found = driveline.full_throttle_torque_nm(sheet("rwd"), [500, 1000, 2000, 6000, 9000])
    assert found == pytest.approx([200, 200, 250, 290, 260])
