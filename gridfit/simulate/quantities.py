"""What a plant means in the trade's terms: cut gain, dead time, inertia by gear; peak friction as runs show it."""

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.simulate import kernel as k
from gridfit.simulate.packing import gear_rows
from gridfit.simulate.parameters import INDEX, Floats

REFERENCE_SHARE = 0.6
"""Engine speed over limit_rpm at which gain and dead time are told [1]."""


def peak_as_run(car: Floats) -> Floats:
    """Largest friction of the driven axle at 15 m/s at the load of that very acceleration.

    Parameters
    ----------
    car : float64[D, N_CAR]
        Packed constants.

    Returns
    -------
    float64[D]
        Force over load [1]: the peak at static load less the load sensitivity times the load transferred.
    """
    load = car[:, k.C_FZ0].copy()
    mu = car[:, k.C_MU].copy()
    rest = car[:, k.C_ROLL] + car[:, k.C_DRAG] * 15.0**2
    for _ in range(40):
        mu = car[:, k.C_MU] * (1.0 - car[:, k.C_SLOAD] * (load / car[:, k.C_FZ0] - 1.0))
        load = car[:, k.C_FZ0] + car[:, k.C_CZ] * (mu * load - rest) / car[:, k.C_MASS]
    return mu


def cut_gain_kmhps_per_pct(sheet: CarSheet, draws: Floats) -> Floats:
    """Change of the driven wheels' acceleration per point of cut, tyre force held: float64[D, G], negative.

    At full throttle and 60 % of limit_rpm.
    """
    rows = gear_rows(sheet, draws)
    rpm = REFERENCE_SHARE * sheet.engine.limit_rpm
    torque = float(np.interp(rpm, sheet.engine.rpm, sheet.engine.torque_nm))
    effect = draws[:, [INDEX["cut_effect"]]]
    gain: Floats = -3.6 * torque * rows[:, :, k.G_FORCE] * effect / 100.0 / rows[:, :, k.G_INERTIA]
    return gain


def dead_time_s(sheet: CarSheet, draws: Floats) -> Floats:
    """Time from the cut command to the driven wheels' acceleration at 60 % of limit_rpm: float64[D]."""
    cycle = 120.0 / (REFERENCE_SHARE * sheet.engine.limit_rpm)
    result: Floats = draws[:, INDEX["dead_time_s"]] + draws[:, INDEX["dead_time_cycles"]] * cycle
    return result


def inertia_kg(sheet: CarSheet, draws: Floats) -> Floats:
    """Equivalent inertia of the driven axle over the rolling radius squared: float64[D, G]."""
    inertia: Floats = gear_rows(sheet, draws)[:, :, k.G_INERTIA]
    return inertia
