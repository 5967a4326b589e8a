"""Invented cars: a sheet as an owner would write it, and the true plant behind it.

A sheet has made-up engine, gears, weights and tyre. The true car differs from it as the contract of car sheets says:
mass by up to 2 %, torque by up to 3 %, inertia and height of the centre of gravity as guesses do. What no sheet tells
lies anywhere within the widths of the prior, without its tails: a uniform distribution of the same standard deviation.
The wheels' circumferences agree to 0.5 %, since a proposal asks for that first.
"""

import dataclasses
from pathlib import Path

import numpy as np

from gridfit.carsheet import read_carsheet
from gridfit.errors import DataError
from gridfit.plant.prior import from_carsheet, prior_free
from gridfit.simulate.parameters import INDEX, Plant, from_free
from gridfit.simulate.scenarios import breaking_gears, catalogue

ROOT = Path(__file__).resolve().parents[2]
SHEET_ERROR = {"mass_kg": 0.02, "torque_scale": 0.03, "driven_factor": 0.005}
"""Largest relative error of what a sheet tells, or of what is set right before the first drive [1]."""


def invented(number):
    """Sheet and true plant of an invented car; redrawn until it can break traction, by its sheet and in truth."""
    base = read_carsheet(ROOT / "datasets" / "demo" / "car.toml")
    rng = np.random.default_rng([41, number])
    while True:
        sheet = _sheet(base, rng)
        true = _truth(sheet, rng)
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
    """Sheet of a made-up car."""
    front, mass = rng.random() < 0.3, rng.uniform(850.0, 1600.0)
    peak = mass * rng.uniform(0.2, 0.34)
    torque = peak / max(base.engine.torque_nm) * np.array(base.engine.torque_nm)
    tables = {
        "car": {
            "drive": "fwd" if front else "rwd", "mass_kg": mass, "cg_height_m": rng.uniform(0.42, 0.56),
            "front_weight_pct": rng.uniform(58.0, 64.0) if front else rng.uniform(44.0, 54.0),
        },
        "engine": {
            "torque_nm": type(base.engine.torque_nm)(torque),
            "cut": str(rng.choice(["fuel", "ignition"], p=[0.25, 0.75])),
        },
        "gearbox": {"final_drive": base.gearbox.final_drive * rng.uniform(0.85, 1.2)},
        "tyre": {"mu": rng.uniform(0.85, 1.35)},
        "controller": {"loop_hz": float(rng.choice([50.0, 100.0, 200.0]))},
    }  # fmt: skip
    own = {name: getattr(base, name).model_copy(update=figures) for name, figures in tables.items()}
    known = {key: item for key, item in base.stood_in.items() if key not in ("car.cg_height_m", "tyre.mu")}
    return dataclasses.replace(base, **own, stood_in=known)


def _truth(sheet, rng):
    """One plant, bounded as the contract of car sheets says."""
    centre, width = prior_free(sheet)
    half = np.sqrt(3.0) * width
    for name, most in SHEET_ERROR.items():
        half[INDEX[name]] = most
    draw = from_free((centre + half * rng.uniform(-1.0, 1.0, centre.size))[None, :])
    draw[:, INDEX["tyre_law"]] = np.round(draw[:, INDEX["tyre_law"]])
    one = np.ones((1, 1))
    return Plant(draw, "prior", (sheet.tyre.compound,), one, one.copy(), (0,) * len(sheet.gearbox.ratios))
