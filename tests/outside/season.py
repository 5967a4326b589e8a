"""A season on an outside car: several compounds, many runs, true figures of each run beside them.

Compounds differ in the tyre's own coefficients; each run has a grip of its own, and warms up or wears within it.
"""

import json
from dataclasses import dataclass, replace

import numpy as np
from outside.cars import car
from outside.driftmodel import friction, peak
from outside.logs import AXLES_MAP, FOUR_MAP, write_grids, write_run

PAIR_NAMES = ("grids_b", "grids_c")
"""Grid pairs in force, in turn."""


@dataclass(frozen=True)
class Compound:
    """One compound: coefficients of its tyre over the car's, and its rolling radius over the car's [1]."""

    name: str
    grip: float = 1.0
    stiffness: float = 1.0
    shape: float = 1.0
    radius: float = 1.0


THREE = (
    Compound("soft"),
    Compound("medium", grip=0.97),
    Compound("hard", grip=0.93, stiffness=0.95),
)
"""Compounds of a season: 3 and 7 % less grip than the first (made up)."""


def on_compound(own, compound):
    """Return the car on that compound."""
    tire = own.body.tire
    changed = tire._replace(
        p_dx1=tire.p_dx1 * compound.grip,
        p_kx1=tire.p_kx1 * compound.stiffness,
        p_cx1=tire.p_cx1 * compound.shape,
    )
    body = own.body._replace(tire=changed, R_w=own.body.R_w * compound.radius)
    # the controller knows the undriven tyres' size, and reads the driven axle with the size it had before
    train = own.train._replace(
        factor_driven=own.train.factor_driven / compound.radius,
        radius_nominal=own.train.radius_nominal * compound.radius,
    )
    return replace(own, body=body, train=train, compound=compound.name)


def make_season(
    folder, compounds=THREE, runs=8, seconds=240.0, *, number=0, run_sd=0.02, drift=-0.01, seed=20260301
):
    """Write a season into a folder and return its truth.

    Parameters
    ----------
    folder : pathlib.Path
        Made if missing.
    compounds : sequence of Compound
    runs : int
        Runs of each, in turn.
    seconds : float
        Length of a run [s].
    number : int
        Car of `outside.cars.CARS`.
    run_sd : float
        Standard deviation of a run's grip [1].
    drift : float
        Mean change of grip from the start of a run to its end [1]; half as much again differs from run to run.
    seed : int
        The same seed gives the same files.
    """
    folder.mkdir(parents=True, exist_ok=True)
    own = car(number)
    (folder / "sheet.toml").write_text(own.sheet)
    (folder / "channels.toml").write_text(FOUR_MAP if own.style == "four" else AXLES_MAP)
    write_grids(folder, len(own.ratios))
    rng = np.random.default_rng([seed, number])
    told = []
    for block in range(runs):
        for compound in rng.permutation(len(compounds)):
            driven = on_compound(own, compounds[compound])
            level = float(np.exp(run_sd * rng.standard_normal()))
            change = drift * (1.0 + 0.5 * rng.standard_normal())
            grip = (level * (1.0 - 0.5 * change), level * (1.0 + 0.5 * change))
            at = len(told) + 1
            told.append(write_run(driven, folder, at, PAIR_NAMES[block % 2], grip, seconds, rng))
            told[-1] |= {"change": change, "level": level, **_tyre(driven, level)}
            (folder / f"run{at}.toml").write_text(
                f'compound = "{driven.compound}"\ndate = 2025-06-{1 + block:02d}T{9 + at % len(compounds):02d}:00:00\n'
                f'track = "Invented Ring"\ntrack_temp_c = {22 + 2 * (block % 5) + at % 3}\n'
                f'grids = "{PAIR_NAMES[block % 2]}.json"\nnotes = "driver: {"AB"[block % 2]}"\n'
            )
    (folder / "season.json").write_text(json.dumps(told, indent=1) + "\n")
    return told


def _tyre(driven, level):
    """Peak friction, slip at it and friction at twice that slip over the peak, at a run's grip."""
    tire = driven.body.tire
    mu, slip = peak(tire)
    # the plant scales friction and slip alike: stiffness is the rubber's
    return {
        "mu_peak": mu * level,
        "slip_peak_pct": 100.0 * slip * level,
        "friction_at_twice": friction(tire, 2.0 * slip) / mu,
    }
