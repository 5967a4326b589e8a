"""A first grid pair from a car's own figures, without any simulation.

What makes one car want other grids than the next is mostly written on its sheet: how far the engine outdoes the tyres
in a gear, how late a cut arrives, how much there is to spin up. A law of these figures, fitted once over many invented
cars, draws the pair that a search then begins from.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from gridfit.carsheet import CarSheet
from gridfit.grids import CutGrid, GridPair, TargetGrid
from gridfit.search.space import row_space
from gridfit.simulate import kernel as k
from gridfit.simulate.parameters import Plant
from gridfit.simulate.scenarios import Traction

FloatArray = NDArray[np.float64]

ERROR_PCT = (0.0, 5.0, 10.0, 20.0, 30.0)
"""Slip errors at which the law tells a cut [percentage points]."""

BEND_PCT = (0.0, 10.0, 30.0)
"""Slip errors at which it tells what a figure adds; between them on a line [percentage points]."""

FALL_KMH = (40.0, 200.0)
"""The target falls as a power of speed between these [km/h]."""

LEVEL_KMH = 80.0
"""Speed of the target's level [km/h]."""

TARGET_PCT = (0.5, 40.0)
"""Targets are kept between these [%]."""

FIGURES = (
    "drive_over_grip",
    "cut_delay",
    "inertia_to_mass",
    "front_driven",
    "grip",
    "fuel_cut",
    "gear_speed",
)
LOWEST = (-0.2, -0.8, -1.5, 0.0, -0.4, 0.0, -0.9)
HIGHEST = (1.1, 1.2, 1.5, 1.0, 0.4, 1.0, 0.6)
"""Range of each figure that the law was fitted on; beyond it the nearest end counts."""
USUAL = (0.4, 0.0, 0.0, 0.3, 0.0, 0.25, -0.3)
"""Figures of the car whose pair is the law's own, unbent."""


@dataclass(frozen=True, slots=True)
class Law:
    """How a car's figures bend the grids.

    Parameters
    ----------
    cut_logit : float64[5]
        Logit of the cut at `ERROR_PCT` for the usual figures.
    cut_bend : float64[F, 3]
        What each figure over its usual adds to it at `BEND_PCT`.
    target_log : float
        Logarithm of the target [%] at `LEVEL_KMH` for the usual figures.
    target_fall : float
        Power of speed by which the target falls [1].
    target_bend : float64[F]
        What each figure of the lowest gear over its usual adds to the target's logarithm.
    """

    cut_logit: FloatArray
    cut_bend: FloatArray
    target_log: float
    target_fall: float
    target_bend: FloatArray

    @classmethod
    def of(cls, numbers: FloatArray) -> "Law":
        """Return the law of 7 + 4 F numbers in the order above."""
        size = len(FIGURES)
        cut, bend, target, own = np.split(np.asarray(numbers), np.cumsum([5, 3 * size, 2]))
        return cls(cut, bend.reshape(size, 3), float(target[0]), float(target[1]), own)


LAW = Law(
    np.array([-1.885, -0.895, -0.035, 0.721, 2.454]),
    np.array(
        [
            [1.027, 0.4, 0.792],
            [-0.216, -0.45, -0.422],
            [0.111, 0.083, 0.334],
            [-0.002, 0.019, -0.395],
            [-0.179, 0.049, -0.132],
            [0.259, 0.153, -0.137],
            [0.022, 0.103, 0.055],
        ]
    ),
    2.286, 0.0,
    np.array([-0.197, 0.003, 0.078, 0.006, 0.061, 0.009, -0.094]),
)  # fmt: skip
"""Source: fitted on invented cars (tests/benchmarks/scaled_pair.py); no published source."""


def figures(sheet: CarSheet, plant: Plant) -> FloatArray:
    """What the law knows of a car: figures of every gear, float64[G, F] in the order of `FIGURES`.

    Drive over grip is the logarithm of the most that full throttle asks of what the tyres can hold; cut delay that of
    dead time and lags to the torque over 30 ms, at 0.7 of the engine's limit; inertia to mass that of ten times what
    spins with the driven wheels, as mass at their rim, over the car's; grip that of peak friction; gear speed that of
    the speed at the engine's limit over 30 m/s.

    Parameters
    ----------
    sheet : CarSheet
    plant : Plant
        Its mean counts.
    """
    limit, mean = sheet.engine.limit_rpm, Traction.of(sheet, plant)
    car, rows = mean.car, []
    cycle_s = 120.0 / (0.7 * limit)
    delay_s = car[k.C_DEAD] + cycle_s * car[k.C_CYCLES] + car[k.C_TAUC] + car[k.C_TAUS]
    front, fuel = float(sheet.car.drive == "fwd"), float(sheet.engine.cut == "fuel")
    for gear, own in enumerate(mean.gears, start=1):
        fastest = limit / own[k.G_RPM]
        speed = np.linspace(0.3, 0.97, 40) * fastest
        outdone = np.max(mean.drive_n(gear, speed) / mean.grip_n(speed))
        spun = own[k.G_INERTIA] / car[k.C_MASS]
        drive, delay, inertia = np.log([outdone, delay_s / 0.03, 10.0 * spun])
        rows.append([drive, delay, inertia, front, np.log(car[k.C_MU]), fuel, np.log(fastest / 30.0)])
    return np.array(rows)


def scaled(axes: GridPair, told: FloatArray, cut_max_pct: float, law: Law = LAW) -> GridPair:
    """Return the pair that the law draws for a car, on the breakpoints of `axes`.

    Parameters
    ----------
    axes : GridPair
    told : float64[G, F]
        As `figures` tells them, gear 1 first.
    cut_max_pct : float
        Largest cut of the controller [%].
    law : Law
    """
    over = np.clip(told, LOWEST, HIGHEST) - np.asarray(USUAL)
    bends = np.array([np.interp(ERROR_PCT, BEND_PCT, bend) for bend in law.cut_bend])
    rows = 100.0 * np.maximum.accumulate(expit(law.cut_logit + over @ bends), axis=1)
    error, gears = axes.cut.slip_error_pct, axes.cut.gear.astype(int)
    cut = np.array([np.interp(error, ERROR_PCT, rows[gear - 1]) for gear in gears])
    cut = np.minimum(np.round(cut), cut_max_pct)
    cut[:, : row_space(error, cut_max_pct).knot[0]] = 0.0
    speed = axes.target.speed_kmh
    fall = np.clip(law.target_fall, 0.0, 1.0) * np.log(np.clip(speed, *FALL_KMH) / LEVEL_KMH)
    slip = np.exp(law.target_log + over[0] @ law.target_bend - fall)
    target = TargetGrid(speed, np.clip(np.round(2.0 * slip) / 2.0, *TARGET_PCT))
    return GridPair(target, CutGrid(error, axes.cut.gear, cut), axes.extra)
