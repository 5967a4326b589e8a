"""Do all runs come from one car? Gearing by engine speed, and pull at full throttle, run against run.

Another car's logs under one car sheet would pass for another compound. Two things tell them: turns of the engine per
metre in the gears of the sheet, which tyre sizes move by a few per cent at most, and acceleration at full throttle
without slip over what the sheet expects, which fuel and wind move by about as much.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.driveline import rolling_radius_m
from gridfit.errors import DataError, Problem
from gridfit.signals.prepared import Signals
from gridfit.units import GRAVITY_MPS2

Floats = NDArray[np.float64]

GEARING = 0.08
"""Rolling radius by engine speed further apart than this [1] is no tyre of the same car; sizes that fit one hub differ
by less. Judgement."""
PULL = 0.25
"""Pull at full throttle further apart than this [1] is no fuel load, weather or grade. Judgement."""
FULL = 0.97
"""Throttle from which on it is full [1]."""
SPAN_S = 0.4
"""Time over which an acceleration is read [s]."""
FEWEST = 25
"""Samples below which a run's pull is not told [1]."""
CALM_PCT = 7.0
"""Largest slip at which the tyre passes on all of the engine [%]."""
INERTIA = 1.10
"""Mass that turning parts add in the gears where the car pulls without slip, as a factor [1]; common practice."""
DRAG_MPS2 = 0.15
"""Rolling resistance over mass [m/s2]: 1.5 % of weight; from memory."""


@dataclass(frozen=True, slots=True)
class CarMarks:
    """What a run says of its car.

    Parameters
    ----------
    run : str
    radius_m : float
        Rolling radius by engine speed and the sheet's ratios [m]; NaN without engine speed.
    pull : float
        Acceleration at full throttle without slip over what the sheet expects [1]; NaN where it was not driven so.
    """

    run: str
    radius_m: float
    pull: float


def marks(signals: Sequence[Signals], sheet: CarSheet) -> tuple[CarMarks, ...]:
    """Return what each run says of its car."""
    return tuple(CarMarks(item.name, float(item.radius.mean), _pull(item, sheet)) for item in signals)


def _pull(item: Signals, sheet: CarSheet) -> float:
    table = item.table
    speed = table["v_u_mps"].to_numpy(dtype=np.float64)
    rpm = table["rpm"].to_numpy(dtype=np.float64)
    gear = table["gear"].to_numpy().astype(np.int64)
    span = max(2, round(SPAN_S / item.step_s))
    if speed.size <= 2 * span or not np.isfinite(rpm).any():
        return float("nan")
    good = (table["throttle"].to_numpy() > FULL) & (gear > 0) & table["valid"].to_numpy()
    good &= ~(table["shift"].to_numpy() | table["brake"].to_numpy() | table["limiter"].to_numpy())
    good &= (np.nan_to_num(table["cut_pct"].to_numpy(dtype=np.float64)) < 1.0) & np.isfinite(rpm)
    good &= np.abs(np.nan_to_num(table["slip_pct"].to_numpy(dtype=np.float64), nan=99.0)) < CALM_PCT
    # a whole span of it, in one gear
    count = np.convolve(good, np.ones(span, dtype=np.int64), "valid")[:-1]
    held = (count == span) & (gear[:-span] == gear[span - 1 : -1]) & (speed[:-span] > 5.0)
    first = np.flatnonzero(held)
    if first.size < FEWEST:
        return float("nan")
    time = table["time_s"].to_numpy(dtype=np.float64)
    measured = (speed[first + span] - speed[first]) / (time[first + span] - time[first])
    middle = first + span // 2
    ratio = np.asarray(sheet.gearbox.ratios)[np.clip(gear[middle] - 1, 0, len(sheet.gearbox.ratios) - 1)]
    turns = ratio * sheet.gearbox.final_drive
    torque = np.interp(rpm[middle], sheet.engine.rpm, sheet.engine.torque_nm)
    force = torque * turns * sheet.gearbox.efficiency / rolling_radius_m(sheet.tyre.size)
    drag = 0.6 * sheet.car.cda_m2 * speed[middle] ** 2
    expected = (force - drag) / sheet.car.mass_kg / INERTIA - DRAG_MPS2
    usable = expected > 0.05 * GRAVITY_MPS2
    return float(np.median(measured[usable] / expected[usable])) if usable.sum() >= FEWEST else float("nan")


def refuse_mixed(found: Sequence[CarMarks]) -> None:
    """Refuse runs that come from more than one car.

    Parameters
    ----------
    found : sequence of CarMarks

    Raises
    ------
    DataError
        Which runs stand apart from the rest, in what, and by how much.
    """
    problems = [
        problem
        for values, limit, what, unit in (
            (
                [one.radius_m for one in found],
                GEARING,
                "engine turns per metre in the sheet's gears",
                "rolling radius m",
            ),
            (
                [one.pull for one in found],
                PULL,
                "pull at full throttle over the car sheet's",
                "measured over expected",
            ),
        )
        if (problem := _apart([one.run for one in found], np.array(values), limit, what, unit)) is not None
    ]
    if problems:
        raise DataError(problems)


def _apart(runs: Sequence[str], values: Floats, limit: float, what: str, unit: str) -> Problem | None:
    """Return the fault of runs whose value stands apart from the others' by more than the limit."""
    known = np.isfinite(values) & (values > 0.0)
    if known.sum() < 2 or np.ptp(np.log(values[known])) <= limit:
        return None
    middle = _largest_group(values[known], limit)
    off = [int(at) for at in np.flatnonzero(known) if abs(np.log(values[at] / middle)) > limit]
    if not off:  # a chain of runs, each near the next
        off = [int(np.flatnonzero(known)[np.argmax(np.abs(np.log(values[known] / middle)))])]
    told = ", ".join(f"{runs[at]} {values[at]:.3g}" for at in off)
    return Problem(
        told, what, "", f"must agree within {100 * limit:.0f} % between the runs of one car; the others have "
        f"{middle:.3g} ({unit})",
        "One comparison is of one car. Take the other car's runs out, or compare them under their own car sheet.",
    )  # fmt: skip


def _largest_group(values: Floats, limit: float) -> float:
    """Median of the largest set of values that agree with one of them."""
    near = np.abs(np.log(values[:, None] / values)) <= limit
    return float(np.median(values[near[int(np.argmax(near.sum(axis=1)))]]))
