"""A made-up engine, gearbox, driver and controller around the drift model, stepped together at a fixed step.

Written for the outside plant alone; shares nothing with gridfit's simulator. Engine torque is held per firing
event and whole events are dropped by an accumulator; shifts open a clutch that closes by Coulomb friction; half
shafts twist; wheel speeds come from the times at which teeth pass.
"""

import math

import numpy as np
from numba import njit
from outside.carforces import charge, rates, settle, torque_parts, with_grip
from outside.layout import (
    APPROACH,
    C_CUT,
    C_FL,
    C_TARGET,
    C_TIME,
    COAST,
    CRUISE,
    EVENT,
    GRAVITY,
    I_ENGINE,
    I_INTAKE,
    I_LOAD,
    I_SHAFT,
    I_TWIST,
    N_STATES,
    P_ALPHA,
    P_BASE,
    P_CLOSE,
    P_DIP,
    P_GEAR,
    P_GRIP,
    P_KIND,
    P_OVER,
    P_PATCH,
    P_RAMP,
    P_SHARE,
    P_SHIFT,
    P_SPEED,
    P_TIME,
    P_U0,
    P_U1,
    T_ACC,
    T_ALPHA,
    T_BRAKE,
    T_CLUTCH,
    T_CUT,
    T_FORCE,
    T_GEAR,
    T_GRIP,
    T_INTAKE,
    T_LATACC,
    T_LOAD,
    T_PHASE,
    T_RPM,
    T_SHARE,
    T_SPEED,
    T_THROTTLE,
    T_TIME,
    T_WHEEL,
)
from outside.wheelteeth import N_SENSOR, W_ANGLE, W_SEEN, W_TOOTH, pass_teeth, read_teeth


@njit
def run(
    p,
    c,
    ratios,
    curve_rpm,
    curve_nm,
    phases,
    tv,
    ts,
    ev,
    ec,
    phase0,
    limit_share,
    end_mps,
    dt,
    trace,
    cycles,
    start_speed,
):
    """Drive a schedule of phases; fill trace[S, N_TRACE] and cycles[L, N_CYCLE]; return rows used of each.

    `phase0[4]` are the sensors' starting angles [rad]; `limit_share` of limit_rpm, or the speed `end_mps`
    [m/s], ends an event (the driver would shift); the first phase is entered in equilibrium at `start_speed` [m/s].
    """
    wheel = 7 if c.front_driven else 8
    radius = p.R_w
    n_gears = ratios.size
    x = np.zeros(N_STATES)
    gear = int(phases[0, P_GEAR])
    x[3] = start_speed
    x[7] = x[8] = x[I_SHAFT] = start_speed / radius
    ratio = ratios[gear - 1]
    x[I_ENGINE] = x[I_SHAFT] * ratio
    k1, k2, k3, k4, mid = (
        np.zeros(N_STATES),
        np.zeros(N_STATES),
        np.zeros(N_STATES),
        np.zeros(N_STATES),
        np.zeros(N_STATES),
    )
    locked, clutch_sign = True, 1.0
    u, brake = phases[0, P_U0], 0.0
    settle(x, p, c, ratio, u, phases[0, P_BASE], curve_rpm, curve_nm)
    if phases[0, P_OVER] > 0.0:  # a shift is under way: the engine turns faster than the gear asks
        over = min(1.0 + phases[0, P_OVER], 0.99 * c.limit_rpm * 2.0 * math.pi / 60.0 / (ratio * x[I_SHAFT]))
        x[7] = x[8] = x[I_SHAFT] = start_speed / radius
        x[I_TWIST] = x[I_LOAD] = 0.0
        x[I_ENGINE] = over * ratio * x[I_SHAFT]
        locked = False
    t, n, m, at, since, opened = 0.0, 0, 0, 0, 0.0, -1.0
    # firing events
    event_angle = 4.0 * math.pi / c.cylinders
    crank, accumulator, factor = 0.0, 0.5, 1.0
    pending = np.ones(64)
    head = 0
    wait = int(c.cylinders) if c.fuel else 0
    command, command_new, command_t = 0.0, 0.0, 1e9
    wheels = np.zeros((4, N_SENSOR))
    wheels[:, W_ANGLE], wheels[:, W_TOOTH] = phase0, np.ceil(phase0 / (2.0 * math.pi / c.teeth))
    wheels[:, W_SEEN] = start_speed
    period = 1.0 / c.loop_hz
    next_tick = 0.0
    shown_cut, target = 0.0, 0.0
    while at < phases.shape[0] and n < trace.shape[0]:
        row = phases[at]
        kind = int(row[P_KIND])
        # ---- the driver
        v = x[3]
        rpm = 60.0 / (2.0 * math.pi) * x[I_ENGINE]
        brake_wanted, u_wanted, rate = 0.0, 0.0, 6.0
        grip, dip, alpha, share = row[P_BASE], 1.0, 0.0, 0.0
        shifting, capacity = False, c.clutch_nm
        if kind == APPROACH:
            wanted = int(row[P_GEAR])
            new_rpm = 60.0 / (2.0 * math.pi) * ratios[wanted - 1] * x[I_SHAFT]
            if wanted != gear and since > 0.3 and new_rpm < 0.85 * c.limit_rpm and opened < 0.0:
                opened = since
            shifting = opened >= 0.0 and since - opened < 0.15
            if opened >= 0.0 and not shifting and wanted != gear:
                gear = wanted  # a driver who matches revs
                ratio = ratios[gear - 1]
                x[I_ENGINE] = 0.97 * ratio * x[I_SHAFT]
                locked, clutch_sign = False, -1.0
            if opened >= 0.0 and since - opened < 0.3:
                u_wanted = 0.0
            elif v > row[P_SPEED] + 0.15:
                brake_wanted = min(c.brake_max, 1.2 * (v - row[P_SPEED]) + 1.0)
            else:
                u_wanted = min(row[P_U0], 0.06 + 0.10 * (row[P_SPEED] - v))
        elif kind == COAST:
            u_wanted = 0.0
        elif kind == CRUISE:
            u_wanted = row[P_U0]
        else:
            into = since - row[P_SPEED]  # for an event this column holds the quiet time ahead of it
            rate = 40.0
            if row[P_SHIFT] > 0.0:
                shifting = into < 0.0 and into >= -row[P_SHIFT]
                if into >= -row[P_SHIFT] and gear != int(row[P_GEAR]):
                    gear = int(row[P_GEAR])
                    ratio = ratios[gear - 1]
                    locked = False
                    clutch_sign = 1.0 if x[I_ENGINE] > ratio * x[I_SHAFT] else -1.0
                if into >= 0.0 and row[P_CLOSE] > 0.0:
                    capacity = c.clutch_nm * min(1.0, into / row[P_CLOSE])
            done = min(1.0, max(0.0, into) / max(row[P_RAMP], 1e-3))
            u_wanted = row[P_U0] + (row[P_U1] - row[P_U0]) * done
            edge = min(1.0, max(0.0, into * 100.0)) * min(1.0, max(0.0, (row[P_PATCH] - into) * 100.0))
            grip = row[P_BASE] * (1.0 - (1.0 - row[P_GRIP]) * edge)
            dip = 1.0 - (1.0 - row[P_DIP]) * edge
            alpha, share = row[P_ALPHA], row[P_SHARE] * row[P_BASE]
        if kind == EVENT:
            u = u_wanted
        else:
            u += min(rate * dt, max(-rate * dt, u_wanted - u))
        brake += min(25.0 * dt, max(-25.0 * dt, brake_wanted - brake))
        if brake > 0.0:
            u = 0.0
        # ---- the controller and its view of the wheels
        if t >= next_tick - 1e-9:
            read_teeth(c, wheels, t)
            seen = wheels[:, W_SEEN]
            ahead, behind = 3.6 * 0.5 * (seen[0] + seen[1]), 3.6 * 0.5 * (seen[2] + seen[3])
            vd, vu = (ahead, behind) if c.front_driven else (behind, ahead)
            vd *= c.factor_driven
            target = np.interp(vu, tv, ts)
            error = 100.0 * (vd - vu) / max(vu, c.min_speed) - target
            shown_cut = 0.0
            if u > c.gate and vu > c.min_speed and not shifting and error >= ev[0]:
                shown_cut = np.interp(error, ev, ec[min(gear, n_gears) - 1])
            command_new, command_t = 0.01 * shown_cut, t + c.ecu_delay
            if m < cycles.shape[0]:
                for i in range(4):
                    driven = (i < 2) == (c.front_driven > 0.0)
                    cycles[m, C_FL + i] = seen[i] * (c.factor_driven if driven else 1.0)
                cycles[m, C_TIME], cycles[m, C_TARGET], cycles[m, C_CUT] = t, target, shown_cut
                m += 1
            next_tick += period
        if t >= command_t - 1e-9:
            command, command_t = command_new, 1e9
        # ---- the engine's step: torque held per firing event
        rpm = max(rpm, 200.0)
        full, lost = torque_parts(rpm, curve_rpm, curve_nm, c)
        x[I_INTAKE] += (charge(u, rpm, c) - x[I_INTAKE]) * (1.0 - math.exp(-dt / c.intake_lag))
        filled = x[I_INTAKE]
        if rpm > c.limit_rpm or shifting:
            filled = 0.0
        turn = x[I_ENGINE] * dt
        held = 0.0
        done_turn = 0.0
        while crank + (turn - done_turn) >= event_angle:
            piece = event_angle - crank
            held += factor * piece
            done_turn += piece
            crank = 0.0
            accumulator += command
            fired = 1.0
            if accumulator >= 1.0 - 1e-9:
                accumulator -= 1.0
                fired = 1.0 - c.cut_effect
            pending[(head + wait) % 64] = fired
            factor = pending[head % 64]
            head += 1
        held += factor * (turn - done_turn)
        crank += turn - done_turn
        mean_factor = held / turn if turn > 0.0 else factor
        idle_help = 0.06 * (c.idle_rpm - rpm) if rpm < c.idle_rpm else 0.0
        torque = filled * full * mean_factor - lost + idle_help
        # ---- clutch
        if locked and not shifting:
            inner = c.gearbox_inertia + (c.engine_inertia + c.primary_inertia) * ratio * ratio
            pull = torque * ratio * c.efficiency
        else:
            through = 0.0 if shifting else clutch_sign * capacity
            inner = c.gearbox_inertia + c.primary_inertia * ratio * ratio
            pull = through * ratio * c.efficiency
            x[I_ENGINE] += dt * (torque - through) / c.engine_inertia
        # ---- one Runge-Kutta step of the rest
        surface = with_grip(p, grip)
        corner = (alpha, share)
        force_b = brake * p.m * radius
        if v < 1.0:
            force_b = 0.0
        force, load = rates(x, surface, c, corner, dip, pull, inner, force_b, k1)
        if n < trace.shape[0]:
            r = trace[n]
            r[T_TIME], r[T_SPEED], r[T_WHEEL], r[T_ACC] = t, v, x[wheel] * radius, k1[3]
            r[T_FORCE], r[T_LOAD], r[T_RPM], r[T_THROTTLE], r[T_BRAKE] = force, load, rpm, u, brake
            r[T_GEAR], r[T_PHASE], r[T_CUT] = 0.0 if shifting else gear, at, 100.0 * command
            r[T_CLUTCH] = 1.0 if locked and not shifting else (0.0 if shifting else capacity / c.clutch_nm)
            r[T_GRIP], r[T_ALPHA], r[T_SHARE], r[T_INTAKE] = grip, alpha, share, x[I_INTAKE]
            r[T_LATACC] = share * p.tire.p_dy1 * GRAVITY
            n += 1
        for i in range(N_STATES):
            mid[i] = x[i] + 0.5 * dt * k1[i]
        rates(mid, surface, c, corner, dip, pull, inner, force_b, k2)
        for i in range(N_STATES):
            mid[i] = x[i] + 0.5 * dt * k2[i]
        rates(mid, surface, c, corner, dip, pull, inner, force_b, k3)
        for i in range(N_STATES):
            mid[i] = x[i] + dt * k3[i]
        rates(mid, surface, c, corner, dip, pull, inner, force_b, k4)
        front_old, rear_old = x[7], x[8]
        for i in range(N_STATES):
            x[i] += dt * (k1[i] + 2.0 * k2[i] + 2.0 * k3[i] + k4[i]) / 6.0
        if locked and not shifting:
            x[I_ENGINE] = ratio * x[I_SHAFT]
        elif not shifting and (x[I_ENGINE] - ratio * x[I_SHAFT]) * clutch_sign <= 0.0:
            whole = c.gearbox_inertia + (c.engine_inertia + c.primary_inertia) * ratio * ratio
            own = whole - c.engine_inertia * ratio * ratio
            x[I_SHAFT] = (own * x[I_SHAFT] + c.engine_inertia * ratio * x[I_ENGINE]) / whole
            x[I_ENGINE] = ratio * x[I_SHAFT]
            locked = True
        # ---- teeth
        turn_rate = share * p.tire.p_dy1 * GRAVITY / max(v, 1.0) if alpha > 0.0 else 0.0
        split = 0.5 * c.track * turn_rate / max(v, 1.0)
        pass_teeth(c, wheels, phase0, t, dt, 0.5 * (front_old + x[7]), 0.5 * (rear_old + x[8]), split)
        t += dt
        since += dt
        # ---- next phase?
        over = since >= row[P_TIME]
        if kind == APPROACH:
            over = (
                since > 0.8 and abs(x[3] - row[P_SPEED]) < 0.25 and locked and gear == int(row[P_GEAR])
            ) or since > row[P_TIME]
        elif kind == EVENT:
            over = over or (rpm > limit_share * c.limit_rpm and since > row[P_SPEED] + 0.1) or x[3] > end_mps
        if over:
            at, since, opened = at + 1, 0.0, -1.0
    return n, m
