"""Car sheet and plant draws -> the kernel's rows: constants per draw, per gear, and friction tables.

The same packing serves the scored episodes, the fit's windows and the reference solution, so that all three
are one model.
"""

from dataclasses import dataclass
from math import ceil, pi

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.simulate import kernel as k
from gridfit.simulate.parameters import INDEX, MAX_GEARS, Floats
from gridfit.tyrelaws import LAWS

GRAVITY_MPS2 = 9.80665
"""Standard gravity [m/s2] (CGPM 1901)."""
AIR_DENSITY_KGPM3 = 1.225
"""Air at 15 C and 1013.25 hPa [kg/m3] (ISO 2533, from memory)."""
TORQUE_POINTS = 1024
SLOPE_AT = 1e-6
"""Normalised slip at which the slope of the friction curve is read [1]."""
LIMITER_WIDTH = 0.02
"""Share of the limit over which the rev limiter takes the torque away [1]."""
LOW_SHARE, MIDDLE_SHARE = 0.3, 0.6
"""Engine speeds over limit_rpm at which the torque curve bends: below the middle towards the low end, above it
towards the limit; gain and dead time are told at the middle [1]."""


@dataclass(frozen=True, slots=True)
class Rows:
    """The kernel's view of a plant.

    Parameters
    ----------
    car : float64[D, N_CAR]
        Constants per draw.
    gears : float64[D, G, N_GEAR]
        Constants per draw and gear.
    friction : float64[D, TABLE]
        Normalised friction over normalised slip.
    torque : float64[D, Q]
        Full-throttle torque per draw on a uniform speed axis [N m], before the draw's torque scale.
    rpm_step : float
        Step of that axis [1/min].
    """

    car: Floats
    gears: Floats
    friction: Floats
    torque: Floats
    rpm_step: float


def torque_tables(sheet: CarSheet, draws: Floats) -> tuple[Floats, float]:
    """Full-throttle torque on a uniform axis: draws[D, P] -> float64[D, Q] [N m], and the axis's step [1/min].

    The car sheet's curve, bent by each draw's own low and high end, with the rev limiter at its end.
    """
    limit = sheet.engine.limit_rpm
    rpm = np.linspace(0.0, 2.0 * limit, TORQUE_POINTS)
    torque = np.interp(rpm, sheet.engine.rpm, sheet.engine.torque_nm)
    keep = np.clip((limit * (1.0 + LIMITER_WIDTH) - rpm) / (limit * LIMITER_WIDTH), 0.0, 1.0)
    low, high = (np.log(draws[:, [INDEX[name]]]) for name in ("torque_low", "torque_high"))
    share = rpm / limit
    below = np.clip((MIDDLE_SHARE - share) / (MIDDLE_SHARE - LOW_SHARE), 0.0, 1.0)
    above = np.clip((share - MIDDLE_SHARE) / (1.0 - MIDDLE_SHARE), 0.0, 1.0)
    tables = torque * keep * np.exp(low * below + high * above)
    return np.ascontiguousarray(tables), float(rpm[1])


def friction_tables(draws: Floats) -> Floats:
    """Normalised friction over normalised slip of each draw's tyre law: draws[D, P] -> float64[D, TABLE].

    The first entry is the curve's slope at zero.
    """
    rho = np.linspace(0.0, k.TABLE_MAX, k.TABLE)
    names = ["tyre_law", *dict.fromkeys(name for law in LAWS for name in law.shape_names)]
    # most of a fit's parameter sets differ in something else
    curves, which = np.unique(draws[:, [INDEX[name] for name in names]], axis=0, return_inverse=True)
    tables = np.empty((len(curves), k.TABLE))
    for table, row in zip(tables, curves, strict=True):
        law, own = LAWS[int(row[0] > 0.5)], dict(zip(names, row, strict=True))
        shape = [own[name] for name in law.shape_names]
        table[1:] = law.friction(rho[1:], *shape) / rho[1:]
        table[0] = law.friction(np.array([SLOPE_AT]), *shape)[0] / SLOPE_AT
    return tables[which.ravel()]


def driven_share(sheet: CarSheet) -> float:
    """Share of the static weight on the driven axle [1]."""
    front = sheet.car.front_weight_pct / 100.0
    return front if sheet.car.drive == "fwd" else 1.0 - front


def car_rows(sheet: CarSheet, draws: Floats) -> Floats:
    """Constants of the car per draw: draws[D, P] -> float64[D, N_CAR]."""

    def column(name: str) -> Floats:
        return np.asarray(draws[:, INDEX[name]])

    rows = np.empty((draws.shape[0], k.N_CAR))
    mass, radius = column("mass_kg"), column("rolling_radius_m")
    sign = 1.0 if sheet.car.drive == "rwd" else -1.0
    # the undriven wheels turn with the car; they are taken to weigh as much as the driven ones
    rows[:, k.C_MASS] = mass + column("wheel_inertia_kgm2") / radius**2
    rows[:, k.C_DRAG] = 0.5 * AIR_DENSITY_KGPM3 * column("cda_m2")
    rows[:, k.C_ROLL] = column("rolling") * mass * GRAVITY_MPS2
    rows[:, k.C_FZ0] = mass * GRAVITY_MPS2 * driven_share(sheet)
    rows[:, k.C_STIFF] = column("shaft_stiffness_nmprad") / radius**2
    rows[:, k.C_DAMP] = column("shaft_damping_nmsprad") / radius**2
    rows[:, k.C_CZ] = sign * mass * column("cg_height_m") / sheet.car.wheelbase_m
    for target, name in (
        (k.C_TAUZ, "load_lag_s"), (k.C_MU, "mu_peak"), (k.C_KP, "slip_peak"), (k.C_SMU, "mu_per_mps"),
        (k.C_SKP, "slip_per_mps"), (k.C_SLOAD, "load_sensitivity"), (k.C_SIGMA, "relaxation_m"),
        (k.C_ETA, "cut_effect"), (k.C_TAUI, "intake_lag_s"), (k.C_TAUC, "cut_lag_s"),
        (k.C_DEAD, "dead_time_s"), (k.C_CYCLES, "dead_time_cycles"), (k.C_TAUS, "sensor_lag_s"),
        (k.C_FACTOR, "driven_factor"), (k.C_SHAPE, "throttle_shape"), (k.C_EARLY, "throttle_early"),
    ):  # fmt: skip
        rows[:, target] = column(name)
    rows[:, k.C_HALF] = 0.5 * sheet.engine.limit_rpm
    return rows


def overall_ratios(sheet: CarSheet) -> Floats:
    """Engine turns per wheel turn in each gear: float64[G]."""
    return np.asarray(sheet.gearbox.ratios, dtype=np.float64) * sheet.gearbox.final_drive


def gear_rows(sheet: CarSheet, draws: Floats) -> Floats:
    """Constants per gear: draws[D, P] -> float64[D, G, N_GEAR].

    The equivalent inertia is (wheels + engine x ratio^2)/radius^2, times the gear's own factor.
    """
    ratio = overall_ratios(sheet)
    radius = draws[:, [INDEX["rolling_radius_m"]]]
    rows = np.empty((draws.shape[0], ratio.size, k.N_GEAR))
    rows[:, :, k.G_RPM] = ratio * 60.0 / (2.0 * pi * radius)
    drive = draws[:, [INDEX["torque_scale"]]] * draws[:, [INDEX["efficiency"]]]
    rows[:, :, k.G_FORCE] = drive * ratio / radius
    engine = draws[:, [INDEX["engine_inertia_kgm2"]]] * ratio**2 / radius**2
    wheels = draws[:, [INDEX["wheel_inertia_kgm2"]]] / radius**2
    first = INDEX["inertia_factor_1"]
    own = draws[:, first : first + MAX_GEARS][:, np.minimum(np.arange(ratio.size), MAX_GEARS - 1)]
    rows[:, :, k.G_INERTIA] = (engine + wheels) * own
    rows[:, :, k.G_ENGINE] = engine * own
    return rows


def pack(sheet: CarSheet, draws: Floats) -> Rows:
    """Everything the kernel needs of a car: draws[D, P] -> Rows."""
    torque, step = torque_tables(sheet, draws)
    friction = friction_tables(draws)
    return Rows(car_rows(sheet, draws), gear_rows(sheet, draws), friction, torque, step)


def steps_per_cycle(sheet: CarSheet, step_s: float) -> int:
    """Time steps in a cycle of the controller, none longer than `step_s` [s]."""
    return ceil(1.0 / (sheet.controller.loop_hz * step_s) - 1e-9)


def loop_row(sheet: CarSheet, rpm_step: float, *, step_s: float, window_s: float) -> Floats:
    """Settings of controller and engine; the step divides the loop's period.

    Parameters
    ----------
    step_s : float
        Largest time step [s].
    window_s : float
        Length of the scored window [s].

    Returns
    -------
    float64[N_LOOP]
    """
    period = 1.0 / sheet.controller.loop_hz
    every = steps_per_cycle(sheet, step_s)
    row = np.empty(k.N_LOOP)
    row[k.L_STEP] = period / every
    row[k.L_EVERY], row[k.L_BEFORE] = every, every * ceil(k.PRE_S / period - 1e-9)
    row[k.L_AFTER] = round(window_s / row[k.L_STEP])
    row[k.L_MINSPEED] = sheet.controller.min_speed_kmh
    row[k.L_GATE] = sheet.controller.throttle_gate_pct / 100.0
    row[k.L_LIMIT], row[k.L_IDLE] = sheet.engine.limit_rpm, sheet.engine.idle_rpm
    row[k.L_RPMSTEP], row[k.L_WINDOW] = rpm_step, window_s
    row[k.L_TOP] = TORQUE_POINTS - 1.001
    return row


def gear_rows_of(gears: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """Row of each gear number (1 is row 0), kept inside the gearbox: int64[N]."""
    return np.clip(gears - 1, 0, count - 1).astype(np.int64)
