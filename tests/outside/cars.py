"""Three made-up cars around the package's vehicles, and the sheets that their owners would write."""

from dataclasses import dataclass

import numpy as np
from outside.driftmodel import Vehicle, vehicle
from outside.layout import Train


@dataclass(frozen=True)
class OutsideCar:
    """One car: its truth for the simulation, and what its owner's sheet says."""

    name: str
    body: Vehicle
    train: Train
    ratios: np.ndarray
    final_drive: float
    curve_rpm: np.ndarray
    curve_nm: np.ndarray
    gears: tuple
    compound: str
    sheet: str
    log_hz: int
    style: str

    @property
    def overall(self):
        """Engine turns per wheel turn in each gear."""
        return np.asarray(self.ratios) * self.final_drive


COMMON = {
    "rolling": 0.013, "gate": 0.20, "min_speed": 5.0, "brake_max": 4.5, "friction0": 12.0, "friction1": 0.0035,
    "primary_inertia": 0.018, "gearbox_inertia": 0.12, "load_lag": 0.06,
}  # fmt: skip


def _train(**own):
    return Train(**{name: float(value) for name, value in (COMMON | own).items()})


def _sorrel():
    """Rear-driven street car on the package's handbook tyre; six cylinders, ignition cut, 100 Hz loop."""
    body = vehicle(
        2, {"m": 1384.0, "a": 1.27, "b": 1.36, "h_s": 0.54, "I_y_w": 2.3, "R_w": 0.317, "T_se": 0.0}, {}
    )
    rpm = np.array([1000, 1500, 2000, 2500, 3000, 3500, 4000, 4500, 5000, 5500, 6000, 6500, 7000.0])
    nm = np.array([410, 464, 514, 543, 563, 572, 580, 582, 579, 570, 553, 524, 476.0])
    train = _train(
        drag=0.5 * 1.2 * 0.68, front_driven=0, engine_inertia=0.19, stiffness=9500, damping=95, efficiency=0.915,
        cylinders=6, fuel=0, cut_effect=0.93, ecu_delay=0.003, intake_lag=0.07, throttle_shape=2.3, idle_rpm=850,
        limit_rpm=7100, clutch_nm=933, loop_hz=100, factor_driven=1.021, radius_nominal=0.315, teeth=48,
        ripple=0.004, track=1.54,
    )  # fmt: skip
    sheet = """[car]
name = "sorrel"
drive = "rwd"
mass_kg = 1410
wheelbase_m = 2.63
track_m = 1.54
front_weight_pct = 51.2
cg_height_m = 0.50
cda_m2 = 0.72

[engine]
rpm = [1000, 1500, 2000, 2500, 3000, 3500, 4000, 4500, 5000, 5500, 6000, 6500, 7000]
torque_nm = [422, 478, 530, 557, 580, 590, 597, 597, 593, 586, 570, 539, 494]
cylinders = 6
idle_rpm = 850
limit_rpm = 7100
inertia_kgm2 = 0.25
cut = "ignition"

[gearbox]
ratios = [4.11, 2.79, 2.02, 1.54, 1.22, 1.00]
final_drive = 3.91
efficiency = 0.92

[tyre]
size = "245/40R18"
compound = "handbook"
mu = 1.1

[sensors]
teeth_driven = 48
teeth_undriven = 48
log_hz = 100

[controller]
loop_hz = 100
min_speed_kmh = 5
throttle_gate_pct = 20
"""
    return OutsideCar(
        "sorrel", body, train, np.array([4.11, 2.79, 2.02, 1.54, 1.22, 1.00]), 3.91, rpm, nm, (1, 2, 3),
        "handbook", sheet, 100, "four",
    )  # fmt: skip


def _tansy():
    """Rear-driven light circuit car on a stickier tyre set; four cylinders, ignition cut, 200 Hz loop."""
    body = vehicle(
        2, {"m": 792.0, "a": 1.31, "b": 1.05, "h_s": 0.43, "I_y_w": 1.35, "R_w": 0.287, "T_se": 0.0},
        {"p_cx1": 1.52, "p_dx1": 1.395, "p_ex1": 0.22, "p_kx1": 31.0, "p_dy1": 1.31, "p_ky1": -30.0, "p_cy1": 1.3},
    )  # fmt: skip
    rpm = np.array([2000, 2500, 3000, 3500, 4000, 4500, 5000, 5500, 6000, 6500, 7000, 7500, 8000.0])
    nm = np.array([239, 264, 287, 307, 324, 337, 346, 351, 352, 348, 341, 328, 307.0])
    train = _train(
        drag=0.5 * 1.2 * 0.82, front_driven=0, engine_inertia=0.105, stiffness=7200, damping=60, efficiency=0.90,
        cylinders=4, fuel=0, cut_effect=0.97, ecu_delay=0.002, intake_lag=0.045, throttle_shape=1.7, idle_rpm=1100,
        limit_rpm=8100, clutch_nm=624, loop_hz=200, factor_driven=0.984, radius_nominal=0.287, teeth=36,
        ripple=0.003, track=1.42, friction0=8.0, friction1=0.0024, load_lag=0.04,
    )  # fmt: skip
    sheet = """[car]
name = "tansy"
drive = "rwd"
mass_kg = 780
wheelbase_m = 2.36
track_m = 1.42
front_weight_pct = 45.0
cg_height_m = 0.48

[engine]
rpm = [2000, 2500, 3000, 3500, 4000, 4500, 5000, 5500, 6000, 6500, 7000, 7500, 8000]
torque_nm = [234, 256, 277, 298, 312, 328, 335, 339, 341, 339, 332, 316, 299]
cylinders = 4
idle_rpm = 1100
limit_rpm = 8100
cut = "ignition"

[gearbox]
ratios = [3.05, 2.30, 1.79, 1.45, 1.21]
final_drive = 4.90

[tyre]
size = "225/45R16"
compound = "sticky"

[sensors]
teeth_driven = 36
teeth_undriven = 36
log_hz = 100

[controller]
loop_hz = 200
min_speed_kmh = 5
throttle_gate_pct = 20
"""
    return OutsideCar(
        "tansy", body, train, np.array([3.05, 2.30, 1.79, 1.45, 1.21]), 4.90, rpm, nm, (1, 2, 3),
        "sticky", sheet, 100, "four",
    )  # fmt: skip


def _fennel():
    """Front-driven street car on a third tyre set; four cylinders, fuel cut, 100 Hz loop, two axle speeds at 50 Hz."""
    body = vehicle(
        1, {"m": 1318.0, "a": 0.98, "b": 1.59, "h_s": 0.56, "I_y_w": 2.1, "R_w": 0.309, "T_se": 1.0},
        {"p_cx1": 1.45, "p_dx1": 0.985, "p_ex1": -0.35, "p_kx1": 20.5, "p_dy1": 0.95, "p_ky1": -19.0},
    )  # fmt: skip
    rpm = np.array([1000, 1500, 2000, 2500, 3000, 3500, 4000, 4500, 5000, 5500, 6000, 6500.0])
    nm = np.array([195, 276, 366, 409, 422, 427, 426, 420, 410, 393, 367, 330.0])
    train = _train(
        drag=0.5 * 1.2 * 0.66, front_driven=1, engine_inertia=0.215, stiffness=11500, damping=110, efficiency=0.93,
        cylinders=4, fuel=1, cut_effect=0.98, ecu_delay=0.002, intake_lag=0.10, throttle_shape=2.0, idle_rpm=820,
        limit_rpm=6600, clutch_nm=690, loop_hz=100, factor_driven=1.009, radius_nominal=0.310, teeth=44,
        ripple=0.005, track=1.53, load_lag=0.07,
    )  # fmt: skip
    sheet = """[car]
name = "fennel"
drive = "fwd"
mass_kg = 1340
wheelbase_m = 2.57
track_m = 1.53
front_weight_pct = 62.0
cda_m2 = 0.64

[engine]
rpm = [1000, 1500, 2000, 2500, 3000, 3500, 4000, 4500, 5000, 5500, 6000, 6500]
torque_nm = [188, 269, 353, 399, 410, 411, 414, 408, 396, 383, 355, 323]
cylinders = 4
idle_rpm = 820
limit_rpm = 6600
inertia_kgm2 = 0.17
cut = "fuel"

[gearbox]
ratios = [3.36, 2.19, 1.60, 1.22, 0.98, 0.81]
final_drive = 4.24
efficiency = 0.92

[tyre]
size = "225/45R17"
compound = "touring"
mu = 1.0

[sensors]
teeth_driven = 44
teeth_undriven = 44
log_hz = 50

[controller]
loop_hz = 100
min_speed_kmh = 5
throttle_gate_pct = 20
"""
    return OutsideCar(
        "fennel", body, train, np.array([3.36, 2.19, 1.60, 1.22, 0.98, 0.81]), 4.24, rpm, nm, (1, 2, 3),
        "touring", sheet, 50, "axles",
    )  # fmt: skip


CARS = (_sorrel, _tansy, _fennel)
"""Makers of the cars, numbered from 0."""


def car(number):
    """The outside car of that number."""
    return CARS[number]()
