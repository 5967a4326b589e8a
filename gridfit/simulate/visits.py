"""Where simulated episodes spend their time: over vehicle speed, and over slip error gear by gear."""

from dataclasses import dataclass
from math import ceil

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.grids import GridPair
from gridfit.recovery import WINDOW_S
from gridfit.simulate import kernel as k
from gridfit.simulate.batch import SEARCH_STEP_S, grid_rows
from gridfit.simulate.packing import gear_rows_of, loop_row, pack
from gridfit.simulate.parameters import Floats, Plant
from gridfit.simulate.scenarios import Scenarios
from gridfit.units import KMH_PER_MPS


@dataclass(frozen=True, slots=True)
class Visits:
    """Time above the target.

    Parameters
    ----------
    speed_s : float64[A]
        Time of an episode near each of the speeds asked for [s].
    error_s : float64[G, B]
        Time of an episode of each gear near each of the slip errors asked for [s]; no time in gears without scenarios.
    """

    speed_s: Floats
    error_s: Floats


def visits(
    sheet: CarSheet,
    pair: GridPair,
    scenarios: Scenarios,
    plant: Plant,
    *,
    speed_kmh: Floats,
    error_pct: Floats,
    draws: int = 8,
) -> Visits:
    """Play every scenario under a grid pair and count the time at which the target is exceeded.

    Slip is the true one; the controller sees it a sensor's lag later.

    Parameters
    ----------
    sheet : CarSheet
    pair : GridPair
    scenarios : Scenarios
    plant : Plant
    speed_kmh : float64[A]
        Speeds to count at, rising; a moment counts for the nearest [km/h].
    error_pct : float64[B]
        Slip errors to count at, rising, alike [percentage points].
    draws : int
        Draws of the plant to play, the first so many.
    """
    rows = pack(sheet, plant.draws[:draws])
    n_gears, n = len(sheet.gearbox.ratios), len(scenarios)
    loop = loop_row(sheet, rows.rpm_step, step_s=SEARCH_STEP_S, window_s=WINDOW_S)
    gear_of = gear_rows_of(scenarios.gear, n_gears)
    inputs = (scenarios.values, gear_of, rows.car, rows.gears, rows.friction, rows.torque, loop)
    grids = grid_rows([pair], n_gears)
    dt = float(loop[k.L_STEP])
    pre = ceil(k.PRE_S * sheet.controller.loop_hz - 1e-9) * round(1.0 / (sheet.controller.loop_hz * dt))
    parts = np.zeros((len(rows.car), 1, n, k.N_PARTS))
    course = np.zeros((k.LANES, pre + round(WINDOW_S / dt), 4))
    speed_s, error_s = np.zeros(speed_kmh.size), np.zeros((n_gears, error_pct.size))
    per_draw = -(-n // k.LANES)
    for block in range(per_draw * len(rows.car)):
        course[:] = 0.0
        k.run_blocks(block, block + 1, *inputs, *grids, parts, course)
        draw, first = block // per_draw, block % per_draw * k.LANES
        for lane, at in enumerate(range(first, min(first + k.LANES, n))):
            end_mps = 0.97 * sheet.engine.limit_rpm / rows.gears[draw, gear_of[at], k.G_RPM]
            speed, error = _above(course[lane, pre:], end_mps, sheet.controller.min_speed_kmh)
            speed_s += _near(speed, speed_kmh) * dt
            error_s[gear_of[at]] += _near(error, error_pct) * dt
    played = np.bincount(gear_of, minlength=n_gears) * len(rows.car)
    return Visits(speed_s / (n * len(rows.car)), error_s / np.maximum(played, 1)[:, None])


def _above(states: Floats, end_mps: float, least_kmh: float) -> tuple[Floats, Floats]:
    """Speed [km/h] and slip error [points] at the moments above the target, until the window ends."""
    over = np.flatnonzero(states[:, 0] >= end_mps)
    v, w, target = states[: over[0] if over.size else None, (0, 1, 3)].T
    kmh = KMH_PER_MPS * v
    error = 100.0 * KMH_PER_MPS * (w - v) / np.maximum(kmh, least_kmh) - target
    counts = (error > 0.0) & (kmh > least_kmh)
    return kmh[counts], error[counts]


def _near(values: Floats, places: Floats) -> Floats:
    """How many of the values lie nearest to each place, float64[len(places)]."""
    edges = 0.5 * (places[1:] + places[:-1])
    return np.bincount(np.searchsorted(edges, values), minlength=places.size).astype(np.float64)
