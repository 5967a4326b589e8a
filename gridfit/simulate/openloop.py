"""The plant driven by logged throttle and cut over short windows: what the next speeds should have been.

The same equations and packing as `gridfit.simulate.kernel`, without the controller: the inputs are the log's.
Compiled, scalar, parallel over parameter sets and windows. Imports nothing of ours but the kernel's columns.
"""

from math import ceil, exp, sqrt

import numpy as np
from numba import njit, prange

from gridfit.simulate import kernel as k

GRAVITY_MPS2 = 9.80665
"""Standard gravity [m/s2] (CGPM 1901)."""
STEP_S = 0.0025
"""Largest time step between two log samples [s]."""
N_NUISANCE = 9
"""Nuisances of a window: driven and undriven speed at its start [m/s], relaxed slip [1], log grip [1], shaft
force over the static driven load [1], engine's speed over the wheels' [m/s], change of log grip over the window [1],
lateral acceleration over g above the log's [1], resistance over the weight beyond drag and rolling [1]."""


@njit(inline="always")
def _between(time, values, at, j, lowest):
    """Linear interpolation at a time, walking back from sample j; held before the lowest sample."""
    while j > lowest and time[j] > at:
        j -= 1
    if time[j] > at or j + 1 >= time.size:
        return values[j]
    x = (at - time[j]) / (time[j + 1] - time[j])
    x = 1.0 if x > 1.0 else x
    return values[j] + x * (values[j + 1] - values[j])


@njit(inline="always")
def _fetch(table, x, last):
    x = x if x < last else last
    x = x if x > 0.0 else 0.0
    j = int(x)
    return table[j] + (x - j) * (table[j + 1] - table[j])


@njit(inline="always")
def _rising(table, wanted):
    scale = k.TABLE_MAX / (k.TABLE - 1)
    low, high = 0.0, 1.0
    for _ in range(20):
        middle = 0.5 * (low + high)
        if _fetch(table, middle / scale, k.TABLE - 1.001) * middle < wanted:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@njit(cache=True, nogil=True, error_model="numpy")
def predict_window(
    pre, joined, first, last, time, throttle, cut, engine_mps, driven, late, lateral, grip, start, car, gear, friction,
    torque, rpm_step, idle, out,
):  # fmt: skip
    """Predict one window.

    Parameters
    ----------
    pre, joined, first, last : int
        Sample from which the inputs' lags are run up, sample from which the clutch is closed, first sample of
        the window, and one past its last.
    time, throttle, cut, engine_mps, driven : float64[S]
        Log: time [s], throttle [1], cut [1]; the engine's speed over the overall ratio, by its own sensor where
        there is one, and the driven wheels' speed [m/s], for the run-up.
    late : float
        How much later than a line between the rows' cuts the cut was commanded [s].
    lateral : float
        Lateral acceleration over g [1].
    grip : float
        Log of the run's and compound's grip over the plant's [1].
    start : float64[9]
        Nuisances, as `N_NUISANCE` lists them; slip, shaft force and engine speed count from where the run-up ends.
    car, gear, friction, torque, rpm_step, idle
        As packed by `gridfit.simulate.packing`; idle speed [1/min].
    out : float64[3, L]
        Written, from the window's first sample on: driven and undriven speed as the sensors show them, engine
        speed over the overall ratio [m/s].
    """
    u_next = k.torque_share(throttle[pre], k.throttle_shape(car, engine_mps[pre] * gear[k.G_RPM]))
    q, e = u_next, cut[pre]
    per_slip, per_rpm = (k.TABLE - 1) / k.TABLE_MAX, 1.0 / rpm_step
    last_r, last_t = k.TABLE - 1.001, torque.size - 1.001
    w, v = start[0], start[1]
    kappa = (w - v) / v + start[2]
    scale = exp(grip + start[3])
    use = min(0.8, max(0.0, lateral + start[7]) / (car[k.C_MU] * scale))
    # grip may drift over the window, and the road rise or the corner brake, beside what the log tells
    drift = start[6] / max(time[last - 1] - time[first], 1e-3)
    more = start[8] * car[k.C_MASS] * GRAVITY_MPS2
    middle = 0.5 * (time[first] + time[last - 1])
    ry = _rising(friction, use) if use > 0.02 else 0.0
    wheels, engine = gear[k.G_INERTIA] - gear[k.G_ENGINE], gear[k.G_ENGINE]
    z, a, wd, xd, wm, vm = 0.0, 0.0, 0.0, 0.0, w, v
    x = engine_mps[joined]
    shaft = q * gear[k.G_FORCE] * _fetch(torque, per_rpm * gear[k.G_RPM] * x, last_t)
    shaft = shaft * (1.0 - car[k.C_ETA] * e)
    fresh = True
    for j in range(pre, last - 1):
        if j == first:
            x = w + start[5]
            shaft += start[4] * car[k.C_FZ0]
        span = time[j + 1] - time[j]
        n = int(ceil(span / STEP_S))
        h = span / n
        a_q, a_e = exp(-h / car[k.C_TAUI]), exp(-h / car[k.C_TAUC])
        b_z, a_s = 1.0 - exp(-h / car[k.C_TAUZ]), exp(-h / car[k.C_TAUS])
        u_here, shape = u_next, k.throttle_shape(car, engine_mps[j + 1] * gear[k.G_RPM])
        u_next = k.torque_share(throttle[j + 1], shape)
        for i in range(n):
            t = time[j] + (i + 0.5) * h
            speed = x if j >= first else engine_mps[j]
            rpm = max(speed * gear[k.G_RPM], idle)
            u = u_here + (i + 0.5) / n * (u_next - u_here)
            c = _between(time, cut, t - late - car[k.C_DEAD] - car[k.C_CYCLES] * 120.0 / rpm, j, pre)
            q_old, e_old = q, e
            q = u + a_q * (q - u)
            e = c + a_e * (e - c)
            q_mid, e_mid = 0.5 * (q + q_old), 0.5 * (e + e_old)
            if j < joined:
                continue
            if j < first:
                # the wheels' speed is the log's; the engine and the shafts settle against it
                wh = driven[j] + (i + 0.5) / n * (driven[j + 1] - driven[j])
            else:
                wh = w + 0.5 * h * wd
            xh = x + 0.5 * h * xd
            spring = shaft + 0.5 * h * car[k.C_STIFF] * (xh - wh)
            force = spring + car[k.C_DAMP] * (xh - wh)
            drive = q_mid * gear[k.G_FORCE] * _fetch(torque, per_rpm * gear[k.G_RPM] * xh, last_t)
            xd = (drive * (1.0 - car[k.C_ETA] * e_mid) - force) / engine
            x_new = x + h * xd
            if j < first:
                shaft += h * car[k.C_STIFF] * (0.5 * (x + x_new) - wh)
                x = x_new
                continue
            vh = v + 0.5 * h * a
            half = 0.25 * h / car[k.C_SIGMA] * v
            k_mid = (kappa * (1.0 - half) + 0.5 * h / car[k.C_SIGMA] * (wh - vh)) / (1.0 + half)
            r = k_mid / (car[k.C_KP] * (1.0 - car[k.C_SKP] * (vh - 15.0)))
            friction_here = _fetch(friction, per_slip * sqrt(r * r + ry * ry), last_r)
            mu = car[k.C_MU] * (1.0 - car[k.C_SMU] * (vh - 15.0)) * scale * exp(drift * (t - middle))
            rest = car[k.C_ROLL] + car[k.C_DRAG] * vh * vh + more
            if fresh:
                # the load follows the acceleration, which is taken as steady at the window's start
                fz = car[k.C_FZ0]
                for _ in range(6):
                    fx = mu * (1.0 - car[k.C_SLOAD] * (fz / car[k.C_FZ0] - 1.0)) * fz * friction_here * r
                    z = (fx - rest) / car[k.C_MASS]
                    fz = max(car[k.C_FZ0] + car[k.C_CZ] * z, 0.05 * car[k.C_FZ0])
                a = z
                fresh = False
                vm, wm = (
                    v - car[k.C_TAUS] * a,
                    w - car[k.C_TAUS] * (force - car[k.C_MASS] * a - rest) / wheels,
                )
                out[0, 0], out[1, 0], out[2, 0] = wm, vm, x
            zh = z + 0.5 * b_z * (a - z)
            fz = max(car[k.C_FZ0] + car[k.C_CZ] * zh, 0.05 * car[k.C_FZ0])
            fx = mu * (1.0 - car[k.C_SLOAD] * (fz / car[k.C_FZ0] - 1.0)) * fz * friction_here * r
            a = (fx - rest) / car[k.C_MASS]
            wd = (force - fx) / wheels
            half = 0.5 * h / car[k.C_SIGMA] * vh
            w_new, v_new = w + h * wd, v + h * a
            w_mid, v_mid = 0.5 * (w + w_new), 0.5 * (v + v_new)
            shaft += h * car[k.C_STIFF] * (0.5 * (x + x_new) - w_mid)
            kappa = (kappa * (1.0 - half) + h / car[k.C_SIGMA] * (w_mid - v_mid)) / (1.0 + half)
            w, v, x = w_new, v_new, x_new
            z = z + b_z * (a - z)
            wm, vm = w_mid + a_s * (wm - w_mid), v_mid + a_s * (vm - v_mid)
        if j + 1 >= first:
            at = j + 1 - first
            out[0, at], out[1, at], out[2, at] = wm, vm, x


@njit(cache=True, parallel=True, nogil=True)
def predict(
    bounds, gear_of, time, throttle, cut, engine_mps, driven, late, lateral, grip, start, car, gears, friction, torque,
    rpm_step, idle, length,
):  # fmt: skip
    """Predict every window under every parameter set.

    Parameters
    ----------
    bounds : int64[W, 4]
        Run-up, closed clutch, first sample and one past the last sample of each window.
    gear_of : int64[W]
        Row of each window's gear.
    time, throttle, cut, engine_mps, driven : float64[S]
        Samples of all runs, one after the other.
    late : float64[W]
        How much later than a line between the rows' cuts the cut was commanded [s].
    lateral : float64[W]
        Lateral acceleration over g.
    grip : float64[B, W]
        Log grip of each window's run and compound under each parameter set.
    start : float64[B, W, 9]
        Nuisances.
    car, gears, friction, torque : float64[B, ...]
        Packed parameter sets.
    rpm_step, idle
        As in `predict_window`.
    length : int
        Samples of the longest window L.

    Returns
    -------
    float64[B, W, 3, L]
        Driven, undriven and engine speed [m/s] at the windows' samples, 0 past their ends.

    Raises
    ------
    ValueError
        If `start` has not all nuisances.
    """
    sets, windows = car.shape[0], bounds.shape[0]
    if start.shape[2] != N_NUISANCE:
        raise ValueError("start: last axis must hold all nuisances, as N_NUISANCE lists them")
    out = np.zeros((sets, windows, 3, length))
    for job in prange(sets * windows):
        b, n = job // windows, job % windows
        predict_window(
            bounds[n, 0], bounds[n, 1], bounds[n, 2], bounds[n, 3], time, throttle, cut, engine_mps, driven,
            late[n], lateral[n], grip[b, n], start[b, n], car[b], gears[b, gear_of[n]], friction[b], torque[b],
            rpm_step, idle, out[b, n],
        )  # fmt: skip
    return out
