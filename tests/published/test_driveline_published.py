"""Vehicle and engine arithmetic against handbook formulae; sources and status in data/*.toml."""

import math

from gridfit import driveline, tyresize
from gridfit.units import GRAVITY_MPS2, KMH_PER_MPH

TABLES = {
    "traction": ("vehicle.toml", "traction"),
    "unlike": ("vehicle.toml", "unlike"),
    "amplified": ("vehicle.toml", "amplified"),
    "mass_factor": ("vehicle.toml", "mass_factor"),
    "inertia": ("vehicle.toml", "inertia"),
    "drag": ("vehicle.toml", "drag"),
    "rolling": ("vehicle.toml", "rolling"),
    "air": ("vehicle.toml", "air"),
    "size": ("tyre_sizes.toml", "size"),
    "diameter": ("tyre_sizes.toml", "diameter"),
    "pulses": ("tyre_sizes.toml", "pulses"),
    "engine": ("firing.toml", "engine"),
}


def test_traction_limit_with_load_transfer(traction, agrees):
    geometry = (traction["mu"], traction["share"], traction["height_m"], traction["wheelbase_m"])
    for axle, drive in (("rear", "rwd"), ("front", "fwd")):
        limit = driveline.traction_limit_g(*geometry, drive)
        if axle in traction:
            agrees(limit, traction[axle])
        if f"{axle}_mps2_at_981" in traction:
            agrees(limit * 9.81, traction[f"{axle}_mps2_at_981"])


def test_traction_limit_from_the_centre_of_gravity(unlike, agrees):
    rear_share = unlike["front_axle_to_cg_m"] / unlike["wheelbase_m"]
    for axle, drive, share in (("rear", "rwd", rear_share), ("front", "fwd", 1 - rear_share)):
        limit = driveline.traction_limit_g(
            unlike["mu"], share, unlike["height_m"], unlike["wheelbase_m"], drive
        )
        agrees(limit, unlike[axle])


def test_lost_grip_is_amplified_by_load_transfer(amplified, agrees):
    kept = driveline.traction_limit_g(amplified["factor"], 0.5, 0.5, 2.5, "rwd")
    agrees(kept / driveline.traction_limit_g(1.0, 0.5, 0.5, 2.5, "rwd"), amplified["acceleration"])


def test_grip_that_an_acceleration_asks_for(agrees):
    """Exercise (C): share 0.5, h 0.26, L 2.286, 0-100 km/h in 3.2 s needs grip 1.4732 at g = 9.81 (A)."""
    asked_g = 100 / 3.6 / 3.2 / 9.81
    below, above = (
        float(driveline.traction_limit_g(mu, 0.5, 0.26, 2.286, "rwd")) for mu in (1.47315, 1.47325)
    )
    assert below < asked_g < above


def test_gillespie_example(agrees):
    """Gillespie 1992, ch. 2, locking differential (inputs M): 3950 lb, rear 1850 lb, h 21, L 108 in, mu 0.62.

    The book prints about 0.33 g and about 1305 lb; 1304.2 lb is A.
    """
    limit = driveline.traction_limit_g(0.62, 1850 / 3950, 21.0, 108.0, "rwd")
    agrees(limit, "0.33")
    agrees(limit * 3950, "1304.2")


def test_mass_factor(mass_factor, agrees):
    agrees(driveline.mass_factor(mass_factor["ratio"]), mass_factor["value"])


def test_mass_factor_from_inertias(inertia, agrees):
    rotating = driveline.equivalent_inertia_kg(4 * 1.0, 0.15, inertia["ratio"], 0.31)
    agrees(1 + rotating / 1400, inertia["value"])


def test_drag(drag, agrees):
    agrees(driveline.drag_force_n(drag["speed_kmh"] / 3.6, 0.66), drag["force_n"])


def test_rolling_resistance(rolling, agrees):
    load_n = rolling["mass_kg"] * GRAVITY_MPS2
    agrees(driveline.rolling_resistance_n(load_n, rolling["coefficient"]), rolling["force_n"])


def test_air_density(air, agrees):
    agrees(driveline.air_density_kgpm3(air["pressure_pa"], air["temperature_c"]), air["density"])


def test_default_air_is_the_standard_atmosphere(agrees):
    """ISO 2533 (M): 1.225 kg/m3 at 15 C and 1013.25 hPa."""
    assert abs(driveline.air_density_kgpm3(101325, 15) - driveline.AIR_DENSITY_KGPM3) < 5e-7


def test_rolling_circumference(size, agrees):
    found = tyresize.parse(size["name"])
    agrees(1000 * found.nominal_diameter_m, size["diameter_mm"])
    agrees(1000 * math.pi * found.nominal_diameter_m, size["pi_diameter_mm"])
    agrees(1000 * found.rolling_circumference_m, size["circumference_mm"])
    agrees(found.revolutions_per_km, size["revolutions_per_km"])
    agrees(2 * math.pi * driveline.rolling_radius_m(size["name"]) * 1000, size["circumference_mm"])


def test_nominal_diameter(diameter, agrees):
    agrees(1000 * tyresize.parse(diameter["name"]).nominal_diameter_m, diameter["diameter_mm"])


def test_unlike_axles_hide_slip(agrees):
    """245/40R18 in front, 265/35R19 behind, one circumference for both: -2.230 % at rest of slip (A)."""
    front, rear = (tyresize.parse(code).nominal_diameter_m for code in ("245/40R18", "265/35R19"))
    agrees(100 * (front / rear - 1), "-2.230")


def test_pulses(pulses, agrees):
    per_km = tyresize.pulses_per_km(pulses["teeth"], pulses["circumference_m"])
    agrees(per_km, pulses["per_km"])
    if "per_mile" in pulses:
        agrees(per_km * KMH_PER_MPH, pulses["per_mile"])
    if "hz_at_100_kmh" in pulses:
        agrees(per_km * 100 / 3600, pulses["hz_at_100_kmh"])


def test_firing_events(engine, agrees):
    agrees(driveline.firing_events_per_rev(engine["cylinders"]), engine["per_rev"])
    for rpm, printed in zip([1000, 3000, 6000, 9000], engine["interval_ms"], strict=True):
        agrees(1000 * driveline.firing_interval_s(engine["cylinders"], rpm), printed)
    agrees(1 / driveline.firing_interval_s(engine["cylinders"], 6000), engine["per_s_at_6000"])


def test_cycle(agrees):
    """120/n: 120, 40, 20, 13.333 ms at 1000, 3000, 6000, 9000/min (A)."""
    for rpm, printed in zip([1000, 3000, 6000, 9000], [120.0, 40.0, 20.0, "13.333"], strict=True):
        agrees(1000 * driveline.cycle_s(rpm), printed)
