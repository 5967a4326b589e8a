"""The kernel's equations written a second time for scipy's solve_ivp: the kernel's judge, and traces to draw.

Integration stops and starts again at every controller cycle, at every moment a command takes effect and at
every corner of throttle, patch and clutch, so that no step crosses a corner. Symbols as in
`gridfit.simulate.kernel`; slow on purpose (about a second per episode).
"""

from math import ceil, pi, sqrt

import numpy as np
from scipy.integrate import solve_ivp

from gridfit.carsheet import CarSheet
from gridfit.grids import GridPair
from gridfit.recovery import PARTS, WINDOW_S, recovery_by_crossings
from gridfit.simulate import kernel as k
from gridfit.simulate.packing import TORQUE_POINTS, Rows, pack
from gridfit.simulate.parameters import Floats, Plant
from gridfit.simulate.scenarios import Scenarios
from gridfit.simulate.timehistory import Trace

FINE_S = 0.0002
"""Spacing of the solution on which crossings and maxima are read [s]."""
STATES = (
    "v",
    "w",
    "k",
    "q",
    "e",
    "z",
    "wm",
    "vm",
    "y",
    "es",
    "drive",
    "excess",
    "jerk",
    "lateral",
    "soft",
    "x",
    "s",
    "slow",
    "swing",
)
V, W, K, Q, E, Z, WM, VM, Y, ES, DRIVE, EXCESS, JERK, LATERAL, SOFT, X, S, SLOW, SWING = range(len(STATES))


class _Episode:
    """Right-hand side of one episode, and the controller beside it."""

    def __init__(
        self, sheet: CarSheet, pair: GridPair, row: Floats, gear: int, rows: Rows, draw: int
    ) -> None:
        self.sheet, self.pair, self.row, self.gear = sheet, pair, row, gear
        self.car, self.ratio = rows.car[draw], rows.gears[draw, min(gear, rows.gears.shape[1]) - 1]
        self.friction, self.torque, self.rpm_step = rows.friction[draw], rows.torque[draw], rows.rpm_step
        self.rho = np.linspace(0.0, k.TABLE_MAX, k.TABLE)
        self.rpm = np.arange(TORQUE_POINTS) * rows.rpm_step
        self.lateral_slip = self._rising(row[k.S_LATERAL])
        self.floor_mps = sheet.controller.min_speed_kmh / 3.6
        self.shape = k.throttle_shape(self.car, row[k.S_V0] * self.ratio[k.G_RPM])
        self.command = 0.0
        self.counting = False

    def _rising(self, share: float) -> float:
        """Normalised slip on the rising side that gives this share of the peak."""
        if share <= 0.0:
            return 0.0
        rising = self.rho <= 1.0
        return float(np.interp(share, (self.friction * self.rho)[rising], self.rho[rising]))

    def throttle(self, t: float) -> float:
        """Throttle at a time [1]."""
        r = self.row
        return float(r[k.S_U0] + (r[k.S_U1] - r[k.S_U0]) * min(max(t / max(r[k.S_RAMP], 1e-3), 0.0), 1.0))

    def share(self, t: float) -> float:
        """Share of full torque that the throttle asks for [1]."""
        return float(1.0 - (1.0 - min(self.throttle(t), 1.0)) ** self.shape)

    def patch(self, t: float, factor: float) -> float:
        """Grip or load factor of the patch at a time [1]; its edges are 10 ms long."""
        edge = min(max(t / 0.01, 0.0), 1.0) * min(max((self.row[k.S_PATCH] - t) / 0.01, 0.0), 1.0)
        return float(1.0 - (1.0 - factor) * edge)

    def clutch(self, t: float) -> tuple[float, float]:
        """Share of engine torque that the clutch passes [1], and its impulse force [N]."""
        r = self.row
        if r[k.S_CLUTCH] <= 0.0:
            return 1.0, 0.0
        x = min(max(t / r[k.S_CLUTCH], 0.0), 1.0)
        size = self.ratio[k.G_ENGINE] * r[k.S_V0] * r[k.S_OVERSPEED] / r[k.S_CLUTCH]
        return x, float(6.0 * size * x * (1.0 - x))

    def engine_nm(self, speed_mps: float) -> float:
        """Full-throttle torque at a peripheral speed [N m]."""
        return float(np.interp(speed_mps * self.ratio[k.G_RPM], self.rpm, self.torque))

    def rates(self, t: float, x: Floats) -> Floats:
        """Time derivatives of the states and of the score's integrals."""
        c, r, row = self.car, self.ratio, self.row
        v, w, kappa = x[V], x[W], x[K]
        kp = c[k.C_KP] * (1.0 - c[k.C_SKP] * (v - 15.0))
        slip = kappa / kp
        rho = sqrt(slip * slip + self.lateral_slip**2)
        grip = self.patch(t, row[k.S_GRIP])
        load = max((c[k.C_FZ0] + c[k.C_CZ] * x[Z]) * self.patch(t, row[k.S_LOAD]), 0.05 * c[k.C_FZ0])
        mu = c[k.C_MU] * (1.0 - c[k.C_SMU] * (v - 15.0)) * row[k.S_BASE] * grip
        peak = mu * (1.0 - c[k.C_SLOAD] * (load / c[k.C_FZ0] - 1.0)) * load
        fx = peak * float(np.interp(rho, self.rho, self.friction)) * slip
        rest = c[k.C_ROLL] + c[k.C_DRAG] * v * v
        a = (fx - rest) / c[k.C_MASS]
        passed, pulse = self.clutch(t)
        drive = x[Q] * r[k.G_FORCE] * passed
        y_rate = 2.0 * pi * 15.0 * (a - x[Y])
        error = self.error(x)
        out = np.empty(len(STATES))
        out[V] = a
        shaft = x[S] + c[k.C_DAMP] * (x[X] - w)
        out[W] = (shaft - fx) / (r[k.G_INERTIA] - r[k.G_ENGINE])
        engine_now = drive * self.engine_nm(x[X]) * (1.0 - c[k.C_ETA] * x[E])
        out[X] = (engine_now + pulse - shaft) / r[k.G_ENGINE]
        out[S] = c[k.C_STIFF] * (x[X] - w)
        out[K] = (w - v - kappa * v) / c[k.C_SIGMA]
        out[Q] = (self.share(t) - x[Q]) / c[k.C_TAUI]
        out[E] = (self.command - x[E]) / c[k.C_TAUC]
        out[Z] = (a - x[Z]) / c[k.C_TAUZ]
        out[WM], out[VM] = (w - x[WM]) / c[k.C_TAUS], (v - x[VM]) / c[k.C_TAUS]
        out[Y], out[ES] = y_rate, (error - x[ES]) / 0.0075
        engine = (drive * self.engine_nm(v) * c[k.C_MASS] + r[k.G_INERTIA] * rest) / (
            c[k.C_MASS] + r[k.G_INERTIA]
        )
        ideal = min(engine, peak * sqrt(1.0 - row[k.S_LATERAL] ** 2))
        free = float(np.interp(sqrt(slip * slip + 1.0), self.rho, self.friction))
        counted = 1.0 if self.counting else 0.0
        out[DRIVE] = counted * ((ideal - rest) / c[k.C_MASS] - a)
        out[EXCESS] = counted * max(0.0, w - v * (1.0 + kp))
        out[JERK] = counted * y_rate**2
        lost = max(0.0, row[k.S_LATERAL] - grip * free) if row[k.S_LATERAL] > 0.0 else 0.0
        out[LATERAL] = counted * c[k.C_MU] * row[k.S_BASE] * lost
        out[SLOW] = 2.0 * pi * k.SWING_HZ * (x[E] - x[SLOW])
        out[SWING] = counted * (x[E] - x[SLOW]) ** 2
        out[SOFT] = counted * min(max(0.5 * (x[ES] - 1.0), 0.0), 1.0)
        return out

    def error(self, x: Floats) -> float:
        """True slip less target [percentage points]."""
        base = max(x[V], self.floor_mps)
        return float(100.0 * (x[W] - x[V]) / base - self.pair.target.at(3.6 * x[V]))

    def cycle(self, t: float, x: Floats) -> tuple[float, float]:
        """One controller cycle: the moment the new command takes effect [s], and the command [1]."""
        c, ctl = self.car, self.sheet.controller
        vd, vu = 3.6 * x[WM] * c[k.C_FACTOR], 3.6 * x[VM]
        slip = 100.0 * (vd - vu) / max(vu, ctl.min_speed_kmh)
        error = slip - float(self.pair.target.at(vu))
        gated = self.throttle(t) > ctl.throttle_gate_pct / 100.0 and vu > ctl.min_speed_kmh
        cut = float(self.pair.cut.at(error, self.gear)) if gated else 0.0
        rpm = max(x[X] * self.ratio[k.G_RPM], self.sheet.engine.idle_rpm)
        return t + c[k.C_DEAD] + c[k.C_CYCLES] * 120.0 / rpm, 0.01 * cut

    def start(self) -> Floats:
        """Quiet state ahead of the disturbance."""
        c, r, row = self.car, self.ratio, self.row
        v = row[k.S_V0]
        rest = c[k.C_ROLL] + c[k.C_DRAG] * v * v
        closing = row[k.S_CLUTCH] > 0.0
        asked = self.share(-1.0)
        drive = 0.0 if closing else asked * r[k.G_FORCE] * self.engine_nm(v)
        force = (drive * c[k.C_MASS] + r[k.G_INERTIA] * rest) / (c[k.C_MASS] + r[k.G_INERTIA])
        mu = c[k.C_MU] * (1.0 - c[k.C_SMU] * (v - 15.0)) * row[k.S_BASE]
        load = c[k.C_FZ0] + c[k.C_CZ] * (force - rest) / c[k.C_MASS]
        share = min(0.9, max(0.0, force / (mu * load)))
        z = (share * mu * load - rest) / c[k.C_MASS]
        kappa = self._rising(share) * c[k.C_KP] * (1.0 - c[k.C_SKP] * (v - 15.0))
        x = np.zeros(len(STATES))
        x[[V, W, K, Q, Z, Y]] = v, v * (1.0 + kappa), kappa, asked, z, z
        x[[WM, VM, X]] = x[W], v, x[W]
        x[S] = share * mu * load + (r[k.G_INERTIA] - r[k.G_ENGINE]) * z
        x[ES] = self.error(x)
        return x


def _corners(row: Floats) -> list[float]:
    """Times at which an input has a corner [s]."""
    patch = row[k.S_PATCH]
    return [0.0, max(row[k.S_RAMP], 1e-3), 0.01, patch - 0.01, patch, row[k.S_CLUTCH]]


def _integrate(ep: _Episode, window_s: float, rtol: float) -> tuple[Floats, Floats, Floats]:
    """Integrate piece by piece; return time[S], states[S, 19] and the delayed command[S] as a share."""
    period = 1.0 / ep.sheet.controller.loop_hz
    start = -period * ceil(k.PRE_S / period - 1e-9)
    cycles = [start + n * period for n in range(round((window_s - start) / period + 0.5) + 1)]
    corners = sorted({c for c in _corners(ep.row) if start < c < window_s} | {window_s})
    end_mps = 0.97 * ep.sheet.engine.limit_rpm / ep.ratio[k.G_RPM]

    def ended(_: float, x: Floats) -> float:
        return float(x[V] - end_mps) if ep.counting else -1.0

    ended.terminal = True  # type: ignore[attr-defined]
    pending: list[tuple[float, float]] = []
    x, t, n = ep.start(), start, 0
    times, states, cuts = [np.array([t])], [x[None, :]], [np.zeros(1)]
    while t < window_s - 1e-9:
        if n < len(cycles) and t >= cycles[n] - 1e-9:
            pending.append(ep.cycle(t, x))
            n += 1
        while pending and pending[0][0] <= t + 1e-12:
            ep.command = pending.pop(0)[1]
        ep.counting = t >= -1e-9
        stops = [c for c in (*corners, *(cycles[n : n + 1]), *(p[0] for p in pending[:1])) if c > t + 1e-12]
        until = min(stops)
        grid = np.linspace(t, until, max(2, ceil((until - t) / FINE_S) + 1))
        sol = solve_ivp(
            ep.rates, (t, until), x, t_eval=grid, rtol=rtol, atol=1e-9, events=ended, max_step=0.004
        )
        done = sol.status == 1
        t, x = until, sol.y[:, -1]
        if done and sol.t_events is not None and sol.y_events is not None:
            t, x = float(sol.t_events[0][-1]), sol.y_events[0][-1]
        keep = sol.t > times[-1][-1] + 1e-12
        times += [sol.t[keep]] + ([np.array([t])] if done else [])
        states += [sol.y.T[keep]] + ([x[None, :]] if done else [])
        cuts.append(np.full(int(keep.sum()) + int(done), ep.command))
        if done:
            break
    return np.concatenate(times), np.concatenate(states), np.concatenate(cuts)


def simulate(
    sheet: CarSheet,
    pair: GridPair,
    scenarios: Scenarios,
    position: int,
    plant: Plant,
    draw: int = 0,
    *,
    rtol: float = 1e-7,
    window_s: float = WINDOW_S,
) -> Trace:
    """Simulate one episode at tight tolerance.

    Parameters
    ----------
    sheet : CarSheet
        The car.
    pair : GridPair
        Grids in force.
    scenarios : Scenarios
        Where the episode comes from.
    position : int
        Which of them.
    plant : Plant
        What is known of the car.
    draw : int
        Which draw of it.
    rtol : float
        Relative tolerance of the integration.
    window_s : float
        Length of the scored window [s].

    Returns
    -------
    Trace
        Time histories and parts of the score.
    """
    rows = pack(sheet, plant.draws[draw : draw + 1])
    ep = _Episode(sheet, pair, scenarios.values[position], int(scenarios.gear[position]), rows, 0)
    time, states, cut = _integrate(ep, window_s, rtol)
    error = np.array([ep.error(x) for x in states])
    target = np.asarray(pair.target.at(3.6 * states[:, V]), dtype=np.float64)
    inside = time >= -1e-12
    length = float(time[-1])
    parts = np.zeros(len(PARTS))
    hard, again = recovery_by_crossings(
        time[inside], states[inside, ES], length < window_s - 1e-6, length, window_s
    )
    base = np.maximum(states[:, V], ep.floor_mps)
    soft = np.clip(0.5 * (states[inside, ES] - 1.0), 0.0, 1.0)
    parts[k.M_DRIVE], parts[k.M_EXCESS] = 3.6 * states[-1, DRIVE], states[-1, EXCESS]
    parts[k.M_RECOVERY], parts[k.M_RESLIPS] = hard, again
    parts[k.M_JERK] = sqrt(states[-1, JERK] / length) / 9.80665
    parts[k.M_LATERAL] = states[-1, LATERAL] / length
    parts[k.M_OVER] = max(0.0, float(np.max((3.6 * base * 0.01 * error)[inside])))
    parts[k.M_RSOFT] = states[-1, SOFT]
    parts[k.M_NSOFT] = max(0.0, float(np.sum(np.maximum(np.diff(soft), 0.0))) - 1.0)
    parts[k.M_WINDOW] = length
    parts[k.M_SWING] = 100.0 * sqrt(states[-1, SWING] / length)
    return Trace(time, states, error, target, 100.0 * cut, parts)
