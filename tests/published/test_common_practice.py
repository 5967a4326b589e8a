"""What the trade does without data (P: common practice, no published source), and arithmetic that follows."""

import numpy as np
import pytest

from gridfit import driveline, grids
from gridfit.carsheet import read_carsheet

SHEET = """
[car]
name = "test car"
drive = "rwd"
mass_kg = 1400
wheelbase_m = 2.5
track_m = 1.5
front_weight_pct = 50

[engine]
rpm = [1000, 4000, 7000]
torque_nm = [200, 300, 260]
cylinders = 4
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
speed_breakpoints = [50, 100, 150, 250]
"""


@pytest.fixture
def start(tmp_path):
    path = tmp_path / "car.toml"
    path.write_text(SHEET, encoding="utf-8")
    return grids.common_practice(read_carsheet(path))


def test_fifteen_kmh_of_slip_falls_as_one_over_speed(start, agrees):
    """P: 15 km/h is 30, 15, 10, 6 % at 50, 100, 150, 250 km/h."""
    for speed_kmh, slip_pct in [(50, 30.0), (100, 15.0), (150, 10.0), (250, 6.0)]:
        agrees(start.target.at(speed_kmh), slip_pct)
    # P: the same 10 % is 5 km/h at 50 and 25 km/h at 250, so a target of one slip speed must fall with speed.
    assert start.target.at([50, 250]) / 10 * np.array([5, 25]) == pytest.approx([15, 15])


def test_cut_starts_at_25_per_cent_everywhere(start):
    """P: 25 % in every cell; none while slip is below its target."""
    assert np.all(start.cut.cut_pct == 25.0)
    assert start.cut.at([0.5, 10.0, 80.0], 1) == pytest.approx([25, 25, 25])
    assert start.cut.at([-5.0, -0.5], 1) == pytest.approx([0, 0])


def test_starting_cut_in_firing_events(start):
    """A: 4 cylinders at 6000/min fire 200 times a second; 25 % of them is 50 dropped a second."""
    events_per_s = 1 / float(driveline.firing_interval_s(4, 6000))
    assert float(start.cut.at(10.0, 1)) / 100 * events_per_s == pytest.approx(50)


def test_a_pattern_over_ten_events(agrees):
    """A: ten events take 50 ms on 4 cylinders at 6000/min and 25 ms on 8: no mean cut over less."""
    agrees(10_000 * driveline.firing_interval_s(4, 6000), 50.0)
    agrees(10_000 * driveline.firing_interval_s(8, 6000), 25.0)


def test_lower_gears_need_more_cut(tmp_path):
    """P: the gearbox multiplies torque, so the force to take away grows with the ratio."""
    path = tmp_path / "car.toml"
    path.write_text(SHEET, encoding="utf-8")
    sheet = read_carsheet(path)
    ratio = driveline.overall_ratio(sheet, [1, 2, 3])
    force = driveline.wheel_force_n(300.0, ratio, sheet.gearbox.efficiency, 0.317)
    grip = 1.0 * float(driveline.axle_load_n(sheet, 5.0))
    needed = 1 - grip / force
    assert np.all(np.diff(needed) < 0)
