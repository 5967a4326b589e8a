"""Courses of simulated episodes, sampled from the compiled time loop: what happens, beside what it costs."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.grids import GridPair
from gridfit.recovery import WINDOW_S
from gridfit.simulate import kernel as k
from gridfit.simulate.batch import grid_rows
from gridfit.simulate.packing import gear_rows_of, loop_row, pack
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
        At most 16.
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
    rows = pack(sheet, plant.mean()[None, :])
    loop = loop_row(sheet, rows.rpm_step, step_s=COURSE_STEP_S, window_s=WINDOW_S)
    n_gears = len(sheet.gearbox.ratios)
    gear_of = gear_rows_of(scenarios.gear[position : position + 1], n_gears)
    dt, period = float(loop[k.L_STEP]), float(loop[k.L_PERIOD])
    pre = ceil(k.PRE_S / period - 1e-9) * round(period / dt)
    steps = pre + round(WINDOW_S / dt)
    out, parts = np.zeros((len(pairs), steps, 4)), np.zeros((1, len(pairs), 1, k.N_PARTS))
    k.run_blocks(
        0, 1, scenarios.values[position : position + 1], gear_of, rows.car, rows.gears, rows.friction, rows.torque,
        loop, *grid_rows(pairs, n_gears), parts, out,
    )  # fmt: skip
    time_s = np.asarray((np.arange(steps) - pre + 1) * dt, dtype=np.float64)
    end_mps = 0.97 * sheet.engine.limit_rpm / rows.gears[0, gear_of[0], k.G_RPM]
    stride = max(1, round(every_s / dt))
    floor_mps = sheet.controller.min_speed_kmh / KMH_PER_MPS
    return [_course(time_s, states, end_mps, floor_mps, stride) for states in out]


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
