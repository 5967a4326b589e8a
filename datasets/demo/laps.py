"""Laps of the demo car: the equations of gridfit's own simulator, driven by a simple driver.

Equations and symbols as in gridfit.simulate.kernel (1) to (7), stepped explicitly at 0.25 ms. On top of them:
braking, coasting, gear changes, lateral demand that fades on the way out of a corner, damp patches and kerbs.
"""

from math import exp, sqrt

import numpy as np
from numba import njit

from gridfit.simulate import kernel as k

TICK_S, STEPS = 0.01, 40
"""Period of controller and log [s]; integration steps in it."""
BRAKING, CORNER, EXIT, COAST, OUT_LAP = 0, 1, 2, 3, 4
SHIFT_S, CLUTCH_S = 0.12, 0.05

# columns of a leg: one corner and the straight after it
(
    L_SPEED, L_GEAR, L_LATERAL, L_HOLD, L_U0, L_U1, L_RAMP, L_FADE, L_EXIT, L_COAST, L_PATCH, L_LENGTH, L_GRIP,
    L_LOAD, N_LEG,
) = range(15)  # fmt: skip
LOG_COLUMNS = (
    "w",
    "v",
    "rpm",
    "throttle",
    "brake",
    "gear",
    "lateral",
    "longitudinal",
    "cut",
    "target",
    "kerb",
)


@njit(cache=True)
def look_up(table, x):
    """Linear look-up on a uniform table, held at both ends."""
    x = min(max(x, 0.0), table.size - 1.001)
    j = int(x)
    return table[j] + (x - j) * (table[j + 1] - table[j])


@njit(cache=True)
def rising(friction, share):
    """Normalised slip on the rising side of the friction curve at a share of the peak."""
    low, high = 0.0, 1.0
    for _ in range(25):
        middle = 0.5 * (low + high)
        if look_up(friction, middle * (k.TABLE - 1) / k.TABLE_MAX) * middle < share:
            low = middle
        else:
            high = middle
    return low


@njit(cache=True)
def drive(car, gears, friction, torque, rpm_step, legs, drift, target, cut_errors, cut_rows, settings):
    """Drive a run.

    Parameters
    ----------
    car, gears, friction, torque, rpm_step
        One draw as packed by `gridfit.simulate.packing`.
    legs : float64[L, 14]
        Corners and straights in the order driven.
    drift : float64[S]
        Factor on grip at each tick; its length sets the length of the run.
    target : float64[2, K]
        Target grid: speed [km/h], slip [%].
    cut_errors, cut_rows : float64[E], float64[G, E]
        Cut grid.
    settings : float64[4]
        Minimum speed [km/h], throttle gate [1], engine's limit and idle [1/min].

    Returns
    -------
    float64[S, 11]
        Columns as `LOG_COLUMNS`, SI (throttle and cut as shares, brake in bar, kerb 0 or 1).
    """
    h = TICK_S / STEPS
    out = np.zeros((drift.size, 11))
    commands = np.zeros(drift.size * STEPS + 4000)
    v = w = x = wm = vm = 8.0
    kappa = q = e = z = shaft = a = 0.0
    state, leg, gear, since = OUT_LAP, 0, 2, 0.0
    shifting, closing, closed_for = 0.0, False, 0.0
    throttle, command, overspeed, next_gear = 0.12, 0.0, 0.0, 2
    for tick in range(drift.size):
        row, since = legs[leg], since + TICK_S
        rpm = x * gears[gear - 1, k.G_RPM]
        brake = lateral = 0.0
        grip, load, kerb = drift[tick], 1.0, 0.0
        if state == OUT_LAP:
            throttle = 0.10 if since < 6.0 else 0.15
            if since > 14.0:
                state, since = BRAKING, 0.0
        if state == BRAKING:
            throttle, brake = 0.0, 45.0
            if v <= row[L_SPEED]:
                state, since, gear, brake = CORNER, 0.0, int(row[L_GEAR]), 0.0
                next_gear, w, x, kappa, q, shaft, z = gear, v, v, 0.0, 0.0, 0.0, 0.0
        if state == CORNER:
            throttle = min(max(row[L_U0] + 0.05 * (row[L_SPEED] - v), 0.0), 0.3)
            lateral = row[L_LATERAL] * min(1.0, since / 0.4)
            if since > row[L_HOLD]:
                state, since = EXIT, 0.0
        if state == EXIT:
            throttle = row[L_U0] + (row[L_U1] - row[L_U0]) * min(1.0, since / row[L_RAMP])
            lateral = row[L_LATERAL] * max(0.0, 1.0 - since / row[L_FADE])
            if row[L_PATCH] < since < row[L_PATCH] + row[L_LENGTH]:
                grip, load = grip * row[L_GRIP], row[L_LOAD]
                kerb = 1.0 if load < 1.0 else 0.0
            if since > row[L_EXIT]:
                state, since = COAST, 0.0
        if state == COAST:
            throttle = 0.0
            if since > row[L_COAST]:
                state, since, leg = BRAKING, 0.0, (leg + 1) % legs.shape[0]
                shifting, closing = 0.0, False
        if shifting == 0.0 and not closing and rpm > 0.94 * settings[2] and state == EXIT and w < 1.03 * v:
            if gear < gears.shape[0]:
                shifting, next_gear = SHIFT_S, gear + 1
        if shifting > 0.0:
            shifting -= TICK_S
            throttle = 0.0
            if shifting <= 1e-9:
                shifting, closing, closed_for, gear = 0.0, True, 0.0, next_gear
                overspeed, x, shaft = 0.12, w, 0.0
        # the controller
        vd, vu = 3.6 * wm * car[k.C_FACTOR], 3.6 * vm
        wanted = np.interp(vu, target[0], target[1])
        error = 100.0 * (vd - vu) / max(vu, settings[0]) - wanted
        command = 0.0
        if throttle > settings[1] and vu > settings[0] and error >= cut_errors[0]:
            command = 0.01 * np.interp(error, cut_errors, cut_rows[gear - 1])
        dead = int((car[k.C_DEAD] + car[k.C_CYCLES] * 120.0 / max(rpm, settings[3])) / h)
        at = tick * STEPS + dead
        commands[at : at + 2000] = command
        shown = 0.0 if shifting > 0.0 else float(gear)
        here = (w, v, rpm, throttle, brake, shown, lateral, a, command, wanted, kerb)
        for column in range(11):
            out[tick, column] = here[column]
        peak = car[k.C_MU] * (1.0 - car[k.C_SMU] * (v - 15.0)) * grip
        ry = rising(friction, min(0.9, lateral / 9.80665 / peak))
        asked = 1.0 - (1.0 - throttle) ** car[k.C_SHAPE]
        if closing and closed_for >= CLUTCH_S:
            closing = False
        for step in range(STEPS):
            q = asked + exp(-h / car[k.C_TAUI]) * (q - asked)
            e_now = commands[tick * STEPS + step]
            e = e_now + exp(-h / car[k.C_TAUC]) * (e - e_now)
            rest = car[k.C_ROLL] + car[k.C_DRAG] * v * v
            if state == BRAKING:
                a = -8.5
                v += h * a
                w = x = 0.985 * v
                kappa, z, shaft = -0.015, a, 0.0
            else:
                r = kappa / (car[k.C_KP] * (1.0 - car[k.C_SKP] * (v - 15.0)))
                rho = sqrt(r * r + ry * ry) * (k.TABLE - 1) / k.TABLE_MAX
                fz = max(car[k.C_FZ0] + car[k.C_CZ] * z, 0.05 * car[k.C_FZ0]) * load
                fx = (
                    peak
                    * (1.0 - car[k.C_SLOAD] * (fz / car[k.C_FZ0] - 1.0))
                    * look_up(friction, rho)
                    * r
                    * fz
                )
                row_g = gears[gear - 1]
                passed, pulse = 1.0, 0.0
                if shifting > 0.0:
                    passed = 0.0
                if closing:
                    passed = min(1.0, closed_for / CLUTCH_S)
                    pulse = 6.0 * row_g[k.G_ENGINE] * v * overspeed / CLUTCH_S * passed * (1.0 - passed)
                    closed_for += h
                engine = q * row_g[k.G_FORCE] * look_up(torque, x * row_g[k.G_RPM] / rpm_step)
                drag = 0.06 * row_g[k.G_FORCE] * torque[torque.size // 4] * (1.0 - q) if q < 0.2 else 0.0
                push = (engine * (1.0 - car[k.C_ETA] * e) - drag) * passed + pulse
                twist = shaft + car[k.C_DAMP] * (x - w)
                x += h * (push - twist) / row_g[k.G_ENGINE]
                w += h * (twist - fx) / (row_g[k.G_INERTIA] - row_g[k.G_ENGINE])
                shaft += h * car[k.C_STIFF] * (x - w)
                a = (fx - rest) / car[k.C_MASS]
                v += h * a
                half = 0.5 * h * v / car[k.C_SIGMA]
                kappa = (kappa * (1.0 - half) + h * (w - v) / car[k.C_SIGMA]) / (1.0 + half)
                z += (a - z) * h / car[k.C_TAUZ]
            wm += (w - wm) * h / car[k.C_TAUS]
            vm += (v - vm) * h / car[k.C_TAUS]
    return out
