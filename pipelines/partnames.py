"""What results and reports call the parts of the recovery score and the parameters of the plant."""

COST = "cost"
"""Name of the whole score among its parts."""

PART_LABELS: dict[str, str] = {
    COST: "cost [1]",
    "drive_lost_kmh": "drive lost [km/h]",
    "excess_slip_m": "excess slip [m]",
    "recovery_s": "recovery [s]",
    "reslips": "re-slips [1]",
    "jerk_rms": "jerk [1/s]",
    "lateral_lost": "lateral lost [g]",
    "overshoot_kmh": "overshoot [km/h]",
    "cut_swing_pct": "swing of the cut [%]",
}
"""Parts of the score as reports show them."""

PART_DECIMALS: dict[str, int] = {
    COST: 1,
    "drive_lost_kmh": 2,
    "excess_slip_m": 2,
    "recovery_s": 2,
    "reslips": 2,
    "jerk_rms": 2,
    "lateral_lost": 3,
    "overshoot_kmh": 1,
    "cut_swing_pct": 1,
}
"""Decimals of each part: as many as a calibrator can act on."""

WEIGHT_LABELS: dict[str, str] = {
    "drive_lost": "Drive lost",
    "excess_slip": "Excess slip",
    "recovery": "Recovery",
    "reslips": "Re-slips",
    "jerk": "Jerk",
    "lateral": "Lateral grip lost",
    "tail": "Worst tenth",
    "cut_swing": "Swing of the cut",
}
"""Weights of the score as forms name them."""

PLANT_LABELS: dict[str, str] = {
    "mass_kg": "mass",
    "torque_scale": "engine torque",
    "torque_low": "engine torque at low speed over the middle",
    "torque_high": "engine torque at the limit over the middle",
    "efficiency": "driveline efficiency",
    "engine_inertia_kgm2": "engine inertia",
    "wheel_inertia_kgm2": "inertia of the driven wheels",
    "shaft_stiffness_nmprad": "stiffness of the half shafts",
    "shaft_damping_nmsprad": "damping of the half shafts",
    "cut_effect": "effect of the cut",
    "intake_lag_s": "intake lag",
    "throttle_shape": "throttle to torque",
    "throttle_early": "earlier torque at low engine speed",
    "dead_time_s": "dead time, fixed part",
    "dead_time_cycles": "dead time, part that goes with engine cycles",
    "cut_lag_s": "lag of the cut",
    "mu_peak": "peak friction",
    "slip_peak": "slip at peak",
    "tyre_c": "shape of the tyre curve",
    "tyre_e": "curvature of the tyre curve",
    "tyre_law": "law of the tyre curve, 0 Magic Formula to 1 exponential",
    "tyre_rate": "steepness of the exponential tyre law",
    "mu_per_mps": "peak friction against speed",
    "slip_per_mps": "slip at peak against speed",
    "load_sensitivity": "friction against load",
    "relaxation_m": "relaxation length",
    "cg_height_m": "height of the centre of gravity",
    "load_lag_s": "lag of the load transfer",
    "cda_m2": "drag area",
    "rolling": "rolling resistance",
    "driven_factor": "wheel-speed factor in the controller",
    "sensor_lag_s": "lag of the wheel speeds",
    "rolling_radius_m": "rolling radius",
    **{f"inertia_factor_{gear}": f"inertia in gear {gear}" for gear in range(1, 9)},
}
"""Parameters of the plant as reports name them."""
