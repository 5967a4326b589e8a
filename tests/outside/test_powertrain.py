"""What the outside plant says of itself is what it does: cut gain, dead time, share of events, sensors, step."""

import dataclasses

import numpy as np
import pytest
from outside import layout as lay
from outside.cars import car
from outside.driving import phase, speed_at
from outside.logs import drive
from outside.truth import REFERENCE_SHARE, gear_truth

GEAR = 2
NUMBERS = (0, 2)
"""Ignition cut and rear drive; fuel cut and front drive."""


def _heavy(number):
    """A car whose engine turns as much mass as twenty: free wheels then take a second through the revs."""
    own = car(number)
    return dataclasses.replace(own, train=own.train._replace(engine_inertia=20.0 * own.train.engine_inertia))


def _pair(own, cut_pct, above_pct=0.0):
    """The same cut at every error above a threshold, in all gears; the target is nothing."""
    return {
        "target": {"speed_kmh": [0.0, 500.0], "slip_pct": [0.0, 0.0]},
        "cut": {
            "slip_error_pct": [above_pct, above_pct + 1.0], "gear": list(range(1, len(own.ratios) + 1)),
            "cut_pct": [[cut_pct, cut_pct]] * len(own.ratios),
        },
    }  # fmt: skip


def _free_wheel(own, cut_pct, above_pct=0.0, share=0.45, step_s=0.0005):
    """Full throttle on a surface without grip, so that only the engine turns the wheels: trace and cycles."""
    row = phase(lay.EVENT, GEAR, P_U0=1.0, P_U1=1.0, P_TIME=1.6, P_BASE=0.004)
    return drive(
        own, row[None, :], _pair(own, cut_pct, above_pct), 1.6, np.random.default_rng(1),
        speed_at(own, GEAR, share), limit_share=0.9, step_s=step_s,
    )  # fmt: skip


def _rate(own, trace):
    """Mean acceleration of the driven wheels from 50 to 70 % of limit_rpm [km/h per s]."""
    rpm = trace[:, lay.T_RPM] / own.train.limit_rpm
    at = np.flatnonzero((rpm > REFERENCE_SHARE - 0.1) & (rpm < REFERENCE_SHARE + 0.1))
    return 3.6 * np.polyfit(trace[at, lay.T_TIME], trace[at, lay.T_WHEEL], 1)[0]


@pytest.mark.parametrize("number", NUMBERS)
def test_cut_gain_told_is_the_plant_s(number):
    own = _heavy(number)
    free, cut = (_free_wheel(own, c, share=0.4)[0] for c in (0.0, 20.0))
    found = (_rate(own, cut) - _rate(own, free)) / 20.0
    assert found == pytest.approx(gear_truth(own, GEAR)["gain_free_wheel_kmhs_per_pct"], rel=0.03)


@pytest.mark.parametrize("number", NUMBERS)
def test_dead_time_told_is_the_plant_s(number):
    """The speed that a step of cut takes off grows along a line; where the line starts is dead time plus lag."""
    own = _heavy(number)
    told = gear_truth(own, GEAR)
    waits = []
    for share in np.linspace(0.450, 0.480, 80):
        with_cut, cycles = _free_wheel(own, 40.0, above_pct=25.0, share=share)
        without, _ = _free_wheel(own, 0.0, share=share)
        command = cycles[np.flatnonzero(cycles[:, lay.C_CUT] > 0.0)[0], lay.C_TIME]
        n = min(len(with_cut), len(without))
        time = with_cut[:n, lay.T_TIME] - command
        lost = without[:n, lay.T_WHEEL] - with_cut[:n, lay.T_WHEEL]
        late = (time > 0.20) & (time < 0.50)
        slope, height = np.polyfit(time[late], lost[late], 1)
        waits.append(-height / slope)
    assert np.mean(waits) == pytest.approx(told["dead_time_from_command_s"] + told["lag_s"], abs=0.0015)


def test_a_share_of_events_is_dropped():
    """Common practice: c % of cut drops c of 100 firing events."""
    own = _heavy(0)
    rates = np.array([_rate(own, _free_wheel(own, cut, share=0.4)[0]) for cut in (0.0, 15.0, 30.0, 60.0)])
    taken = (rates[0] - rates[1:]) / (rates[0] - rates[3])
    assert taken == pytest.approx([0.25, 0.50, 1.0], abs=0.015)


def test_teeth_tell_the_speed_but_for_their_ripple():
    own = car(0)
    row = phase(lay.CRUISE, 3, P_U0=0.08, P_TIME=4.0)
    trace, cycles = drive(own, row[None, :], _pair(own, 0.0), 4.0, np.random.default_rng(2), 18.0)
    true = np.interp(cycles[50:, lay.C_TIME], trace[:, lay.T_TIME], trace[:, lay.T_SPEED])
    error = cycles[50:, lay.C_FL] * own.body.R_w / own.train.radius_nominal / true - 1.0
    assert abs(float(error.mean())) < 0.002
    assert 0.3 * own.train.ripple < float(error.std()) < 1.5 * own.train.ripple


def test_halving_the_step_changes_little():
    own = car(1)
    row = phase(lay.EVENT, GEAR, P_SPEED=0.2, P_U0=0.06, P_U1=1.0, P_RAMP=0.08, P_TIME=1.2)
    ends = []
    for step in (0.001, 0.0005):
        trace, _ = drive(
            own,
            row[None, :],
            _pair(own, 0.0),
            1.2,
            np.random.default_rng(3),
            9.0,
            limit_share=9.0,
            step_s=step,
        )
        ends.append(trace[-1, lay.T_SPEED])
    assert ends[0] == pytest.approx(ends[1], rel=1e-3)
