"""Where simulated episodes spend their time: over vehicle speed, and over slip error gear by gear."""

from dataclasses import dataclass

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.grids import GridPair
from gridfit.simulate import kernel as k
from gridfit.simulate.batch import Simulator
from gridfit.simulate.packing import gear_rows, gear_rows_of
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
    simulator = Simulator(sheet, scenarios, plant)
    n_gears, n, n_draws = simulator.n_gears, len(scenarios), min(draws, len(plant))
    gear_of = gear_rows_of(scenarios.gear, n_gears)
    rpm = gear_rows(sheet, plant.draws[:n_draws])[:, :, k.G_RPM]
    speed_s, error_s = np.zeros(speed_kmh.size), np.zeros((n_gears, error_pct.size))
    for draw in range(n_draws):
        # draw by draw, since courses take room
        time_s, states = simulator.watch([pair], np.arange(n), np.full(n, draw))
        dt = float(time_s[1] - time_s[0])
        for at, course in enumerate(states[:, 0, time_s > 0.0]):
            end_mps = 0.97 * sheet.engine.limit_rpm / rpm[draw, gear_of[at]]
            speed, error = _above(course, end_mps, sheet.controller.min_speed_kmh)
            speed_s += _near(speed, speed_kmh) * dt
            error_s[gear_of[at]] += _near(error, error_pct) * dt
    played = np.bincount(gear_of, minlength=n_gears) * n_draws
    return Visits(speed_s / (n * n_draws), error_s / np.maximum(played, 1)[:, None])


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
