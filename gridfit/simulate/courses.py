"""Courses of simulated episodes, sampled from the compiled time loop: what happens, beside what it costs."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.grids import GridPair
from gridfit.simulate import kernel as k
from gridfit.simulate.batch import Simulator
from gridfit.simulate.packing import gear_rows, gear_rows_of
from gridfit.simulate.parameters import Floats, Plant
from gridfit.simulate.scenarios import Scenarios
from gridfit.units import KMH_PER_MPS

COURSE_STEP_S = 0.001
"""Largest time step of a course [s]."""


@dataclass(frozen=True, slots=True)
class Course:
    """One episode over time under one grid pair.

    Parameters
    ----------
    time_s : float64[S]
        From the disturbance [s].
    slip_pct, target_pct, cut_pct : float64[S]
        True slip on vehicle speed, target, and cut as it takes effect [%].
    speed_kmh, driven_kmh : float64[S]
        Vehicle and driven wheels [km/h].
    """

    time_s: Floats
    slip_pct: Floats
    target_pct: Floats
    cut_pct: Floats
    speed_kmh: Floats
    driven_kmh: Floats


def courses(
    sheet: CarSheet,
    pairs: Sequence[GridPair],
    scenarios: Scenarios,
    position: int,
    plant: Plant,
    *,
    every_s: float = 0.005,
) -> list[Course]:
    """Return the course of one scenario under each grid pair, on the mean of a plant's draws.

    Parameters
    ----------
    sheet : CarSheet
    pairs : sequence of GridPair
    scenarios : Scenarios
    position : int
        Which scenario.
    plant : Plant
    every_s : float
        Time between samples [s].

    Returns
    -------
    list of Course
        One per pair; each ends where the unslipped engine speed reaches 97 % of its limit, or the window does.
    """
    mean = plant.mean()[None, :]
    alone = replace(plant, draws=mean, grip=np.ones_like(plant.grip[:1]), slip=np.ones_like(plant.slip[:1]))
    simulator = Simulator(sheet, scenarios, alone, step_s=COURSE_STEP_S)
    time_s, states = simulator.watch(pairs, np.array([position]), np.array([0]))
    gear = gear_rows_of(scenarios.gear, simulator.n_gears)[position]
    end_mps = 0.97 * sheet.engine.limit_rpm / gear_rows(sheet, mean)[0, gear, k.G_RPM]
    stride = max(1, round(every_s / (time_s[1] - time_s[0])))
    floor_mps = sheet.controller.min_speed_kmh / KMH_PER_MPS
    return [_course(time_s, one, end_mps, floor_mps, stride) for one in states[0]]


def _course(time_s: Floats, states: Floats, end_mps: float, floor_mps: float, stride: int) -> Course:
    v, w = states[:, 0], states[:, 1]
    over = np.flatnonzero((v >= end_mps) & (time_s > 0.0))
    last = int(over[0]) + 1 if over.size else v.size
    at = slice(int(np.searchsorted(time_s, -0.05)), last, stride)
    v, w = v[at], w[at]
    return Course(
        time_s[at],
        100.0 * (w - v) / np.maximum(v, floor_mps),
        states[at, 3],
        100.0 * states[at, 2],
        KMH_PER_MPS * v,
        KMH_PER_MPS * w,
    )
