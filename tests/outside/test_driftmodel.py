"""The outside plant's model is the package's own, and its true figures come from the package's own functions."""

import numpy as np
import pytest
from outside import driftmodel as dm
from outside.cars import CARS, car
from vehiclemodels.utils import tire_model
from vehiclemodels.vehicle_dynamics_std import vehicle_dynamics_std
from vehiclemodels.vehicle_parameters import setup_vehicle_parameters


def _states(body, rng, count):
    for _ in range(count):
        v = rng.uniform(3.0, 45.0)
        front, rear = v / body.R_w * rng.uniform(0.9, 1.5, 2)
        yield np.array([
            0.0, 0.0, rng.uniform(-0.3, 0.3), v, rng.uniform(-1, 1), rng.uniform(-1.0, 1.0), rng.uniform(-0.1, 0.1),
            front, rear,
        ])  # fmt: skip


@pytest.mark.parametrize("number", range(len(CARS)))
def test_compiled_model_is_the_package_s_to_the_last_bit(number):
    body, rng = car(number).body, np.random.default_rng(number)
    for state in _states(body, rng, 100):
        inputs = (rng.uniform(-0.5, 0.5), rng.uniform(-9.0, 12.0))
        ours = np.array(dm.drift_model(state.copy(), inputs, body))
        theirs = np.array(vehicle_dynamics_std(list(state), list(inputs), body))
        assert np.array_equal(ours, theirs)


def test_handbook_tyre_peaks_where_its_source_says():
    """CommonRoad: Vehicle Models (2020), Tab. 7: p_dx1 = 1.1739 is the peak; without p_vx1 it lies at 0.14911."""
    mu, slip = dm.peak(dm.vehicle(2, {}, {}).tire)
    assert mu == pytest.approx(1.1739, abs=1e-9)
    assert slip == pytest.approx(0.149111, abs=1e-6)


def test_why_the_vertical_shift_is_set_to_zero():
    """With p_vx1 the package adds a shift in newtons inside the sine, so friction would depend on load."""
    tire = setup_vehicle_parameters(2).tire
    at_rest = [tire_model.formula_longitudinal(0.0, 0.0, load, tire) for load in (2000.0, 4000.0, 6000.0)]
    assert at_rest == pytest.approx([13.48, -55.77, -207.74], abs=0.01)
    ours = dm.vehicle(2, {}, {}).tire
    shares = [tire_model.formula_longitudinal(-0.1, 0.0, load, ours) / load for load in (2000.0, 6000.0)]
    assert shares[0] == pytest.approx(shares[1], rel=1e-12)


@pytest.mark.parametrize("number", range(len(CARS)))
def test_slip_angle_gives_the_share_asked_for(number):
    tire = car(number).body.tire
    for share in (0.15, 0.45, 0.6):
        assert dm.lateral_friction(tire, dm.slip_angle(tire, share)) == pytest.approx(
            share * tire.p_dy1, rel=0.02
        )
