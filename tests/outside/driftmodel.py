"""The single-track drift model of commonroad-vehicle-models, compiled from the package's own code objects.

Nothing of the model is restated here: the functions' byte code comes from the installed package, and only the
names that it looks up are bound to compiled versions of the package's other functions. Its parameter objects
become named tuples, which compiled code can read by attribute just as Python does.

Source of the model: Althoff and Wursching, CommonRoad: Vehicle Models, 2020, single-track drift model; PyPI
package commonroad-vehicle-models 3.0.2, module vehicle_dynamics_std.
"""

import math
from collections import namedtuple
from types import FunctionType, ModuleType

import numpy as np
from numba import njit
from scipy.optimize import brentq, minimize_scalar
from vehiclemodels import vehicle_dynamics_std as std_module
from vehiclemodels.utils import (
    acceleration_constraints as acceleration_module,
)
from vehiclemodels.utils import (
    steering_constraints as steering_module,
)
from vehiclemodels.utils import (
    tire_model as tire_module,
)
from vehiclemodels.utils import (
    vehicle_dynamics_ks_cog as ks_module,
)
from vehiclemodels.vehicle_parameters import setup_vehicle_parameters

TIRE_FIELDS = (
    "p_cx1", "p_dx1", "p_dx3", "p_ex1", "p_kx1", "p_hx1", "p_vx1", "r_bx1", "r_bx2", "r_cx1", "r_ex1", "r_hx1",
    "p_cy1", "p_dy1", "p_dy3", "p_ey1", "p_ky1", "p_hy1", "p_hy3", "p_vy1", "p_vy3", "r_by1", "r_by2", "r_by3",
    "r_cy1", "r_ey1", "r_hy1", "r_vy1", "r_vy3", "r_vy4", "r_vy5", "r_vy6",
)  # fmt: skip
"""Coefficients of the package's tyre, in a fixed order."""
BODY_FIELDS = ("m", "a", "b", "h_s", "I_z", "I_y_w", "R_w", "T_sb", "T_se")
"""Figures of the body and wheels that the model reads [SI]."""

Tire = namedtuple("Tire", TIRE_FIELDS)
Steering = namedtuple("Steering", ("min", "max", "v_min", "v_max", "kappa_dot_max", "kappa_dot_dot_max"))
Longitudinal = namedtuple("Longitudinal", ("v_min", "v_max", "v_switch", "a_max"))
Vehicle = namedtuple("Vehicle", (*BODY_FIELDS, "steering", "longitudinal", "tire"))


def _bound(function, **names):
    """The package's function with other objects behind the names it looks up, compiled."""
    return njit(FunctionType(function.__code__, {"math": math, **names}, function.__name__))


_tire = ModuleType("tire_model")
_tire.formula_longitudinal = njit(tire_module.formula_longitudinal)
_tire.formula_lateral = _bound(tire_module.formula_lateral, sign=njit(tire_module.sign))
_tire.formula_longitudinal_comb = njit(tire_module.formula_longitudinal_comb)
_tire.formula_lateral_comb = njit(tire_module.formula_lateral_comb)
_steering = njit(steering_module.steering_constraints)
_acceleration = njit(acceleration_module.acceleration_constraints)
_kinematic = _bound(
    ks_module.vehicle_dynamics_ks_cog,
    steering_constraints=_steering,
    acceleration_constraints=_acceleration,
)
drift_model = _bound(
    std_module.vehicle_dynamics_std,
    steering_constraints=_steering,
    acceleration_constraints=_acceleration,
    vehicle_dynamics_ks_cog=_kinematic,
    tire_model=_tire,
)
"""rates = drift_model(state[9], (steering rate, acceleration input), Vehicle): the package's right-hand side."""

longitudinal, longitudinal_combined = _tire.formula_longitudinal, _tire.formula_longitudinal_comb
lateral, lateral_combined = _tire.formula_lateral, _tire.formula_lateral_comb


def vehicle(number, body, tire):
    """A vehicle of the package with some figures changed.

    Parameters
    ----------
    number : int
        The package's vehicle.
    body, tire : dict of str to float
        Figures to change; p_vx1 is always 0, since the package adds the vertical shift inside the sine.

    Returns
    -------
    Vehicle
        For compiled code; its acceleration input is never limited (`v_switch` and `a_max` out of reach).
    """
    p = setup_vehicle_parameters(number)
    coefficients = {name: float(getattr(p.tire, name)) for name in TIRE_FIELDS} | {"p_vx1": 0.0} | tire
    figures = {name: float(getattr(p, name)) for name in BODY_FIELDS} | body
    steering = Steering(*(float(getattr(p.steering, name)) for name in Steering._fields))
    return Vehicle(
        **figures,
        steering=steering,
        longitudinal=Longitudinal(-100.0, 200.0, 1e6, 1e3),
        tire=Tire(**coefficients),
    )


def friction(tire, kappa, alpha=0.0):
    """Longitudinal force over load at a drive slip on vehicle speed, from the package's functions [1]."""
    load = 5000.0
    pure = tire_module.formula_longitudinal(-kappa, 0.0, load, tire)
    return tire_module.formula_longitudinal_comb(-kappa, alpha, pure, tire) / load


def peak(tire, alpha=0.0):
    """Largest friction [1] and the drive slip at it [1], found numerically on the package's functions."""
    grid = np.linspace(0.005, 0.6, 600)
    best = grid[int(np.argmax([friction(tire, k, alpha) for k in grid]))]
    found = minimize_scalar(
        lambda k: -friction(tire, k, alpha),
        bounds=(best - 0.002, best + 0.002), method="bounded", options={"xatol": 1e-10},
    )  # fmt: skip
    return -float(found.fun), float(found.x)


def lateral_friction(tire, alpha, kappa=0.0):
    """Size of the lateral force over load at a slip angle [rad] and drive slip [1]."""
    load = 5000.0
    pure, mu = tire_module.formula_lateral(alpha, 0.0, load, tire)
    return abs(tire_module.formula_lateral_comb(-kappa, alpha, 0.0, mu, load, pure, tire)) / load


def slip_angle(tire, share):
    """Slip angle [rad] at which a rolling tyre uses a share of its lateral peak, on the rising side."""
    if share <= 0.0:
        return 0.0

    def missing(alpha):
        pure, mu = tire_module.formula_lateral(alpha, 0.0, 5000.0, tire)
        return abs(pure) / (mu * 5000.0) - share

    return float(brentq(missing, 0.0, 0.08 * tire.p_dy1))
