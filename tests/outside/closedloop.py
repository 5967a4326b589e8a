"""Grid pairs in closed loop on an outside car: the standard scenarios, drawn from its truth, and their score."""

from dataclasses import dataclass

import numpy as np
from outside import layout as lay
from outside.driftmodel import lateral_friction, peak, slip_angle
from outside.driving import phase, speed_at
from outside.logs import STEP_S, drive
from scipy.signal import lfilter

from gridfit import recovery as rc

COUNTS = {"stab": 8, "roll-on": 7, "damp": 5, "kerb": 4, "shift": 4}
"""Scenarios of each kind per gear that can break traction."""
LATERAL = (0.0, 0.0, 0.15, 0.3, 0.45, 0.6)
GRIP = (0.85, 1.0, 1.0, 1.1)
QUIET_S = 0.25
"""Time simulated ahead of the disturbance [s]."""
END_SHARE = 0.97
"""Share of limit_rpm, at the unslipped speed, at which the driver would shift [1]."""
SURFACES = np.linspace(0.45, 1.15, 8)
"""Grips at which peaks are tabled [1]."""
SLIPS = np.linspace(0.0, 1.5, 31)
ANGLES = np.linspace(0.01, 0.35, 35)


@dataclass(frozen=True)
class Scenario:
    """One episode to drive: its phase, entry speed, seed of the sensors, and what the surface allows."""

    kind: str
    gear: int
    row: np.ndarray
    speed_mps: float
    seed: int
    quiet_s: float
    best: np.ndarray
    side: np.ndarray | None


def _surface(tire, grip):
    """The tyre on a surface of other grip."""
    return tire._replace(p_dx1=tire.p_dx1 * grip, p_dy1=tire.p_dy1 * grip)


def _side_table(tire):
    """Lateral friction still to be had at each surface and slip, over the best slip angle: [surfaces, slips]."""
    return np.array(
        [[max(lateral_friction(_surface(tire, g), a, k) for a in ANGLES) for k in SLIPS] for g in SURFACES]
    )


def _engine_n(car, gear, speed, charge):
    """Force of the engine at the driven wheels at the unslipped speed [N]."""
    c, ratio = car.train, car.overall[gear - 1]
    rpm = 60.0 / (2.0 * np.pi) * np.asarray(speed) * ratio / car.body.R_w
    lost = c.friction0 + c.friction1 * rpm
    full = np.interp(rpm, car.curve_rpm, car.curve_nm) + lost
    return (charge * full - lost) * ratio * c.efficiency / car.body.R_w


def _turning_kg(car, gear):
    """Equivalent inertia of the driven axle over the rolling radius squared [kg]."""
    c, ratio = car.train, car.overall[gear - 1]
    whole = car.body.I_y_w + c.gearbox_inertia + (c.engine_inertia + c.primary_inertia) * ratio**2
    return whole / car.body.R_w**2


def _grip_n(car, grip):
    """Force of the driven axle at the peak while it accelerates the car [N]."""
    p, base = car.body, car.body.a + car.body.b
    sign, arm = (-1.0, p.b) if car.train.front_driven else (1.0, p.a)
    mu = peak(p.tire)[0] * grip
    return mu * p.m * lay.GRAVITY * arm / (base - sign * mu * p.h_s)


def _draw(car, kind, gear, rng):
    """One candidate: its row and how far the engine exceeds the grip."""
    lateral, base = float(rng.choice(LATERAL)), float(rng.choice(GRIP))
    own = {"P_U0": 0.06, "P_U1": 1.0, "P_RAMP": 0.01}
    over = 0.0
    if kind == "stab":
        own["P_RAMP"] = rng.uniform(0.04, 0.15)
    elif kind == "roll-on":
        own |= {"P_U1": rng.uniform(0.7, 1.0), "P_RAMP": rng.uniform(0.5, 1.2)}
    elif kind == "damp":
        own |= {"P_U0": 1.0, "P_GRIP": 0.75, "P_PATCH": rng.uniform(0.4, 0.7)}
    elif kind == "kerb":
        own |= {"P_U0": 1.0, "P_GRIP": 0.6, "P_PATCH": rng.uniform(0.1, 0.3), "P_DIP": rng.uniform(0.7, 0.9)}
    else:
        over = car.overall[max(gear - 2, 0)] / car.overall[gear - 1] - 1.0 if gear > 1 else 0.45
        own |= {"P_U0": 1.0, "P_CLOSE": rng.uniform(0.06, 0.2), "P_SHIFT": 0.02, "P_OVER": over}
    quiet = 0.02 if kind == "shift" else QUIET_S
    speed = speed_at(car, gear, rng.uniform(0.30, 0.64))
    row = phase(
        lay.EVENT, gear, P_SPEED=quiet, P_TIME=quiet + rc.WINDOW_S, P_BASE=base, P_SHARE=lateral,
        P_ALPHA=base * slip_angle(car.body.tire, lateral), **own,
    )  # fmt: skip
    least = base * row[lay.P_GRIP] * row[lay.P_DIP] * np.sqrt(1.0 - lateral**2)
    speeds = speed * np.linspace(1.0, 1.3, 5)
    charge = 1.0 - (1.0 - row[lay.P_U1]) ** 2
    excess = float(np.max(_engine_n(car, gear, speeds, charge)) / _grip_n(car, least))
    return row, speed, quiet, excess


def scenarios(car, seed=1):
    """The standard scenarios of an outside car: 28 in each gear in which it can break traction.

    Parameters
    ----------
    car : OutsideCar
    seed : int
        The same seed gives the same scenarios.
    """
    rng = np.random.default_rng(seed)
    sides = _side_table(car.body.tire)
    found = []
    for gear in car.gears:
        for kind, count in COUNTS.items():
            for _ in range(count):
                tries = [_draw(car, kind, gear, rng) for _ in range(60)]
                row, speed, quiet, _ = next((t for t in tries if t[3] > 1.02), max(tries, key=lambda t: t[3]))
                best = np.array([peak(_surface(car.body.tire, g), row[lay.P_ALPHA])[0] for g in SURFACES])
                found.append(
                    Scenario(
                        kind,
                        gear,
                        row,
                        speed,
                        int(rng.integers(1 << 31)),
                        quiet,
                        best,
                        sides if row[lay.P_SHARE] > 0.0 else None,
                    )
                )
    return found


def trace_of(car, scenario, document, step_s=STEP_S):
    """Drive one scenario under a grid pair; return its trace from the quiet time on."""
    end = END_SHARE * speed_at(car, scenario.gear, 1.0)
    trace, _ = drive(
        car, scenario.row[None, :], document, scenario.quiet_s + rc.WINDOW_S, np.random.default_rng(scenario.seed),
        scenario.speed_mps, limit_share=9.0, end_mps=end, step_s=step_s,
    )  # fmt: skip
    return trace


def _ideal_gap(car, scenario, inside):
    """Acceleration lost against the tyre at its peak, or all of the engine [m/s2]."""
    mass, turning = car.body.m, _turning_kg(car, scenario.gear)
    force, load = inside[:, lay.T_FORCE], inside[:, lay.T_LOAD]
    rest = force - mass * inside[:, lay.T_ACC]
    engine = (
        _engine_n(car, scenario.gear, inside[:, lay.T_SPEED], inside[:, lay.T_INTAKE])
        * inside[:, lay.T_CLUTCH]
    )
    engine = (engine * mass + turning * rest) / (mass + turning)
    most = np.interp(inside[:, lay.T_GRIP], SURFACES, scenario.best) * load
    return (np.minimum(engine, most) - force) / mass


def _lateral_lost(car, scenario, inside, slip):
    """Mean lateral acceleration asked for and not to be had, over g."""
    if scenario.side is None:
        return 0.0
    asked = inside[:, lay.T_LATACC] / lay.GRAVITY
    k = np.clip(slip, SLIPS[0], SLIPS[-1])
    at = np.clip(
        (inside[:, lay.T_GRIP] - SURFACES[0]) / (SURFACES[1] - SURFACES[0]), 0, len(SURFACES) - 1.001
    )
    low = at.astype(int)
    rows = np.array([np.interp(k, SLIPS, line) for line in scenario.side])
    columns = np.arange(k.size)
    there = rows[low, columns] + (at - low) * (rows[low + 1, columns] - rows[low, columns])
    return float(np.mean(np.maximum(0.0, asked - there)))


def _swing(cut_pct, step, start):
    """RMS of what in the commanded cut is faster than 5 Hz, by a first-order high-pass, from the disturbance on."""
    decay = np.exp(-2.0 * np.pi * 5.0 * step)
    fast = cut_pct - lfilter([1.0 - decay], [1.0, -decay], cut_pct)
    return float(np.sqrt(np.mean(fast[start:] ** 2)))


def parts_of(car, scenario, trace, document, kappa_peak):
    """Parts of the score of one driven scenario, in the order of `gridfit.recovery.PARTS`."""
    step = float(trace[1, lay.T_TIME] - trace[0, lay.T_TIME])
    v, w = trace[:, lay.T_SPEED], trace[:, lay.T_WHEEL]
    base = np.maximum(v, car.train.min_speed / 3.6)
    target = np.interp(3.6 * v, document["target"]["speed_kmh"], document["target"]["slip_pct"])
    error = 100.0 * (w - v) / base - target
    width = max(1, round(rc.SMOOTHING_S / step))
    padded = np.concatenate([np.full(width - 1, error[0]), error])
    smooth = np.convolve(padded, np.full(width, 1.0 / width), mode="valid")
    start = round(scenario.quiet_s / step)
    inside, time = trace[start:], trace[start:, lay.T_TIME] - scenario.quiet_s
    length = len(inside) * step
    short = length < rc.WINDOW_S - 2.0 * step
    hard, again = rc.recovery_by_crossings(time, smooth[start:], short, length, rc.WINDOW_S)
    decay = np.exp(-2.0 * np.pi * rc.JERK_LOWPASS_HZ * step)
    acc = trace[:, lay.T_ACC]
    low = lfilter([1.0 - decay], [1.0, -decay], acc, zi=[decay * acc[0]])[0]
    part = np.zeros(len(rc.PARTS))
    part[rc.PART_INDEX["drive_lost_kmh"]] = 3.6 * step * float(_ideal_gap(car, scenario, inside).sum())
    part[rc.PART_INDEX["excess_slip_m"]] = step * float(
        np.maximum(0.0, (w - v * (1.0 + kappa_peak))[start:]).sum()
    )
    part[rc.PART_INDEX["recovery_s"]] = part[rc.PART_INDEX["recovery_soft_s"]] = hard
    part[rc.PART_INDEX["reslips"]] = part[rc.PART_INDEX["reslips_soft"]] = again
    part[rc.PART_INDEX["jerk_rms"]] = float(np.sqrt(np.mean((np.diff(low)[start:] / step) ** 2))) / 9.80665
    part[rc.PART_INDEX["lateral_lost"]] = _lateral_lost(car, scenario, inside, ((w - v) / base)[start:])
    part[rc.PART_INDEX["overshoot_kmh"]] = max(0.0, float((3.6 * base * 0.01 * error)[start:].max()))
    part[rc.PART_INDEX["window_s"]] = length
    part[rc.PART_INDEX["cut_swing_pct"]] = _swing(trace[:, lay.T_CUT], step, start)
    return part


def score(car, document, chosen, step_s=STEP_S):
    """Cost of a grid pair on an outside car, lower is better, and the parts behind it.

    Parameters
    ----------
    car : OutsideCar
    document : dict
        Grid pair as its file holds it.
    chosen : sequence of Scenario
        From `scenarios`.
    step_s : float
        Step of the plant [s].

    Returns
    -------
    float
        Cost as the contract of the recovery score defines it.
    numpy.ndarray
        Parts, one row per scenario.
    """
    kappa = peak(car.body.tire)[1]
    parts = np.array([
        parts_of(car, s, trace_of(car, s, document, step_s), document, kappa) for s in chosen
    ])  # fmt: skip
    return float(rc.pair_cost(rc.episode_cost(parts))), parts
