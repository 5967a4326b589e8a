"""The compiled time loop: plain float arrays in, score parts out; imports nothing of ours but how it is compiled.

Lanes of 16 episodes advance together in one flat array with a compile-time row length, so that the compiler
can use vector instructions. A leapfrog scheme holds slip, twist and intake at half steps; speeds, load transfer,
cut and sensors at whole steps: one tyre fetch and one torque fetch a step, second order in the step. The delayed
cut is a staircase whose lag is solved exactly, since an error in its timing is the loop's largest.

Symbols (units) and equations
-----------------------------
v vehicle speed, w driven wheels' peripheral speed, x the engine's over the overall ratio (m/s); F force of
the half shafts, S its elastic part (N), K stiffness (N/m), D damping (N s/m); k relaxed slip ratio on v (1);
q intake state, u throttle, f(u) its share of full torque, p its shape, b how it grows
at low engine speed (1); e cut after dead time and lag (1);
z lagged acceleration (m/s2); Fz load of the driven axle (N).

(1) M_e dx/dt = q T(n) c_f (1 - eta e) C(t) + P(t) - F,   n = c_n x,   M_w dw/dt = F - Fx,
    F = S + D (x - w),   dS/dt = K (x - w)
(2) m dv/dt = Fx - F_roll - c_d v^2
(3) sigma dk/dt = w - v - k v
(4) Fx = mu_p(v) g(t) (1 - s (Fz/Fz0 - 1)) h(rho) r Fz      r = k/k_p(v), rho = sqrt(r^2 + r_y^2)
(5) Fz = (Fz0 + c_z z) l(t),  dz/dt = (a - z)/tau_z
(6) dq/dt = (f(u) - q)/tau_i, f(u) = 1 - (1 - u)^p,  de/dt = (cut(t - dead) - e)/tau_c,
    p = p_h (n_h/n_0)^b, n_0 the engine speed at the start, n_h half of the limit
    dw_m/dt = (w - w_m)/tau_s, v_m alike
(7) the controller of the trade's loop: slip on undriven speed, target grid, error, cut grid, gates

T engine torque at full throttle (N m); h normalised friction over normalised slip (a table); C clutch share,
P clutch impulse; g, l grip and load factors of the patch; r_y the part of the slip used by cornering.
"""

from math import exp, sqrt

import numpy as np

from gridfit.simulate.singlewidth import njit

FLOAT = np.float32
"""Type of the loop's numbers: a register holds twice as many as of float64, and the parts of the score are the same
within 2e-5 for 95 of 100, far below what the step costs. Given float64 it runs in float64, as tests do."""

_FAST = {"nsz", "arcp", "contract", "reassoc", "afn"}
_inlined = njit(
    forceinline=True, error_model="numpy", fastmath=_FAST, no_cpython_wrapper=True, no_cfunc_wrapper=True
)
"""Part of the block's loop: laid flat into it by LLVM, since a call in the loop stops vectorisation."""

LANES = 16
TABLE = 4096
"""Points of the friction table per draw."""
TABLE_MAX = 16.0
"""Normalised slip at the table's end [1]; held beyond."""
PER_SLIP = (TABLE - 1) / TABLE_MAX
"""Points of the table per normalised slip."""
TOP = TABLE - 1.001
"""Place in the table from which on it is held."""
RING = 32
"""Commands that can be under way in one lane."""
UNROLL = 3
"""Segments of a curve that one pass of the controller's look-up takes."""
JERK_HZ = 15.0
"""Corner of the low-pass ahead of the jerk [Hz]."""
SWING_HZ = 5.0
"""Corner of the high-pass ahead of the cut's swing [Hz]."""
TAU = 6.283185307179586
PRE_S = 0.25
"""Time simulated ahead of the disturbance [s]."""

# columns of the car's constants, one row per draw
(
    C_MASS, C_DRAG, C_ROLL, C_FZ0, C_CZ, C_TAUZ, C_MU, C_KP, C_SMU, C_SKP, C_SLOAD, C_SIGMA, C_ETA,
    C_TAUI, C_TAUC, C_DEAD, C_CYCLES, C_TAUS, C_FACTOR, C_SHAPE, C_STIFF, C_DAMP, C_EARLY, C_HALF, N_CAR,
) = range(25)  # fmt: skip
# columns of a gear's constants, per draw
G_RPM, G_FORCE, G_INERTIA, G_ENGINE, N_GEAR = range(5)
# columns of a scenario
(
    S_V0, S_U0, S_U1, S_RAMP, S_PATCH, S_GRIP, S_LOAD, S_LATERAL, S_BASE, S_CLUTCH, S_OVERSPEED, N_SCENARIO,
) = range(12)  # fmt: skip
# columns of the controller's and engine's settings
(
    L_STEP, L_MINSPEED, L_GATE, L_LIMIT, L_IDLE, L_RPMSTEP, L_TOP, L_WINDOW, L_EVERY, L_BEFORE, L_AFTER, N_LOOP,
) = range(12)  # fmt: skip
# columns of the result, in the order of gridfit.recovery.PARTS
M_DRIVE, M_EXCESS, M_RECOVERY, M_RESLIPS, M_JERK, M_LATERAL, M_OVER, M_RSOFT, M_NSOFT, M_WINDOW, M_SWING, N_PARTS = (
    range(12)
)  # fmt: skip

# rows of the lanes' flat array: states, then per-lane constants, then values in transit, then sums
(
    _V, _W, _Z, _K, _Q, _E, _WM, _VM, _A, _ES, _EO, _SO, _ALIVE, _TB, _T1, _IN, _Y, _X, _XD, _S, _ME,
    _RPM, _FORCE, _MW, _VEND, _U0, _U1, _IRAMP, _DUR, _G, _LF, _LAT, _RY2, _BASE, _ICL, _IMP, _CL, _CMD,
    _XR, _XT, _H, _TQ, _TU, _HL, _TGT, _SLOPE, _VT, _RR, _VH, _GT, _LT, _U, _SD, _SX, _SREC, _SRES,
    _SJ, _SL, _SO2, _SRS, _SNS, _SWIN, _UF, _UL, _P1, _P2, _EM, _P3, _E0, _NEXT, _IMW, _IME, _ITW, _WET, _OWN,
    _CLAT, _TUS, _VU, _SLIP, _P4, _ESO, _INS, _SH, _PU, _SLOW, _SSW, _SHAPE, _ROWS,
) = (i * LANES for i in range(88))  # fmt: skip


@_inlined
def clamp01(x):
    """Limit to 0..1."""
    return 0.0 if x < 0.0 else (1.0 if x > 1.0 else x)


@njit(cache=True, forceinline=True, error_model="numpy", fastmath=_FAST)
def torque_share(u, shape):
    """Share of full-throttle torque at a throttle: 1 - (1 - u)^shape; 1 is linear."""
    if u >= 1.0:
        return 1.0
    return 1.0 - (1.0 - u) ** shape


@njit(cache=True, forceinline=True, error_model="numpy", fastmath=_FAST)
def throttle_shape(car, rpm):
    """Exponent of `torque_share` at an engine speed: a slower engine has its air from less throttle.

    It grows no more below a tenth of the limit. Its `py_func` takes arrays, the car's columns on their first axis.
    """
    return car[C_SHAPE] * (car[C_HALF] / np.maximum(rpm, 0.2 * car[C_HALF])) ** car[C_EARLY]


@_inlined
def _fetch(table, x, last):
    """Linear look-up on a uniform table, held at its end."""
    x = x if x < last else last
    x = x if x > 0.0 else 0.0
    low = np.floor(x)
    j = int(low)
    return table[j] + (x - low) * (table[j + 1] - table[j])


@_inlined
def _rising_slip(table, wanted):
    """Normalised slip on the rising side at which the normalised friction has the wanted value."""
    low, high = 0.0, 1.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        if _fetch(table, middle * PER_SLIP, TOP) * middle < wanted:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@_inlined
def _start(s, i, scen, car, gear, loop, friction, torque):
    """Set one lane to the quiet state ahead of the disturbance."""
    s[_RPM + i], s[_FORCE + i] = gear[G_RPM], gear[G_FORCE]
    s[_ME + i], s[_MW + i] = gear[G_ENGINE], gear[G_INERTIA] - gear[G_ENGINE]
    s[_IME + i], s[_IMW + i] = 1.0 / s[_ME + i], 1.0 / s[_MW + i]
    s[_ITW + i] = 1.0 / (1.0 + 0.5 * loop[L_STEP] * car[C_DAMP] * (s[_IMW + i] + s[_IME + i]))
    total = car[C_MASS] + gear[G_INERTIA]
    s[_WET + i], s[_OWN + i] = car[C_MASS] / total, gear[G_INERTIA] / total
    s[_CLAT + i] = sqrt(1.0 - scen[S_LATERAL] * scen[S_LATERAL])
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
    s[_SHAPE + i] = throttle_shape(car, v * gear[G_RPM])
    q = torque_share(scen[S_U0], s[_SHAPE + i])
    s[_Q + i] = q
    s[_UF + i], s[_UL + i] = q, scen[S_U0]
    drive = 0.0
    if not closing:
        drive = q * gear[G_FORCE] * _fetch(torque, v * gear[G_RPM] / loop[L_RPMSTEP], loop[L_TOP])
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
    s[_NEXT + i], s[_HL + i], s[_GT + i], s[_LT + i], s[_SH + i] = 1e9, 1.0, 1.0, 1.0, 1.0 - s[_CL + i]


@_inlined
def _lay(xs, ys, n, curve, i):
    """Lay one lane's curve out for `_look_along`: first value, then each segment's begin, width and slope."""
    curve[i] = ys[0]
    for j in range(_padded(n)):
        at = (1 + 3 * j) * LANES + i
        inside = j < n - 1
        begin, width = (xs[j], xs[j + 1] - xs[j]) if inside else (0.0, 1.0)
        curve[at], curve[at + LANES] = begin, width
        curve[at + 2 * LANES] = (ys[j + 1] - ys[j]) / width if inside else 0.0


@_inlined
def _padded(n):
    """Segments of a curve of n breakpoints, whole passes of `_look_along`."""
    return (n - 1 + UNROLL - 1) // UNROLL * UNROLL


@_inlined
def _ramp(x, curve, at, value, slope):
    """Add one segment: the part of x inside it at its slope."""
    width, rise = curve[at + LANES], curve[at + 2 * LANES]
    along = x - curve[at]
    slope = rise if (along > 0.0) & (along < width) else slope
    along = along if along < width else width
    along = along if along > 0.0 else 0.0
    return value + rise * along, slope


@_inlined
def _look_along(s, at, out, out_slope, curve, n):
    """Look a value of every lane up on its own curve, held at both ends: a sum of ramps, so without branches."""
    for i in range(LANES):
        s[out + i] = curve[i]
        s[out_slope + i] = 0.0
    row = LANES
    for _ in range(_padded(n) // UNROLL):
        for i in range(LANES):
            x, value, slope = s[at + i], s[out + i], s[out_slope + i]
            value, slope = _ramp(x, curve, row + i, value, slope)
            value, slope = _ramp(x, curve, row + 3 * LANES + i, value, slope)
            value, slope = _ramp(x, curve, row + 6 * LANES + i, value, slope)
            s[out + i], s[out_slope + i] = value, slope
        row += 3 * UNROLL * LANES


@_inlined
def _tick(s, t, car, loop, torque, target, nk, rows, ne, ring, ring_t, head, tail):
    """One controller cycle: measure, look up, send."""
    for i in range(LANES):
        s[_VU + i] = 3.6 * s[_VM + i]
        s[_VT + i] = 3.6 * s[_V + i]
    _look_along(s, _VU, _TGT, _SLOPE, target, nk)
    least, factor = loop[L_MINSPEED], car[C_FACTOR]
    for i in range(LANES):
        vu = s[_VU + i]
        vd = 3.6 * s[_WM + i] * factor
        base = vu if vu > least else least
        s[_SLIP + i] = 100.0 * (vd - vu) / base - s[_TGT + i]
    _look_along(s, _SLIP, _TU, _TUS, rows, ne)
    slot = (head % RING) * LANES
    for i in range(LANES):
        u = s[_U0 + i] + (s[_U1 + i] - s[_U0 + i]) * clamp01(t * s[_IRAMP + i])
        on = (u > loop[L_GATE]) & (s[_VU + i] > least) & (s[_SLIP + i] >= rows[LANES + i])
        ring[slot + i] = 0.01 * s[_TU + i] if on else 0.0
        rpm = s[_X + i] * s[_RPM + i]
        rpm = rpm if rpm > loop[L_IDLE] else loop[L_IDLE]
        due = t + car[C_DEAD] + car[C_CYCLES] * 120.0 / rpm
        ring_t[slot + i] = due
        s[_NEXT + i] = due if tail[i] == head else s[_NEXT + i]
    _look_along(s, _VT, _TGT, _SLOPE, target, nk)
    for i in range(LANES):
        v = s[_V + i]
        s[_VT + i] = v
        # torque at the vehicle's speed changes so slowly that its tangent serves until the next cycle
        per_speed = s[_RPM + i] / loop[L_RPMSTEP]
        at = v * per_speed
        at = at if at < loop[L_TOP] else loop[L_TOP]
        at = at if at > 0.0 else 0.0
        low = np.floor(at)
        j = int(low)
        s[_TUS + i] = (torque[j + 1] - torque[j]) * per_speed
        s[_TU + i] = torque[j] + (at - low) * (torque[j + 1] - torque[j])


@_inlined
def _deliver(s, i, low, dt, lag, a_e, ring, ring_t, tail, head):
    """Cut after dead time and lag: its mean over one step, exact for commands that arrive within it."""
    value, old = s[_CMD + i], s[_E0 + i]
    end = low + dt
    mean, new = value * dt, value + a_e * (old - value)
    j = tail[i]
    while j < head and ring_t[(j % RING) * LANES + i] < end:
        at = ring_t[(j % RING) * LANES + i]
        left = end - (at if at > low else low)
        change = ring[(j % RING) * LANES + i] - value
        mean += change * left
        new += change * (1.0 - exp(-left / lag))
        value += change
        j += 1
    tail[i] = j
    s[_NEXT + i] = ring_t[(j % RING) * LANES + i] if j < head else 1e9
    s[_CMD + i] = value
    s[_E + i] = new
    s[_EM + i] = (mean - lag * (new - old)) / dt


@_inlined
def _throttle(s, i, t):
    """Share of full torque that the throttle asks for; worked out anew only while the throttle moves."""
    u = s[_U0 + i] + (s[_U1 + i] - s[_U0 + i]) * clamp01(t * s[_IRAMP + i])
    if u != s[_UL + i]:
        s[_UL + i], s[_UF + i] = u, torque_share(u, s[_SHAPE + i])


@_inlined
def _surroundings(s, mid):
    """Patch and clutch at the middle of a step; only called while one of them changes."""
    for i in range(LANES):
        edge = clamp01(mid * 100.0) * clamp01((s[_DUR + i] - mid) * 100.0)
        s[_GT + i] = 1.0 - (1.0 - s[_G + i]) * edge
        s[_LT + i] = 1.0 - (1.0 - s[_LF + i]) * edge
        x = clamp01(mid * s[_ICL + i])
        s[_SH + i] = 1.0 - s[_CL + i] * (1.0 - x)
        s[_PU + i] = s[_IMP + i] * x * (1.0 - x)


@_inlined
def _half_step(s, dt, car, loop, a_q, a_e):
    """Advance the half-step states and place the table look-ups; one vector loop."""
    per_rpm = 1.0 / loop[L_RPMSTEP]
    c_sigma, c_kp, c_skp, stiff = dt / car[C_SIGMA], car[C_KP], car[C_SKP], car[C_STIFF]
    lag_share = car[C_TAUC] / dt
    for i in range(LANES):
        v, w, k = s[_V + i], s[_W + i], s[_K + i]
        s[_Q + i] = s[_UF + i] + a_q * (s[_Q + i] - s[_UF + i])
        # the cut while no command arrives; `_deliver` does the step anew where one does
        value, e = s[_CMD + i], s[_E + i]
        new = value + a_e * (e - value)
        s[_E0 + i], s[_E + i] = e, new
        s[_EM + i] = value - lag_share * (new - e)
        half = 0.5 * c_sigma * v
        vh = v + 0.5 * dt * s[_A + i]
        # the relaxation's exponential by its (2, 2) Pade approximant: exact enough at any relaxation length
        more = half * half * (1.0 / 3.0)
        kp = c_kp * (1.0 - c_skp * (vh - 15.0))
        # one division for two, since divisions are what this loop waits for
        below = 1.0 + half + more
        inverse = 1.0 / (below * kp)
        k = (k * (1.0 - half + more) + c_sigma * (w - v)) * (inverse * kp)
        s[_K + i] = k
        s[_S + i] += dt * stiff * (s[_X + i] - w)
        xh = s[_X + i] + 0.5 * dt * s[_XD + i]
        s[_VH + i] = vh
        r = k * (inverse * below)
        s[_RR + i] = r
        s[_XR + i] = PER_SLIP * sqrt(r * r + s[_RY2 + i])
        s[_XT + i] = per_rpm * s[_RPM + i] * xh


@_inlined
def _look_up(s, t, dt, lag, a_e, friction, torque, top, cornering, ring, ring_t, tail, head):
    """Fetch friction and torque and take in arriving commands; scalar loops, since fetches do not vectorise."""
    for i in range(LANES):
        s[_H + i] = _fetch(friction, s[_XR + i], TOP)
        s[_TQ + i] = _fetch(torque, s[_XT + i], top)
        if s[_NEXT + i] < t + dt:
            _deliver(s, i, t, dt, lag, a_e, ring, ring_t, tail, head)
    if cornering > 0.0:
        for i in range(LANES):
            if s[_LAT + i] > 0.0:
                r = s[_RR + i]
                s[_HL + i] = _fetch(friction, PER_SLIP * sqrt(r * r + 1.0), TOP)


@_inlined
def _whole_step(s, t, dt, car, a_y, a_s, a_es, a_slow):
    """Forces, speeds, load transfer and the score's sums; one vector loop."""
    mass, roll, drag, fz0, cz = car[C_MASS], car[C_ROLL], car[C_DRAG], car[C_FZ0], car[C_CZ]
    mu0, smu, sload, eta = car[C_MU], car[C_SMU], car[C_SLOAD], car[C_ETA]
    kp0, skp = car[C_KP], car[C_SKP]
    b_z, per_lag = 1.0 - exp(-dt / car[C_TAUZ]), car[C_TAUS] / dt
    mid, events = t + 0.5 * dt, 0.0
    counts = 1.0 if mid > 0.0 else 0.0
    rate, damp = TAU * JERK_HZ, car[C_DAMP]
    per_mass, per_fz0, per_window = 1.0 / mass, 1.0 / fz0, 0.5 / (TAU * JERK_HZ * dt)
    for i in range(LANES):
        vh, a_old, z = s[_VH + i], s[_A + i], s[_Z + i]
        zh = z + 0.5 * b_z * (a_old - z)
        load = (fz0 + cz * zh) * s[_LT + i]
        load = load if load > 0.05 * fz0 else 0.05 * fz0
        mu = mu0 * (1.0 - smu * (vh - 15.0)) * s[_BASE + i] * s[_GT + i]
        peak = mu * (1.0 - sload * (load * per_fz0 - 1.0)) * load
        fx = peak * s[_H + i] * s[_RR + i]
        drive = s[_Q + i] * s[_FORCE + i] * s[_SH + i]
        rest = roll + drag * vh * vh
        a = (fx - rest) * per_mass
        # the damper by the midpoint rule, solved for the twist rate: stable for any damping
        pull = drive * s[_TQ + i] * (1.0 - eta * s[_EM + i]) + s[_PU + i]
        by_wheel, by_engine = s[_IMW + i], s[_IME + i]
        v_old, w_old = s[_V + i], s[_W + i]
        apart = (pull - s[_S + i]) * by_engine - (s[_S + i] - fx) * by_wheel
        twist = (s[_X + i] - w_old + 0.5 * dt * apart) * s[_ITW + i]
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
        # slip error, smoothed by its lag
        target = s[_TGT + i] + s[_SLOPE + i] * 3.6 * (v - s[_VT + i])
        floor = s[_U + i]
        base = v if v > floor else floor
        gain = v - v_old
        gain = gain if gain > 1e-12 else 1e-12
        # one division for two
        inverse = 1.0 / (base * gain)
        # the share of this step inside the window
        part = (s[_VEND + i] - v_old) * (inverse * base)
        part = 1.0 if v < s[_VEND + i] else (0.0 if part < 0.0 else (1.0 if part > 1.0 else part))
        error = 100.0 * (w - v) * (inverse * gain) - target
        inside = counts * s[_ALIVE + i]
        m = inside * part * dt
        s[_SWIN + i] += m
        # drive lost against the tyre at its peak, or all of the engine
        ideal = drive * (s[_TU + i] + s[_TUS + i] * (vh - s[_VT + i]))
        ideal = ideal * s[_WET + i] + s[_OWN + i] * rest
        most = peak * s[_CLAT + i]
        ideal = ideal if ideal < most else most
        s[_SD + i] += m * ((ideal - rest) * per_mass - a)
        kp = kp0 * (1.0 - skp * (vh - 15.0))
        over = (w - 0.5 * dt * wd) - vh * (1.0 + kp)
        s[_SX + i] += m * (over if over > 0.0 else 0.0)
        # Mean square of the filter's rate, from the acceleration's mean over each step. Held over the step it
        # integrates exactly; holding adds the square of its jumps over 12, averaging takes that of the rate's over 6.
        y = s[_Y + i]
        y_new = a + a_y * (y - a)
        before, behind, jump = a - y, a - y_new, a - a_old
        change = jump - (y_new - y)
        held = per_window * (before * before - behind * behind)
        s[_Y + i] = y_new
        s[_SJ + i] += m * rate * rate * (held + (2.0 * change * change - jump * jump) * (1.0 / 12.0))
        # what of the cut is faster than the corner, at the middle of the step
        e, slow = s[_EM + i], s[_SLOW + i]
        slow_new = e + a_slow * (slow - e)
        s[_SLOW + i] = slow_new
        fast = e - 0.5 * (slow + slow_new)
        s[_SSW + i] += m * fast * fast
        lost = s[_LAT + i] - s[_GT + i] * s[_HL + i]
        s[_SL + i] += m * mu0 * s[_BASE + i] * (lost if lost > 0.0 else 0.0)
        es_old = s[_ES + i]
        middle = 0.5 * (error + s[_EO + i])
        s[_EO + i] = error
        es = middle + a_es * (es_old - middle)
        s[_ES + i] = es
        shot = 3.6 * (w - v) - 0.01 * target * 3.6 * base
        shot = shot if inside > 0.0 else 0.0
        one, two = s[_P1 + i], s[_P2 + i]
        s[_P4 + i], s[_P3 + i], s[_P2 + i], s[_P1 + i] = s[_P3 + i], two, one, shot
        s[_SO2 + i] = shot if shot > s[_SO2 + i] else s[_SO2 + i]
        peaked = (one >= shot) & (one >= two) & (two > 0.0) & (shot > 0.0)
        soft = 0.5 * (es - 1.0)
        soft = 0.0 if soft < 0.0 else (1.0 if soft > 1.0 else soft)
        s[_SRS + i] += m * 0.5 * (soft + s[_SO + i])
        rise = soft - s[_SO + i]
        rise = rise if inside > 0.0 else 0.0
        s[_SNS + i] += rise if rise > 0.0 else 0.0
        s[_SO + i] = soft
        s[_ESO + i], s[_INS + i] = es_old, inside
        crossed = ((es > 2.0) != (s[_IN + i] > 0.5)) & (inside > 0.0)
        events += 1.0 if peaked | crossed else 0.0
        s[_ALIVE + i] = s[_ALIVE + i] if v < s[_VEND + i] else s[_ALIVE + i] * (1.0 - counts)
    if events > 0.0:
        for i in range(LANES):
            _overshoot_top(s, i)
            _cross(s, i, t, dt)


@_inlined
def _overshoot_top(s, i):
    """Largest overshoot between samples: the top of a parabola through three, where the middle one is the highest."""
    shot, one, two = s[_P1 + i], s[_P2 + i], s[_P3 + i]
    if one >= shot and one >= two and two > 0.0 and shot > 0.0:
        bend = max(2.0 * one - shot - two, 1e-9)
        # at a corner the bend is that of one triple alone: the smaller of two neighbours serves
        smooth = min(max(2.0 * two - one - s[_P4 + i], 0.0), bend)
        aside = (shot - two) / bend
        s[_SO2 + i] = max(s[_SO2 + i], one + 0.125 * smooth * aside * aside)


@_inlined
def _cross(s, i, t, dt):
    """Recovery and re-slips where the smoothed error crosses the band, the moment by interpolation."""
    above, was = s[_ES + i] > 2.0, s[_IN + i] > 0.5
    if s[_INS + i] <= 0.0 or above == was:
        return
    s[_IN + i] = 1.0 if above else 0.0
    change = s[_ES + i] - s[_ESO + i]
    at = t + dt * (clamp01((2.0 - s[_ESO + i]) / change) if change != 0.0 else 0.0)
    if not above:
        s[_TB + i] = at
    elif s[_T1 + i] < 0.0:
        s[_T1 + i] = at
    else:
        below = at - s[_TB + i]
        if below >= 0.05:
            s[_SRES + i] += 1.0
        if below >= 0.3 and s[_SREC + i] < 0.0:
            s[_SREC + i] = s[_TB + i] - s[_T1 + i]


@_inlined
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
        settled = s[_IN + i] < 0.5 and length - s[_TB + i] >= (0.15 if short else 0.3)
        recovery = s[_TB + i] - s[_T1 + i] if settled else window
    out[M_RECOVERY] = recovery
    out[M_RESLIPS] = s[_SRES + i]
    out[M_JERK] = sqrt(s[_SJ + i] / length) / 9.80665
    out[M_LATERAL] = s[_SL + i] / length
    out[M_OVER] = s[_SO2 + i]
    out[M_RSOFT] = s[_SRS + i]
    out[M_NSOFT] = max(0.0, s[_SNS + i] - 1.0)
    out[M_WINDOW] = length
    out[M_SWING] = 100.0 * sqrt(s[_SSW + i] / length)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=_FAST)
def run_blocks(
    begin, end, blocks, plays, scen, gear_of, cars, gears_of, frictions, torques, loop, tv, ts, ev, ec, outs, course
):  # fmt: skip
    """Simulate some blocks of lanes; lane = play * C + candidate, and all lanes of a block have one draw.

    Lanes of one play lie together, so that a block ends as soon as its windows have ended. One function, because
    the compiler would do the loop twice if a second compiled function called it.

    Numbers are `FLOAT`, or all of them float64.

    Parameters
    ----------
    begin, end : int
        First block, and the one after the last.
    blocks : int64[B, 2]
        First lane of each block, and lanes in it, at most LANES; what is left is filled up with the last one.
    plays : int64[P, 2]
        Draw and scenario of every play.
    scen : float[N, N_SCENARIO]
        Scenarios.
    gear_of : int64[N]
        Row of each scenario's gear.
    cars : float[D, N_CAR]
        Constants of each draw.
    gears_of : float[D, G, N_GEAR]
        Constants of its gears.
    frictions : float[D, TABLE]
        Normalised friction over normalised slip.
    torques : float[D, Q]
        Engine torque at full throttle on a uniform speed axis [N m].
    loop : float[N_LOOP]
        Settings of controller and engine.
    tv, ts : float[C, K]
        Target grid's speeds [km/h] and slips [%].
    ev : float[C, E]
        Cut grid's errors [%].
    ec : float[C, G, E]
        Cut rows [%].
    outs : float[P, C, N_PARTS]
        Parts of the score, written for these blocks.
    course : float[L, T, 4]
        Written, where it has room for the lanes: vehicle and driven speed [m/s], cut [1] and target [%] after each
        step, until all windows have ended.
    """
    width = loop.dtype
    s, tail = np.empty(_ROWS, width), np.empty(LANES, np.int64)
    ring, ring_t = np.empty(LANES * RING, width), np.empty(LANES * RING, width)
    n_cand, nk, ne = tv.shape[0], tv.shape[1], ev.shape[1]
    target, rows = (
        np.empty((3 * _padded(nk) + 1) * LANES, width),
        np.empty((3 * _padded(ne) + 1) * LANES, width),
    )
    dt, every, pre = loop[L_STEP], int(loop[L_EVERY]), int(loop[L_BEFORE])
    steps = pre + int(loop[L_AFTER])
    a_y, a_es = exp(-dt * TAU * JERK_HZ), exp(-dt / 0.0075)
    a_slow = exp(-dt * TAU * SWING_HZ)
    for block in range(begin, end):
        first, count = blocks[block, 0], blocks[block, 1]
        draw = plays[first // n_cand, 0]
        car, gears, friction, torque = cars[draw], gears_of[draw], frictions[draw], torques[draw]
        s[:] = 0.0
        tail[:] = 0
        a_q, a_e = exp(-dt / car[C_TAUI]), exp(-dt / car[C_TAUC])
        a_s = exp(-dt / car[C_TAUS])
        moved, changing, cornering = 1e-3, 0.0, 0.0
        for i in range(LANES):
            lane = first + min(i, count - 1)
            n = plays[lane // n_cand, 1]
            _start(s, i, scen[n], car, gears[gear_of[n]], loop, friction, torque)
            s[_U + i] = loop[L_MINSPEED] / 3.6
            moved = max(moved, scen[n, S_RAMP])
            changing = max(changing, max(scen[n, S_PATCH], scen[n, S_CLUTCH]))
            cornering = max(cornering, scen[n, S_LATERAL])
            c = lane % n_cand
            _lay(tv[c], ts[c], nk, target, i)
            _lay(ev[c], ec[c, gear_of[n]], ne, rows, i)
        past = -loop[L_BEFORE]
        for step in range(steps):
            # `past` is not `step - pre`, which is a whole number; nor counted up from 0: a constant at first, it would
            # have all that takes it compiled twice
            t, head = past * dt, step // every
            past += 1.0
            if step % every == 0:
                if step > pre:
                    alive = 0.0
                    for i in range(LANES):
                        alive += s[_ALIVE + i]
                    if alive == 0.0:
                        break
                _tick(s, t, car, loop, torque, target, nk, rows, ne, ring, ring_t, head, tail)
                if step == 0:
                    for i in range(LANES):
                        base = max(s[_V + i], s[_U + i])
                        s[_ES + i] = 100.0 * (s[_W + i] - s[_V + i]) / base - s[_TGT + i]
                        s[_EO + i] = s[_ES + i]
            if step >= pre and t <= moved + dt:
                for i in range(LANES):
                    _throttle(s, i, t)
            if step >= pre and t <= changing + dt:
                _surroundings(s, t + 0.5 * dt)
            _half_step(s, dt, car, loop, a_q, a_e)
            _look_up(
                s, t, dt, car[C_TAUC], a_e, friction, torque, loop[L_TOP], cornering, ring, ring_t, tail, head + 1
            )  # fmt: skip
            _whole_step(s, t, dt, car, a_y, a_s, a_es, a_slow)
            for i in range(course.shape[0]):
                course[i, step, 0], course[i, step, 1], course[i, step, 2] = s[_V + i], s[_W + i], s[_E + i]
                course[i, step, 3] = s[_TGT + i] + s[_SLOPE + i] * 3.6 * (s[_V + i] - s[_VT + i])
        for i in range(count):
            lane = first + i
            _finish(s, i, loop[L_WINDOW], outs[lane // n_cand, lane % n_cand])
