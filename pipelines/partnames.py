"""Parts of the recovery score as results and reports name them."""

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
}
"""Parts of the score as reports show them."""
