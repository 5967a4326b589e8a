"""What is true of an outside car, in the words of the trade: gains, dead times, inertias, friction."""

import numpy as np
from outside import layout as lay
from outside.carforces import torque_parts
from outside.driftmodel import peak

REFERENCE_SHARE = 0.6
"""Engine speed over limit_rpm at which gains and dead times are told [1]."""


def gear_truth(car, gear):
    """Cut gain, dead time, lag and inertia of one gear.

    The gain holds the tyre's force: full-throttle indicated torque, less what a dropped event still gives, over the
    inertia of wheels, gearbox and engine. A command waits for the controller's delay and for the next firing event
    (on average half an interval, spread evenly: its standard deviation is told as the lag); with fuel cut one more
    engine cycle, since fuel for it is in already.
    """
    c, ratio, radius = car.train, float(car.overall[gear - 1]), car.body.R_w
    rpm = REFERENCE_SHARE * c.limit_rpm
    full, _ = torque_parts(rpm, car.curve_rpm, car.curve_nm, c)
    inertia = car.body.I_y_w + c.gearbox_inertia + (c.engine_inertia + c.primary_inertia) * ratio**2
    taken = full * c.cut_effect * ratio * c.efficiency
    interval = 120.0 / rpm / c.cylinders
    wait = c.ecu_delay + 0.5 * interval + (c.cylinders * interval if c.fuel else 0.0)
    lag = interval / np.sqrt(12.0)
    brake = float(np.interp(rpm, car.curve_rpm, car.curve_nm))
    return {
        "ratio_overall": round(ratio, 3), "equivalent_inertia_kgm2": round(inertia, 3),
        "gain_free_wheel_kmhs_per_pct": round(-3.6 * taken * radius / inertia / 100.0, 4),
        "dead_time_s": round(wait - lag, 4), "lag_s": round(lag, 4), "dead_time_from_command_s": round(wait - lag, 4),
        "breakable": gear in car.gears, "wheel_force_wot_n": round(brake * ratio * c.efficiency / radius, 0),
    }  # fmt: skip


def truth(car, runs):
    """The whole truth of a car and its runs, laid out as truth files are."""
    mu, slip = peak(car.body.tire)
    grip = float(np.mean([r["grip_as_run"] for r in runs])) if runs else 1.0
    base = car.body.a + car.body.b
    share = (car.body.b if car.train.front_driven else car.body.a) / base
    c = car.train
    return {
        "car": car.name, "tyre_model": "single-track drift model's", "mass_kg": car.body.m,
        "cg_height_m": car.body.h_s, "rolling_radius_m": car.body.R_w, "engine_inertia_kgm2": c.engine_inertia,
        "wheel_inertia_kgm2": car.body.I_y_w, "cut_effectiveness": c.cut_effect, "intake_lag_s": c.intake_lag,
        "driven_speed_scale": c.factor_driven, "controller_latency_ticks": 0, "moving_average": 1,
        "sheet_axle_load_n": round(car.body.m * lay.GRAVITY * share, 0),
        "gears": {str(g): gear_truth(car, g) for g in range(1, len(car.ratios) + 1)},
        "compounds": {
            car.compound: {
                "mu_peak": round(mu, 4), "slip_peak_pct": round(100.0 * slip, 2), "mu_peak_15ms": round(mu, 4),
                "slip_peak_pct_15ms": round(100.0 * slip, 2), "mu_peak_as_run": round(mu * grip, 4),
            }
        },
        "runs": runs,
    }  # fmt: skip
