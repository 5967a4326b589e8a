"""From crank to contact patch: ratios, speeds, equivalent inertia, axle load, resistance, firing events.

Arrays in, arrays out. Functions of bare quantities come first; those that read a car sheet come last.
"""

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gridfit import tyresize
from gridfit.carsheet import CarSheet
from gridfit.errors import InputError
from gridfit.units import GRAVITY_MPS2, RPM_PER_RADPS

AIR_GAS_CONSTANT = 287.05287
"""Specific gas constant of dry air [J/(kg K)]; ISO 2533."""

AIR_DENSITY_KGPM3 = 1.225
"""Air at 15 C and 1013.25 hPa [kg/m3]; ISO 2533."""

ROLLING_RESISTANCE = 0.013
"""Rolling force over load [1], car tyres on asphalt 0.010 to 0.016; Bosch handbook (from memory)."""


def _array(values: ArrayLike) -> NDArray[np.float64]:
    return np.asarray(values, dtype=np.float64)


def firing_events_per_rev(cylinders: ArrayLike) -> NDArray[np.float64]:
    """Return firing events per crank revolution [1] of an evenly firing four-stroke, half its cylinders."""
    return _array(cylinders) / 2.0


def firing_interval_s(cylinders: ArrayLike, rpm: ArrayLike) -> NDArray[np.float64]:
    """Return the time between firing events [s] of a four-stroke, 120/(cylinders rpm)."""
    return 60.0 / (firing_events_per_rev(cylinders) * _array(rpm))


def cycle_s(rpm: ArrayLike) -> NDArray[np.float64]:
    """Return the time of one four-stroke cycle [s], two revolutions."""
    return 120.0 / _array(rpm)


def speed_mps_at_rpm(rpm: ArrayLike, ratio: ArrayLike, radius_m: ArrayLike) -> NDArray[np.float64]:
    """Return the tread speed of the driven wheels [m/s] at an engine speed.

    Parameters
    ----------
    rpm : float64[...]
        Engine speed [1/min].
    ratio : float64[...]
        Overall ratio [engine turns per wheel turn].
    radius_m : float64[...]
        Rolling radius [m].
    """
    return _array(rpm) / RPM_PER_RADPS * _array(radius_m) / _array(ratio)


def rpm_at_speed_mps(speed_mps: ArrayLike, ratio: ArrayLike, radius_m: ArrayLike) -> NDArray[np.float64]:
    """Return the engine speed [1/min] at a tread speed [m/s]; arguments as in `speed_mps_at_rpm`."""
    return _array(speed_mps) * _array(ratio) / _array(radius_m) * RPM_PER_RADPS


def wheel_force_n(
    torque_nm: ArrayLike, ratio: ArrayLike, efficiency: ArrayLike, radius_m: ArrayLike
) -> NDArray[np.float64]:
    """Return the force at the tread of the driven axle [N] that a steady crank torque [Nm] gives."""
    return _array(torque_nm) * _array(ratio) * _array(efficiency) / _array(radius_m)


def equivalent_inertia_kg(
    wheels_kgm2: ArrayLike, input_kgm2: ArrayLike, ratio: ArrayLike, radius_m: ArrayLike
) -> NDArray[np.float64]:
    """Return the rotating mass of the driven axle as felt at the tread [kg].

    Parameters
    ----------
    wheels_kgm2 : float64[...]
        Both driven wheels with brakes and shafts [kg m2].
    input_kgm2 : float64[...]
        Engine, flywheel, clutch and gearbox input [kg m2].
    ratio : float64[...]
        Overall ratio [engine turns per wheel turn].
    radius_m : float64[...]
        Rolling radius [m].

    Source: kinetic energy, (I_wheels + I_input ratio^2)/radius^2.
    """
    return (_array(wheels_kgm2) + _array(input_kgm2) * _array(ratio) ** 2) / _array(radius_m) ** 2


def mass_factor(ratio: ArrayLike) -> NDArray[np.float64]:
    """Return effective over true mass of a car [1] in a gear, 1 + 0.04 + 0.0025 ratio^2.

    Parameters
    ----------
    ratio : float64[...]
        Overall ratio [engine turns per wheel turn].

    Source: Gillespie, Fundamentals of Vehicle Dynamics, SAE 1992, ch. 2 (from memory).
    """
    return 1.04 + 0.0025 * _array(ratio) ** 2


def drag_force_n(
    speed_mps: ArrayLike, cda_m2: ArrayLike, density_kgpm3: ArrayLike = AIR_DENSITY_KGPM3
) -> NDArray[np.float64]:
    """Return air drag [N], rho/2 CdA v^2, at an air speed [m/s], drag area [m2] and density [kg/m3]."""
    return 0.5 * _array(density_kgpm3) * _array(cda_m2) * _array(speed_mps) ** 2


def air_density_kgpm3(pressure_pa: ArrayLike, temperature_c: ArrayLike) -> NDArray[np.float64]:
    """Return the density of dry air [kg/m3] at a pressure [Pa] and temperature [C]; ideal gas, ISO 2533."""
    return _array(pressure_pa) / (AIR_GAS_CONSTANT * (_array(temperature_c) + 273.15))


def rolling_resistance_n(
    load_n: ArrayLike, coefficient: ArrayLike = ROLLING_RESISTANCE
) -> NDArray[np.float64]:
    """Return rolling resistance [N] under a load [N], with a coefficient [1]."""
    return _array(load_n) * _array(coefficient)


def traction_limit_g(
    mu: ArrayLike,
    driven_share: ArrayLike,
    cg_height_m: ArrayLike,
    wheelbase_m: ArrayLike,
    drive: Literal["rwd", "fwd"],
) -> NDArray[np.float64]:
    """Return the largest acceleration [g] that one driven axle can carry, level road, no drag.

    Parameters
    ----------
    mu : float64[...]
        Peak friction [1].
    driven_share : float64[...]
        Static load on the driven axle over weight [1].
    cg_height_m, wheelbase_m : float64[...]
        Height of the centre of gravity and wheelbase [m].
    drive : {"rwd", "fwd"}
        Which axle drives.

    Returns
    -------
    float64[...]
        mu w/(1 -+ mu h/L); a rear-driven car is held at the acceleration that lifts its front axle.

    Source: Gillespie 1992, ch. 2 (from memory).
    """
    grip, share = _array(mu), _array(driven_share)
    lever = _array(cg_height_m) / _array(wheelbase_m)
    if drive == "fwd":
        return grip * share / (1.0 + grip * lever)
    lift = (1.0 - share) / np.maximum(lever, 1e-9)
    free = grip * lever < 1.0
    limit = np.where(free, grip * share / np.where(free, 1.0 - grip * lever, 1.0), np.inf)
    return np.minimum(limit, lift)


def rolling_radius_m(size: str) -> float:
    """Return the rolling radius [m] that a tyre size code gives, 0.97 of half the nominal diameter.

    Parameters
    ----------
    size : str
        For instance ``245/40R18``.

    Raises
    ------
    InputError
        When it is no size code.
    """
    return tyresize.parse(size).rolling_radius_m


def overall_ratio(sheet: CarSheet, gear: ArrayLike) -> NDArray[np.float64]:
    """Return gear ratio times final drive [engine turns per wheel turn].

    Parameters
    ----------
    sheet : CarSheet
    gear : int[...]
        1 to the number of gears.

    Raises
    ------
    InputError
        When the car has no such gear.
    """
    ratios = _array(sheet.gearbox.ratios)
    index = np.asarray(gear, dtype=np.int64)
    if np.any((index < 1) | (index > ratios.size)):
        raise InputError.of(
            where=f"{sheet.source.name} [gearbox] ratios",
            what="gear",
            value=np.unique(index[(index < 1) | (index > ratios.size)]).tolist(),
            allowed=f"must lie in 1 to {ratios.size}, the gears of the sheet",
            remedy="Add the missing ratios to the sheet, or correct the gear channel.",
        )
    return _array(ratios[index - 1] * sheet.gearbox.final_drive)


def driven_share(sheet: CarSheet) -> float:
    """Return the static load on the driven axle over the weight of the car [1]."""
    front = float(sheet.car.front_weight_pct) / 100.0
    return front if sheet.car.drive == "fwd" else 1.0 - front


def axle_load_n(sheet: CarSheet, acceleration_mps2: ArrayLike = 0.0) -> NDArray[np.float64]:
    """Return the load on the driven axle [N] while the car accelerates.

    Parameters
    ----------
    sheet : CarSheet
    acceleration_mps2 : float64[...]
        Forward acceleration of the car [m/s2].

    Returns
    -------
    float64[...]
        Static load plus (rear drive) or minus (front drive) m a h/L, held within 0 and the weight.

    Source: Gillespie 1992, ch. 1 (from memory).
    """
    car = sheet.car
    weight = car.mass_kg * GRAVITY_MPS2
    transfer = car.mass_kg * _array(acceleration_mps2) * car.cg_height_m / car.wheelbase_m
    load = driven_share(sheet) * weight + (transfer if car.drive == "rwd" else -transfer)
    return _array(np.clip(load, 0.0, weight))


def full_throttle_torque_nm(sheet: CarSheet, rpm: ArrayLike) -> NDArray[np.float64]:
    """Return crank torque at full throttle [Nm], linear in the sheet's curve and held at both ends."""
    return _array(np.interp(_array(rpm), _array(sheet.engine.rpm), _array(sheet.engine.torque_nm)))
