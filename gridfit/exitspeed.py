"""Vehicle speed through an episode, from its entry and the drive that the score says was lost.

The score's `drive_lost_kmh` is what the car fell short of an ideal acceleration: tyre at its peak, or all of the
engine where that is less. The speed at a moment is therefore the entry speed plus the ideal gain until then, less
what was lost. The ideal is integrated here along the car's own speed, the loss taken as spread evenly over the
recovery; where that is off, only the drag's and the torque curve's change with speed are, which is little.
"""

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.recovery import PART_INDEX, WINDOW_S
from gridfit.simulate import kernel as k
from gridfit.simulate.packing import gear_rows_of, pack
from gridfit.simulate.parameters import Floats, Plant
from gridfit.simulate.scenarios import Scenarios
from gridfit.units import KMH_PER_MPS

STEP_S = 0.01
"""Step of the integration [s]."""
SETTLING = 8
"""Rounds that bring load and acceleration of the entry into step."""
LEAST_LOSS_S = 0.3
"""Time over which at least the loss is spread [s]."""


def speeds_kmh(sheet: CarSheet, plant: Plant, scenarios: Scenarios, parts: Floats) -> Floats:
    """Return vehicle speed from the disturbance on.

    Parameters
    ----------
    sheet : CarSheet
    plant : Plant
        D draws, those of the parts.
    scenarios : Scenarios
        N scenarios.
    parts : float64[N, D, M]
        Parts of the score of one grid pair.

    Returns
    -------
    float64[S, N, D]
        Every `STEP_S` from the disturbance to the end of a whole window [km/h]; beyond a window that ended early the
        car is taken to go on as it did.
    """
    rows = pack(sheet, plant.draws)
    gear = rows.gears[:, gear_rows_of(scenarios.gear, rows.gears.shape[1])].transpose(1, 0, 2)
    scen, car = scenarios.values[:, None, :], rows.car[None]
    lost = parts[..., PART_INDEX["drive_lost_kmh"]] / KMH_PER_MPS
    spread = np.maximum(parts[..., PART_INDEX["recovery_s"]], LEAST_LOSS_S)
    before, after = round(k.PRE_S / STEP_S), round(WINDOW_S / STEP_S)
    v = np.broadcast_to(scen[..., k.S_V0], lost.shape).copy()
    shape = k.throttle_shape.py_func(np.moveaxis(car, -1, 0), scen[..., k.S_V0] * gear[..., k.G_RPM])
    q = np.broadcast_to(_share(scen[..., k.S_U0], shape), lost.shape).copy()
    z = np.zeros_like(v)
    for _ in range(SETTLING):
        z = _ideal(v, q, z, -k.PRE_S, scen, car, gear, rows.torque, rows.rpm_step)
    out = np.empty((after + 1, *lost.shape))
    for step in range(-before, after + 1):
        t = step * STEP_S
        if t >= 0.0:
            out[step] = KMH_PER_MPS * v
        asked = scen[..., k.S_U0] + (scen[..., k.S_U1] - scen[..., k.S_U0]) * np.clip(
            t / np.maximum(scen[..., k.S_RAMP], 1e-3), 0.0, 1.0
        )
        q = q + (1.0 - np.exp(-STEP_S / car[..., k.C_TAUI])) * (_share(asked, shape) - q)
        a = _ideal(v, q, z, t, scen, car, gear, rows.torque, rows.rpm_step)
        if t >= 0.0:
            a = a - np.where(t < spread, lost / spread, 0.0)
        z = z + (1.0 - np.exp(-STEP_S / car[..., k.C_TAUZ])) * (a - z)
        v = v + STEP_S * a
    return out


def _share(throttle: Floats, shape: Floats) -> Floats:
    """Share of full torque at a throttle: 1 - (1 - u)^p."""
    share: Floats = 1.0 - (1.0 - np.minimum(throttle, 1.0)) ** shape
    return share


def _ideal(
    v: Floats,
    q: Floats,
    z: Floats,
    t: float,
    scen: Floats,
    car: Floats,
    gear: Floats,
    torque: Floats,
    rpm_step: float,
) -> Floats:
    """Ideal acceleration [m/s2], as the score has it: equations (1), (2), (4) and (5) of the kernel without slip."""
    on_patch = (t > 0.0) & (t < scen[..., k.S_PATCH])
    grip = np.where(on_patch, scen[..., k.S_GRIP], 1.0)
    dip = np.where(on_patch, scen[..., k.S_LOAD], 1.0)
    load = np.maximum((car[..., k.C_FZ0] + car[..., k.C_CZ] * z) * dip, 0.05 * car[..., k.C_FZ0])
    mu = car[..., k.C_MU] * (1.0 - car[..., k.C_SMU] * (v - 15.0)) * scen[..., k.S_BASE] * grip
    most = mu * (1.0 - car[..., k.C_SLOAD] * (load / car[..., k.C_FZ0] - 1.0)) * load
    most = most * np.sqrt(1.0 - scen[..., k.S_LATERAL] ** 2)
    closing = scen[..., k.S_CLUTCH] > 0.0
    joined = np.where(closing, np.clip(t / np.where(closing, scen[..., k.S_CLUTCH], 1.0), 0.0, 1.0), 1.0)
    at = np.clip(v * gear[..., k.G_RPM] / rpm_step, 0.0, torque.shape[1] - 1.001)
    below, draw = at.astype(np.int64), np.arange(torque.shape[0])
    full = torque[draw, below] + (at - below) * (torque[draw, below + 1] - torque[draw, below])
    rest = car[..., k.C_ROLL] + car[..., k.C_DRAG] * v**2
    turning, mass = gear[..., k.G_INERTIA], car[..., k.C_MASS]
    drive = (q * gear[..., k.G_FORCE] * joined * full * mass + turning * rest) / (mass + turning)
    result: Floats = (np.minimum(drive, most) - rest) / mass
    return result
