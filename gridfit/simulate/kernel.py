"""The compiled time loop: plain float arrays in, score parts out; imports nothing of ours.

Lanes of 16 episodes advance together in one flat array with a compile-time row length, so that the compiler
can use vector instructions. A leapfrog scheme holds slip, twist and intake at half steps; speeds, load transfer,
cut and sensors at whole steps: one tyre fetch and one torque fetch a step, second order in the step. The delayed
cut is a staircase whose lag is solved exactly, since an error in its timing is the loop's largest.

Symbols (units) and equations
-----------------------------
v vehicle speed, w driven wheels' peripheral speed, x the engine's over the overall ratio (m/s); F force of
the half shafts, S its elastic part (N), K stiffness (N/m), D damping (N s/m); k relaxed slip ratio on v (1);
q intake state, u throttle, f(u) its share of full torque, p its shape (1); e cut after dead time and lag (1);
z lagged acceleration (m/s2); Fz load of the driven axle (N).

(1) M_e dx/dt = q T(n) c_f (1 - eta e) C(t) + P(t) - F,   n = c_n x,   M_w dw/dt = F - Fx,
    F = S + D (x - w),   dS/dt = K (x - w)
(2) m dv/dt = Fx - F_roll - c_d v^2
(3) sigma dk/dt = w - v - k v
(4) Fx = mu_p(v) g(t) (1 - s (Fz/Fz0 - 1)) h(rho) r Fz      r = k/k_p(v), rho = sqrt(r^2 + r_y^2)
(5) Fz = (Fz0 + c_z z) l(t),  dz/dt = (a - z)/tau_z
(6) dq/dt = (f(u) - q)/tau_i, f(u) = 1 - (1 - u)^p,  de/dt = (cut(t - dead) - e)/tau_c,
    dw_m/dt = (w - w_m)/tau_s, v_m alike
(7) the controller of the trade's loop: slip on undriven speed, target grid, error, cut grid, gates

T engine torque at full throttle (N m); h normalised friction over normalised slip (a table); C clutch share,
P clutch impulse; g, l grip and load factors of the patch; r_y the part of the slip used by cornering.
"""

from math import ceil, exp, sqrt

import numpy as np
from numba import njit, prange

LANES = 16
TABLE = 4096
"""Points of the friction table per draw."""
TABLE_MAX = 16.0
"""Normalised slip at the table's end [1]; held beyond."""
RING = 32
"""Commands that can be under way in one lane."""
JERK_HZ = 15.0
"""Corner of the low-pass ahead of the jerk [Hz]."""
PRE_S = 0.25
"""Time simulated ahead of the disturbance [s]."""

# columns of the car's constants, one row per draw
(
    C_MASS, C_DRAG, C_ROLL, C_FZ0, C_CZ, C_TAUZ, C_MU, C_KP, C_SMU, C_SKP, C_SLOAD, C_SIGMA, C_ETA,
    C_TAUI, C_TAUC, C_DEAD, C_CYCLES, C_TAUS, C_FACTOR, C_SHAPE, C_STIFF, C_DAMP, N_CAR,
) = range(23)  # fmt: skip
# columns of a gear's constants, per draw
G_RPM, G_FORCE, G_INERTIA, G_ENGINE, N_GEAR = range(5)
# columns of a scenario
(
    S_V0, S_U0, S_U1, S_RAMP, S_PATCH, S_GRIP, S_LOAD, S_LATERAL, S_BASE, S_CLUTCH, S_OVERSPEED, N_SCENARIO,
) = range(12)  # fmt: skip
# columns of the controller's and engine's settings
L_PERIOD, L_STEP, L_MINSPEED, L_GATE, L_LIMIT, L_IDLE, L_RPMSTEP, L_WINDOW, N_LOOP = range(9)
# columns of the result, in the order of gridfit.recovery.PARTS
M_DRIVE, M_EXCESS, M_RECOVERY, M_RESLIPS, M_JERK, M_LATERAL, M_OVER, M_RSOFT, M_NSOFT, M_WINDOW, N_PARTS = (
    range(11)
)  # fmt: skip

# rows of the lanes' flat array: states, then per-lane constants, then values in transit, then sums
(
    _V, _W, _Z, _K, _Q, _E, _WM, _VM, _A, _ES, _EO, _SO, _ALIVE, _TB, _T1, _IN, _Y, _X, _XD, _S, _ME,
    _RPM, _FORCE, _MW, _VEND, _U0, _U1, _IRAMP, _DUR, _G, _LF, _LAT, _RY2, _BASE, _ICL, _IMP, _CL, _CMD,
    _XR, _XT, _XU, _H, _TQ, _TU, _HL, _TGT, _SLOPE, _VT, _RR, _VH, _GT, _LT, _U, _SD, _SX, _SREC, _SRES,
    _SJ, _SL, _SO2, _SRS, _SNS, _SWIN, _UF, _UL, _P1, _P2, _EM, _P3, _ROWS,
) = (i * LANES for i in range(70))  # fmt: skip


@njit(inline="always")
def clamp01(x):
    """Limit to 0..1."""
    return 0.0 if x < 0.0 else (1.0 if x > 1.0 else x)


@njit(inline="always")
def torque_share(u, shape):
    """Share of full-throttle torque at a throttle: 1 - (1 - u)^shape; 1 is linear."""
    if u >= 1.0:
        return 1.0
    return 1.0 - (1.0 - u) ** shape


@njit(inline="always")
def _interpolate(xs, ys, x, n):
    """Linear between breakpoints, held at both ends."""
    if x <= xs[0]:
        return ys[0], 0.0
    if x >= xs[n - 1]:
        return ys[n - 1], 0.0
    j = 1
    while xs[j] < x:
        j += 1
    slope = (ys[j] - ys[j - 1]) / (xs[j] - xs[j - 1])
    return ys[j - 1] + slope * (x - xs[j - 1]), slope


@njit(inline="always")
def _cut(xs, ys, error, n):
    """Cut row: nothing below the first breakpoint, held above the last."""
    if error < xs[0]:
        return 0.0
    return _interpolate(xs, ys, error, n)[0]


@njit(inline="always")
def _fetch(table, x, last):
    """Linear look-up on a uniform table, held at its end."""
    x = x if x < last else last
    x = x if x > 0.0 else 0.0
    j = int(x)
    return table[j] + (x - j) * (table[j + 1] - table[j])


@njit(inline="always")
def _rising_slip(table, wanted):
    """Normalised slip on the rising side at which the normalised friction has the wanted value."""
    scale = TABLE_MAX / (TABLE - 1)
    low, high = 0.0, 1.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        if _fetch(table, middle / scale, TABLE - 1.001) * middle < wanted:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@njit(cache=True, nogil=True)
def _start(s, i, scen, car, gear, loop, friction, torque):
    """Set one lane to the quiet state ahead of the disturbance."""
    s[_RPM + i], s[_FORCE + i] = gear[G_RPM], gear[G_FORCE]
    s[_ME + i], s[_MW + i] = gear[G_ENGINE], gear[G_INERTIA] - gear[G_ENGINE]
    v = scen[S_V0]
    s[_V + i] = v
    s[_VEND + i] = 0.97 * loop[L_LIMIT] / gear[G_RPM]
    s[_U0 + i], s[_U1 + i] = scen[S_U0], scen[S_U1]
    s[_IRAMP + i] = 1.0 / max(scen[S_RAMP], 1e-3)
    s[_DUR + i], s[_G + i], s[_LF + i] = scen[S_PATCH], scen[S_GRIP], scen[S_LOAD]
    s[_LAT + i], s[_BASE + i] = scen[S_LATERAL], scen[S_BASE]
    ry = _rising_slip(friction, scen[S_LATERAL]) if scen[S_LATERAL] > 0.0 else 0.0
    s[_RY2 + i] = ry * ry
    closing = scen[S_CLUTCH] > 0.0
    s[_ICL + i] = 1.0 / scen[S_CLUTCH] if closing else 1e6
    s[_IMP + i] = 6.0 * gear[G_ENGINE] * v * scen[S_OVERSPEED] / scen[S_CLUTCH] if closing else 0.0
    s[_CL + i] = 1.0 if closing else 0.0
    q = torque_share(scen[S_U0], car[C_SHAPE])
    s[_Q + i] = q
    s[_UF + i], s[_UL + i] = q, scen[S_U0]
    drive = 0.0
    if not closing:
        drive = q * gear[G_FORCE] * _fetch(torque, v * gear[G_RPM] / loop[L_RPMSTEP], torque.size - 2.001)
    mass, rest = car[C_MASS], car[C_ROLL] + car[C_DRAG] * v * v
    force = (drive * mass + gear[G_INERTIA] * rest) / (mass + gear[G_INERTIA])
    z = (force - rest) / mass
    mu = car[C_MU] * (1.0 - car[C_SMU] * (v - 15.0)) * scen[S_BASE]
    load = car[C_FZ0] + car[C_CZ] * z
    share = min(0.9, max(0.0, force / (mu * load)))
    force = share * mu * load
    z = (force - rest) / mass
    kappa = _rising_slip(friction, share) * car[C_KP] * (1.0 - car[C_SKP] * (v - 15.0)) if share > 0 else 0.0
    s[_K + i] = kappa
    w = v * (1.0 + kappa)
    s[_W + i], s[_WM + i], s[_VM + i], s[_X + i] = w, w, v, w
    s[_S + i] = force + s[_MW + i] * z
    s[_Z + i], s[_A + i], s[_Y + i], s[_XD + i] = z, z, z, z
    s[_ALIVE + i], s[_TB + i], s[_T1 + i], s[_SREC + i] = 1.0, -1e3, -1.0, -1.0


@njit(inline="always")
def _tick(s, i, t, car, loop, tv, ts, nk, ev, ec, ne, ring, ring_t, head):
    """One controller cycle of one lane: measure, look up, send."""
    v = s[_V + i]
    vd, vu = 3.6 * s[_WM + i] * car[C_FACTOR], 3.6 * s[_VM + i]
    target, _ = _interpolate(tv, ts, vu, nk)
    base = vu if vu > loop[L_MINSPEED] else loop[L_MINSPEED]
    error = 100.0 * (vd - vu) / base - target
    u = s[_U0 + i] + (s[_U1 + i] - s[_U0 + i]) * clamp01(t * s[_IRAMP + i])
    cut = 0.0
    if u > loop[L_GATE] and vu > loop[L_MINSPEED]:
        cut = _cut(ev, ec, error, ne)
    rpm = s[_X + i] * s[_RPM + i]
    rpm = rpm if rpm > loop[L_IDLE] else loop[L_IDLE]
    slot = head % RING
    ring[i, slot] = 0.01 * cut
    ring_t[i, slot] = t + car[C_DEAD] + car[C_CYCLES] * 120.0 / rpm
    s[_TGT + i], s[_SLOPE + i] = _interpolate(tv, ts, 3.6 * v, nk)
    s[_VT + i] = v


@njit(inline="always")
def _deliver(s, i, low, dt, lag, a_e, ring, ring_t, tail, head):
    """Cut after dead time and lag: its mean over one step, exact for commands that arrive within it."""
    value, old = s[_CMD + i], s[_E + i]
    end = low + dt
    mean, new = value * dt, value + a_e * (old - value)
    j = tail[i]
    while j < head and ring_t[i, j % RING] < end:
        at = ring_t[i, j % RING]
        left = end - (at if at > low else low)
        change = ring[i, j % RING] - value
        mean += change * left
        new += change * (1.0 - exp(-left / lag))
        value += change
        j += 1
    tail[i] = j
    s[_CMD + i] = value
    s[_E + i] = new
    s[_EM + i] = (mean - lag * (new - old)) / dt


@njit(inline="always")
def _throttle(s, i, t, shape):
    """Share of full torque that the throttle asks for; worked out anew only while the throttle moves."""
    u = s[_U0 + i] + (s[_U1 + i] - s[_U0 + i]) * clamp01(t * s[_IRAMP + i])
    if u != s[_UL + i]:
        s[_UL + i], s[_UF + i] = u, torque_share(u, shape)


@njit(inline="always")
def _half_step(s, t, dt, car, loop, a_q):
    """Advance the half-step states and place the table look-ups; one vector loop."""
    per_slip, per_rpm = (TABLE - 1) / TABLE_MAX, 1.0 / loop[L_RPMSTEP]
    mid = t + 0.5 * dt
    c_sigma, c_kp, c_skp, stiff = dt / car[C_SIGMA], car[C_KP], car[C_SKP], car[C_STIFF]
    for i in range(LANES):
        v, w, k = s[_V + i], s[_W + i], s[_K + i]
        s[_Q + i] = s[_UF + i] + a_q * (s[_Q + i] - s[_UF + i])
        half = 0.5 * c_sigma * v
        # the relaxation's exponential by its (2, 2) Pade approximant: exact enough at any relaxation length
        more = half * half * (1.0 / 3.0)
        k = (k * (1.0 - half + more) + c_sigma * (w - v)) / (1.0 + half + more)
        s[_K + i] = k
        vh = v + 0.5 * dt * s[_A + i]
        s[_S + i] += dt * stiff * (s[_X + i] - w)
        xh = s[_X + i] + 0.5 * dt * s[_XD + i]
        s[_VH + i] = vh
        r = k / (c_kp * (1.0 - c_skp * (vh - 15.0)))
        s[_RR + i] = r
        s[_XR + i] = per_slip * sqrt(r * r + s[_RY2 + i])
        s[_H + i] = per_slip * sqrt(r * r + 1.0)
        s[_XT + i] = per_rpm * s[_RPM + i] * xh
        s[_XU + i] = per_rpm * s[_RPM + i] * vh
        edge = clamp01(mid * 100.0) * clamp01((s[_DUR + i] - mid) * 100.0)
        s[_GT + i] = 1.0 - (1.0 - s[_G + i]) * edge
        s[_LT + i] = 1.0 - (1.0 - s[_LF + i]) * edge


@njit(inline="always")
def _look_up(s, friction, torque):
    """Fetch friction and torque for each lane; a scalar loop, since fetches do not vectorise."""
    last_r, last_t = TABLE - 1.001, torque.size - 1.001
    for i in range(LANES):
        lateral = s[_H + i]
        s[_H + i] = _fetch(friction, s[_XR + i], last_r)
        s[_TQ + i] = _fetch(torque, s[_XT + i], last_t)
        s[_TU + i] = _fetch(torque, s[_XU + i], last_t)
        s[_HL + i] = _fetch(friction, lateral, last_r) if s[_LAT + i] > 0.0 else 1.0


@njit(inline="always")
def _whole_step(s, t, dt, car, a_y, a_s, a_es):
    """Forces, speeds, load transfer and the score's sums; one vector loop."""
    mass, roll, drag, fz0, cz = car[C_MASS], car[C_ROLL], car[C_DRAG], car[C_FZ0], car[C_CZ]
    mu0, smu, sload, eta = car[C_MU], car[C_SMU], car[C_SLOAD], car[C_ETA]
    kp0, skp = car[C_KP], car[C_SKP]
    b_z, per_lag = 1.0 - exp(-dt / car[C_TAUZ]), car[C_TAUS] / dt
    mid, after = t + 0.5 * dt, t + dt
    counts = 1.0 if mid > 0.0 else 0.0
    rate, damp = 2.0 * np.pi * JERK_HZ, car[C_DAMP]
    for i in range(LANES):
        vh, a_old, z = s[_VH + i], s[_A + i], s[_Z + i]
        zh = z + 0.5 * b_z * (a_old - z)
        load = (fz0 + cz * zh) * s[_LT + i]
        load = load if load > 0.05 * fz0 else 0.05 * fz0
        mu = mu0 * (1.0 - smu * (vh - 15.0)) * s[_BASE + i] * s[_GT + i]
        peak = mu * (1.0 - sload * (load / fz0 - 1.0)) * load
        fx = peak * s[_H + i] * s[_RR + i]
        x = mid * s[_ICL + i]
        x = 0.0 if x < 0.0 else (1.0 if x > 1.0 else x)
        share = 1.0 - s[_CL + i] * (1.0 - x)
        drive = s[_Q + i] * s[_FORCE + i] * share
        pulse = s[_IMP + i] * x * (1.0 - x)
        rest = roll + drag * vh * vh
        a = (fx - rest) / mass
        # the damper by the midpoint rule, solved for the twist rate: stable for any damping
        pull = drive * s[_TQ + i] * (1.0 - eta * s[_EM + i]) + pulse
        by_wheel, by_engine = 1.0 / s[_MW + i], 1.0 / s[_ME + i]
        v_old, w_old = s[_V + i], s[_W + i]
        apart = (pull - s[_S + i]) * by_engine - (s[_S + i] - fx) * by_wheel
        twist = (s[_X + i] - w_old + 0.5 * dt * apart) / (1.0 + 0.5 * dt * damp * (by_wheel + by_engine))
        shaft = s[_S + i] + damp * twist
        wd = (shaft - fx) * by_wheel
        xd = (pull - shaft) * by_engine
        s[_X + i] += dt * xd
        s[_XD + i] = xd
        v, w = v_old + dt * a, w_old + dt * wd
        s[_V + i], s[_W + i], s[_A + i] = v, w, a
        s[_Z + i] = z + b_z * (a - z)
        # the sensors' lag, exact for speeds that are linear within the step
        lag_w, lag_v = (w - w_old) * per_lag, (v - v_old) * per_lag
        s[_WM + i] = w - lag_w + a_s * (s[_WM + i] - w_old + lag_w)
        s[_VM + i] = v - lag_v + a_s * (s[_VM + i] - v_old + lag_v)
        # the share of this step inside the window
        part = (s[_VEND + i] - v_old) / (v - v_old + 1e-12)
        part = 1.0 if v < s[_VEND + i] else (0.0 if part < 0.0 else (1.0 if part > 1.0 else part))
        inside = counts * s[_ALIVE + i]
        m = inside * part * dt
        s[_SWIN + i] += m
        # drive lost against the tyre at its peak, or all of the engine
        ideal = drive * s[_TU + i]
        turning = s[_MW + i] + s[_ME + i]
        ideal = (ideal * mass + turning * rest) / (mass + turning)
        most = peak * sqrt(1.0 - s[_LAT + i] * s[_LAT + i])
        ideal = ideal if ideal < most else most
        s[_SD + i] += m * ((ideal - rest) / mass - a)
        kp = kp0 * (1.0 - skp * (vh - 15.0))
        over = (w - 0.5 * dt * wd) - vh * (1.0 + kp)
        s[_SX + i] += m * (over if over > 0.0 else 0.0)
        # Mean square of the filter's rate, from the acceleration's mean over each step. Held over the step it
        # integrates exactly; holding adds the square of its jumps over 12, averaging takes that of the rate's over 6.
        y = s[_Y + i]
        y_new = a + a_y * (y - a)
        before, behind, jump = a - y, a - y_new, a - a_old
        change = jump - (y_new - y)
        held = 0.5 * (before * before - behind * behind) / (rate * dt)
        s[_Y + i] = y_new
        s[_SJ + i] += m * rate * rate * (held + (2.0 * change * change - jump * jump) * (1.0 / 12.0))
        lost = s[_LAT + i] - s[_GT + i] * s[_HL + i]
        s[_SL + i] += m * mu0 * s[_BASE + i] * (lost if lost > 0.0 else 0.0)
        # slip error, smoothed, and its twin
        target = s[_TGT + i] + s[_SLOPE + i] * 3.6 * (v - s[_VT + i])
        floor = s[_U + i]
        base = v if v > floor else floor
        error = 100.0 * (w - v) / base - target
        es_old = s[_ES + i]
        middle = 0.5 * (error + s[_EO + i])
        s[_EO + i] = error
        es = middle + a_es * (es_old - middle)
        s[_ES + i] = es
        shot = 3.6 * (w - v) - 0.01 * target * 3.6 * base
        shot = shot if inside > 0.0 else 0.0
        # the top of a parabola through three samples, where the middle one is the highest
        one, two = s[_P1 + i], s[_P2 + i]
        bend = 2.0 * one - shot - two
        bend = bend if bend > 1e-9 else 1e-9
        # at a corner the bend is that of one triple alone: the smaller of two neighbours serves
        smooth = 2.0 * two - one - s[_P3 + i]
        smooth = smooth if smooth > 0.0 else 0.0
        smooth = smooth if smooth < bend else bend
        aside = (shot - two) / bend
        top = one + 0.125 * smooth * aside * aside
        top = top if (one >= shot) & (one >= two) & (one > 0.0) & (two > 0.0) & (shot > 0.0) else shot
        s[_P1 + i], s[_P2 + i], s[_P3 + i] = shot, one, two
        s[_SO2 + i] = top if top > s[_SO2 + i] else s[_SO2 + i]
        soft = 0.5 * (es - 1.0)
        soft = 0.0 if soft < 0.0 else (1.0 if soft > 1.0 else soft)
        s[_SRS + i] += m * 0.5 * (soft + s[_SO + i])
        rise = soft - s[_SO + i]
        rise = rise if inside > 0.0 else 0.0
        s[_SNS + i] += rise if rise > 0.0 else 0.0
        s[_SO + i] = soft
        # hard recovery and re-slips, crossing times by interpolation
        frac = (2.0 - es_old) / (es - es_old + 1e-12)
        frac = 0.0 if frac < 0.0 else (1.0 if frac > 1.0 else frac)
        cross = t + dt * frac
        above = es > 2.0
        was = s[_IN + i] > 0.5
        begun = s[_T1 + i] >= 0.0
        up = above & (not was) & (inside > 0.0)
        down = (not above) & was & (inside > 0.0)
        again = up & begun & ((cross - s[_TB + i]) >= 0.05)
        s[_SRES + i] += 1.0 if again else 0.0
        t1 = cross if up & (not begun) else s[_T1 + i]
        tb = cross if down else s[_TB + i]
        s[_T1 + i], s[_TB + i] = t1, tb
        quiet = (not above) & (t1 >= 0.0) & ((after - tb) >= 0.3) & (inside > 0.0) & (s[_SREC + i] < 0.0)
        s[_SREC + i] = tb - t1 if quiet else s[_SREC + i]
        s[_IN + i] = (1.0 if above else 0.0) if inside > 0.0 else s[_IN + i]
        s[_ALIVE + i] = s[_ALIVE + i] if v < s[_VEND + i] else s[_ALIVE + i] * (1.0 - counts)


@njit(cache=True, nogil=True)
def _finish(s, i, window, out):
    """Turn the sums of one lane into the parts of its score."""
    length = max(s[_SWIN + i], 1e-9)
    out[M_DRIVE] = 3.6 * s[_SD + i]
    out[M_EXCESS] = s[_SX + i]
    short = length < window - 1e-6
    recovery = s[_SREC + i]
    if s[_T1 + i] < 0.0:
        recovery = 0.0
    elif recovery < 0.0:
        settled = short and s[_IN + i] < 0.5 and length - s[_TB + i] >= 0.15
        recovery = s[_TB + i] - s[_T1 + i] if settled else window
    out[M_RECOVERY] = recovery
    out[M_RESLIPS] = s[_SRES + i]
    out[M_JERK] = sqrt(s[_SJ + i] / length) / 9.80665
    out[M_LATERAL] = s[_SL + i] / length
    out[M_OVER] = s[_SO2 + i]
    out[M_RSOFT] = s[_SRS + i]
    out[M_NSOFT] = max(0.0, s[_SNS + i] - 1.0)
    out[M_WINDOW] = length


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"nsz", "arcp", "contract", "reassoc", "afn"})
def run_block(first, count, n_scen, scen, gear_of, car, gears, friction, torque, loop, tv, ts, ev, ec, out):
    """Simulate one block of lanes of one draw; lane = candidate * n_scen + scenario.

    Parameters
    ----------
    first, count : int
        First lane and number of lanes (the last is repeated to fill the block).
    n_scen : int
        Scenarios N.
    scen : float64[N, N_SCENARIO]
        Scenarios.
    gear_of : int64[N]
        Row of each scenario's gear.
    car : float64[N_CAR]
        Constants of this draw.
    gears : float64[G, N_GEAR]
        Constants of its gears.
    friction : float64[TABLE]
        Normalised friction over normalised slip.
    torque : float64[Q]
        Engine torque at full throttle on a uniform speed axis [N m].
    loop : float64[N_LOOP]
        Settings of controller and engine.
    tv, ts : float64[C, K]
        Target grid's speeds [km/h] and slips [%].
    ev : float64[C, E]
        Cut grid's errors [%].
    ec : float64[C, G, E]
        Cut rows [%].
    out : float64[C, N, N_PARTS]
        Parts of the score, written for these lanes.
    """
    s = np.zeros(_ROWS)
    ring, ring_t = np.zeros((LANES, RING)), np.zeros((LANES, RING))
    tail = np.zeros(LANES, np.int64)
    dt, period = loop[L_STEP], loop[L_PERIOD]
    every = int(round(period / dt))
    pre = int(ceil(PRE_S / period - 1e-9)) * every
    steps = pre + int(round(loop[L_WINDOW] / dt))
    a_q, a_e = exp(-dt / car[C_TAUI]), exp(-dt / car[C_TAUC])
    a_s = exp(-dt / car[C_TAUS])
    a_y, a_es = exp(-dt * 2.0 * np.pi * JERK_HZ), exp(-dt / 0.0075)
    for i in range(LANES):
        lane = first + min(i, count - 1)
        n = lane % n_scen
        _start(s, i, scen[n], car, gears[gear_of[n]], loop, friction, torque)
        s[_U + i] = loop[L_MINSPEED] / 3.6
    head = 0
    for step in range(steps):
        t = (step - pre) * dt
        if step % every == 0:
            for i in range(LANES):
                lane = first + min(i, count - 1)
                c, g = lane // n_scen, gear_of[lane % n_scen]
                _tick(s, i, t, car, loop, tv[c], ts[c], tv.shape[1], ev[c], ec[c, g], ev.shape[1],
                      ring, ring_t, head)  # fmt: skip
            head += 1
            if step == 0:
                for i in range(LANES):
                    base = max(s[_V + i], s[_U + i])
                    s[_ES + i] = 100.0 * (s[_W + i] - s[_V + i]) / base - s[_TGT + i]
                    s[_EO + i] = s[_ES + i]
        for i in range(LANES):
            _deliver(s, i, t, dt, car[C_TAUC], a_e, ring, ring_t, tail, head)
            _throttle(s, i, t, car[C_SHAPE])
        _half_step(s, t, dt, car, loop, a_q)
        _look_up(s, friction, torque)
        _whole_step(s, t, dt, car, a_y, a_s, a_es)
    for i in range(min(count, LANES)):
        lane = first + i
        _finish(s, i, loop[L_WINDOW], out[lane // n_scen, lane % n_scen])


@njit(cache=True, parallel=True, nogil=True)
def run(scen, gear_of, car, gears, friction, torque, loop, tv, ts, ev, ec):
    """Simulate every candidate in every scenario on every draw.

    Parameters
    ----------
    scen, gear_of, loop, tv, ts, ev, ec
        As in `run_block`.
    car : float64[D, N_CAR]
        Constants per draw.
    gears : float64[D, G, N_GEAR]
        Gears' constants per draw.
    friction, torque : float64[D, TABLE], float64[D, Q]
        Tables of friction and torque per draw.

    Returns
    -------
    float64[D, C, N, N_PARTS]
        Parts of the score.
    """
    n_draws, n_cand, n_scen = car.shape[0], tv.shape[0], scen.shape[0]
    out = np.zeros((n_draws, n_cand, n_scen, N_PARTS))
    lanes = n_cand * n_scen
    per_draw = (lanes + LANES - 1) // LANES
    for b in prange(n_draws * per_draw):
        d = b // per_draw
        first = (b % per_draw) * LANES
        run_block(first, min(LANES, lanes - first), n_scen, scen, gear_of, car[d], gears[d], friction[d],
                  torque[d], loop, tv, ts, ev, ec, out[d])  # fmt: skip
    return out
