"""Invented cars: a sheet as an owner would write it, and the true plant behind it.

A sheet has made-up engine, gears, weights and tyre; between them the cars cover what the sheets of the independent
simulator's cars differ in. The true car differs from it as the contract of car sheets says:
mass by up to 2 %, torque by up to 3 %, inertia and height of the centre of gravity as guesses do. What no sheet tells
lies anywhere within the widths of the prior, without its tails: a uniform distribution of the same standard deviation.
Some of it can be left out (`untold`), to see how much of a result hangs on what no sheet tells.
The wheels' circumferences agree to 0.5 %, since a proposal asks for that first.
"""

import dataclasses
from pathlib import Path

import numpy as np
from scipy.interpolate import PchipInterpolator

from gridfit.carsheet import read_carsheet
from gridfit.errors import DataError
from gridfit.plant.prior import from_carsheet, prior_free
from gridfit.simulate.parameters import INDEX, Plant, from_free
from gridfit.simulate.scenarios import breaking_gears, catalogue

ROOT = Path(__file__).resolve().parents[2]
SHEET_ERROR = {"mass_kg": 0.02, "torque_scale": 0.03, "driven_factor": 0.005}
"""Largest relative error of what a sheet tells, or of what is set right before the first drive [1]."""

GUESSED = ("engine_inertia_kgm2", "cg_height_m", "tyre_law")
"""What a sheet guesses at, or what has to be one thing or another: as wide as the prior in any case."""

SIZES = (
    "195/50R15",
    "205/45R16",
    "205/50R16",
    "225/45R17",
    "225/40R18",
    "235/40R18",
    "255/35R18",
    "255/40R19",
)
"""Tyre sizes of the driven axle."""


def invented(number, untold=1.0):
    """Sheet and true plant of an invented car; redrawn until it can break traction, by its sheet and in truth.

    `untold` is the share of the prior's widths by which a true car may differ in what its sheet does not tell [1].
    """
    base = read_carsheet(ROOT / "datasets" / "demo" / "car.toml")
    rng = np.random.default_rng([41, number])
    while True:
        sheet = _sheet(base, rng)
        true = _truth(sheet, rng, untold)
        try:
            breaking_gears(sheet, from_carsheet(sheet, np.random.default_rng(0)))
            return sheet, true, catalogue(sheet, true, rng)
        except DataError:
            continue


def another_truth(sheet, rng):
    """Another true plant that fits an invented car's sheet, with scenarios of its own."""
    while True:
        true = _truth(sheet, rng)
        try:
            return true, catalogue(sheet, true, rng)
        except DataError:
            continue


def _sheet(base, rng):
    """Sheet of a made-up car: as varied as street and circuit cars that can break traction [1]."""
    front, mass = rng.random() < 0.3, rng.uniform(850.0, 1600.0)
    tables = {
        "car": {
            "drive": "fwd" if front else "rwd", "mass_kg": mass, "cg_height_m": rng.uniform(0.42, 0.56),
            "wheelbase_m": rng.uniform(2.25, 2.75), "track_m": rng.uniform(1.45, 1.6),
            "front_weight_pct": rng.uniform(58.0, 64.0) if front else rng.uniform(44.0, 54.0),
        },
        "engine": _engine(mass, rng),
        "gearbox": _gearbox(rng),
        "tyre": {"size": str(rng.choice(SIZES)), "mu": rng.uniform(0.85, 1.35)},
        "controller": {"loop_hz": float(rng.choice([50.0, 100.0, 200.0]))},
    }  # fmt: skip
    own = {name: getattr(base, name).model_copy(update=figures) for name, figures in tables.items()}
    known = {key: item for key, item in base.stood_in.items() if key not in ("car.cg_height_m", "tyre.mu")}
    return dataclasses.replace(base, **own, stood_in=known)


def _engine(mass_kg, rng):
    """Engine of 0.2 to 0.34 N m a kilogram of car: early or late peak of torque, 6,200 to 8,200 rpm."""
    limit = 100.0 * rng.integers(62, 83)
    rpm = np.append(np.arange(1000.0, limit, 500.0), limit)
    peak = rng.uniform(0.4, 0.75) * limit
    shape = PchipInterpolator([1000.0, peak, limit], [rng.uniform(0.45, 0.9), 1.0, rng.uniform(0.65, 0.9)])
    return {
        "rpm": tuple(rpm), "torque_nm": tuple(mass_kg * rng.uniform(0.2, 0.34) * shape(rpm)), "limit_rpm": limit,
        "cylinders": int(rng.choice([4, 6, 8], p=[0.6, 0.25, 0.15])),
        "cut": str(rng.choice(["fuel", "ignition"], p=[0.25, 0.75])),
    }  # fmt: skip


def _gearbox(rng):
    """Gearbox of 5 or 6 gears: 11 to 17 in all in the first, 2.6 to 3.8 in the top one, steps that shrink upward."""
    gears, final = int(rng.integers(5, 7)), rng.uniform(3.3, 4.4)
    first, top = rng.uniform(11.0, 17.0) / final, rng.uniform(2.6, 3.8) / final
    climb = (np.arange(gears) / (gears - 1.0)) ** 0.85
    return {"ratios": tuple(first * (top / first) ** climb), "final_drive": final}


def _truth(sheet, rng, untold=1.0):
    """One plant, bounded as the contract of car sheets says."""
    centre, width = prior_free(sheet)
    half = np.sqrt(3.0) * width * np.array([1.0 if name in GUESSED else untold for name in INDEX])
    for name, most in SHEET_ERROR.items():
        half[INDEX[name]] = most
    draw = from_free((centre + half * rng.uniform(-1.0, 1.0, centre.size))[None, :])
    draw[:, INDEX["tyre_law"]] = np.round(draw[:, INDEX["tyre_law"]])
    one = np.ones((1, 1))
    return Plant(draw, "prior", (sheet.tyre.compound,), one, one.copy(), (0,) * len(sheet.gearbox.ratios))
