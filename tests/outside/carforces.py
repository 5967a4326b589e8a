"""Forces and rates of an outside car: the package's drift model, half shafts, engine torque, steady driving."""

import math

import numpy as np
from numba import njit
from outside.driftmodel import Tire, Vehicle, drift_model
from outside.layout import GRAVITY, I_ENGINE, I_INTAKE, I_LOAD, I_SHAFT, I_TWIST


@njit
def with_grip(p, grip):
    """The vehicle on a surface whose peak friction is scaled; stiffness is the rubber's and stays."""
    t = p.tire
    tire = Tire(
        t.p_cx1, t.p_dx1 * grip, t.p_dx3, t.p_ex1, t.p_kx1, t.p_hx1, t.p_vx1, t.r_bx1, t.r_bx2, t.r_cx1, t.r_ex1,
        t.r_hx1, t.p_cy1, t.p_dy1 * grip, t.p_dy3, t.p_ey1, t.p_ky1, t.p_hy1, t.p_hy3, t.p_vy1, t.p_vy3, t.r_by1,
        t.r_by2, t.r_by3, t.r_cy1, t.r_ey1, t.r_hy1, t.r_vy1, t.r_vy3, t.r_vy4, t.r_vy5, t.r_vy6,
    )  # fmt: skip
    return Vehicle(
        p.m, p.a, p.b, p.h_s, p.I_z, p.I_y_w, p.R_w, p.T_sb, p.T_se, p.steering, p.longitudinal, tire
    )


@njit
def rates(x, p, c, corner, dip, pull, inner, brake, out):
    """Rates of all states, and the driven axle's tyre force [N] and load [N].

    The package takes load transfer from its acceleration input, and drives or brakes the wheels by it. It is given
    the car's own lagged acceleration (less what a kerb takes off the driven axle); the wheels' torque that it adds
    is taken back, and half shaft and brakes act in its place.
    """
    wheel = 7 if c.front_driven else 8
    base = p.a + p.b
    sign = -1.0 if c.front_driven else 1.0
    static = p.m * GRAVITY * (p.b if c.front_driven else p.a) / base
    load = (static + sign * p.m * x[I_LOAD] * p.h_s / base) * dip
    u1 = sign * (load - static) * base / (p.m * p.h_s)
    y = x[:9].copy()
    alpha, share = corner
    if alpha > 0.0:  # steady cornering, both axles at the same slip angle
        rate = share * p.tire.p_dy1 * GRAVITY / x[3]
        beta = math.atan(math.tan(-alpha) + rate * p.b / x[3])
        y[5], y[6] = rate, beta
        y[2] = math.atan(math.tan(beta) + rate * p.a / (x[3] * math.cos(beta))) + alpha
    f = drift_model(y, (0.0, u1), p)
    torque = p.m * p.R_w * u1
    front = p.T_se * torque if u1 > 0.0 else p.T_sb * torque
    added = front if c.front_driven else torque - front
    force = (added - p.I_y_w * f[wheel]) / p.R_w
    for i in range(9):
        out[i] = f[i]
    out[2] = out[4] = out[5] = out[6] = 0.0
    out[7] -= (front + p.T_sb * brake) / p.I_y_w
    out[8] -= (torque - front + (1.0 - p.T_sb) * brake) / p.I_y_w
    out[3] -= (c.drag * x[3] * x[3] + c.rolling * p.m * GRAVITY) / p.m
    shaft = x[I_TWIST] + c.damping * (x[I_SHAFT] - x[wheel])
    out[wheel] += shaft / p.I_y_w
    out[I_TWIST] = c.stiffness * (x[I_SHAFT] - x[wheel])
    out[I_SHAFT] = (pull - shaft) / inner
    out[I_LOAD] = (out[3] - x[I_LOAD]) / c.load_lag
    return force, load


@njit
def torque_parts(rpm, curve_rpm, curve_nm, c):
    """Indicated torque with full charge, and friction and pumping [N m]."""
    lost = c.friction0 + c.friction1 * rpm
    full = np.interp(rpm, curve_rpm, curve_nm) + lost
    return full, lost


@njit
def charge(u, rpm, c):
    """Charge that a throttle lets in [1]: saturates sooner at low engine speed."""
    a = c.throttle_shape * math.sqrt(3000.0 / max(rpm, 800.0))
    return (1.0 - math.exp(-a * u)) / (1.0 - math.exp(-a))


@njit
def settle(x, p, c, ratio, u, grip, curve_rpm, curve_nm):
    """Set twist, slip and load to steady driving at a throttle, up to nine tenths of the grip."""
    wheel = 7 if c.front_driven else 8
    rpm = 60.0 / (2.0 * math.pi) * x[I_ENGINE]
    full, lost = torque_parts(rpm, curve_rpm, curve_nm, c)
    x[I_INTAKE] = charge(u, rpm, c)
    drive = (x[I_INTAKE] * full - lost) * ratio * c.efficiency / p.R_w
    inertia = p.I_y_w + c.gearbox_inertia + (c.engine_inertia + c.primary_inertia) * ratio * ratio
    rest = c.drag * x[3] * x[3] + c.rolling * p.m * GRAVITY
    turning = inertia / p.R_w**2
    force = (drive * p.m + turning * rest) / (p.m + turning)
    base = p.a + p.b
    static = p.m * GRAVITY * (p.b if c.front_driven else p.a) / base
    load = static + (-1.0 if c.front_driven else 1.0) * (force - rest) * p.h_s / base
    most = 0.9 * p.tire.p_dx1 * grip * load
    force = min(force, most)
    along = (force - rest) / p.m
    x[I_LOAD] = along
    slip = 1.25 * force / (p.tire.p_kx1 * load)
    x[wheel] *= 1.0 + slip
    x[I_SHAFT] = x[wheel]
    x[I_ENGINE] = ratio * x[I_SHAFT]
    x[I_TWIST] = force * p.R_w + p.I_y_w * along / p.R_w
