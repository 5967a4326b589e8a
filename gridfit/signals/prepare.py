"""One entry from read logs to prepared runs: repair, calibration, gears, masks, target, cut and slip."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from gridfit.carsheet import CarSheet
from gridfit.grids import GridPair
from gridfit.signals import (
    calibration,
    checks,
    command,
    faults,
    filters,
    fitness,
    gears,
    masks,
    mending,
    smoothing,
    steady,
)
from gridfit.signals.calibration import Calibration
from gridfit.signals.filters import Floats
from gridfit.signals.gears import Gears
from gridfit.signals.prepared import Signals
from gridfit.signals.repair import BRIDGED_S, Repaired, column, repair
from gridfit.signals.run import Run
from gridfit.signals.steady import Points, Samples
from gridfit.units import KMH_PER_MPS

AROUND_S = 0.25
"""This long before and after brakes and shifts nothing is steady [s]."""


def prepare(
    runs: Sequence[Run], sheet: CarSheet, grids_by_run: Mapping[str, GridPair | None]
) -> list[Signals]:
    """Calibrate a car over all of its runs and prepare each of them.

    Parameters
    ----------
    runs : sequence of Run
        Logs of one car.
    sheet : CarSheet
    grids_by_run : mapping of str to GridPair or None
        Pair in force by name of the run; a run that is not named has none.

    Returns
    -------
    list of Signals
        In the order of `runs`.
    """
    repaired = [repair(run, sheet) for run in runs]
    shifts = [_gears(item, item.driven.speed_mps, sheet) for item in repaired]
    cut = [_points(item, gear, sheet) for item, gear in zip(repaired, shifts, strict=True)]
    calibrated = calibration.fit(cut, sheet)
    stretches = _stretches(cut, calibrated)
    return [
        replace(
            _finish(item, calibrated, index, grids_by_run.get(item.run.name), sheet),
            steady=stretches[index],
            slip_per_force_s2pm=calibrated.slope_s2pm,
        )
        for index, item in enumerate(repaired)
    ]


def _stretches(runs: Sequence[Points], calibrated: Calibration) -> list[pd.DataFrame]:
    """Return what the factor was found from, run by run, bends and growth taken out."""
    return [
        pd.DataFrame(
            {
                "speed_mps": run.speed_mps,
                "force_mps2": run.force_mps2,
                "ratio": np.exp(run.ratio_log)
                * calibrated.factors[index].mean
                / calibrated.reading(index, run.speed_mps, run.bend),
                "used": used,
            }
        )
        for index, (run, used) in enumerate(zip(runs, calibration.gentle(runs), strict=True))
    ]


def _gears(item: Repaired, v_d_mps: Floats, sheet: CarSheet) -> Gears:
    return gears.find(column(item.run, "gear"), item.rpm, v_d_mps, sheet, item.run.period_s)


def _points(item: Repaired, gear: Gears, sheet: CarSheet) -> Points:
    around = round(AROUND_S / item.run.period_s)
    fault = item.undriven.bad | item.driven.bad | item.undriven.spike | item.lost
    cut = column(item.run, "cut_pct")
    cutting = np.zeros(item.time_s.size, dtype=np.bool_) if cut is None else np.nan_to_num(cut) > 0.0
    drive, drag = steady.engine_forces(item.rpm, item.throttle, gear.gear, sheet)
    samples = Samples(
        time_s=item.time_s,
        v_u_mps=item.undriven.speed_mps,
        v_d_mps=item.driven.speed_mps,
        throttle=item.throttle,
        usable=~filters.widen(item.brake | gear.shift | cutting, around, around) & ~fault,
        bend=item.bend.turn,
        curved=item.bend.curved,
        drive_mps2=drive,
        drag_mps2=drag,
        sd_mps=float(np.median(item.undriven.sd_mps)),
    )
    return steady.points(samples, sheet)


def _finish(
    item: Repaired, calibrated: Calibration, index: int, grids: GridPair | None, sheet: CarSheet
) -> Signals:
    factor = calibrated.factors[index]
    gear = _gears(item, item.driven.speed_mps / factor.mean, sheet)
    item = _stand_in(item, gear, factor.mean)
    reading = calibrated.reading(index, item.undriven.speed_mps, item.bend.turn)
    table = smoothing.speeds(item, gear, reading, factor.mean, sheet)
    table = pd.concat([table, pd.DataFrame(_columns(item, gear, table, grids, sheet))], axis=1)
    marked = faults.find(item, table, sheet)
    findings = (
        *checks.check(item.run, item.undriven, item.driven, sheet),
        *fitness.check(item, calibrated, index, gear, table, sheet),
        *faults.check(marked, item.run),
    )
    return Signals(
        item.run, grids, factor, gear.radius, table, findings, marked, calibrated.growth, item.bend.share
    )


def _columns(
    item: Repaired, gear: Gears, speeds: pd.DataFrame, grids: GridPair | None, sheet: CarSheet
) -> dict[str, Floats | np.ndarray]:
    """Return the other columns of the table of `Signals`."""
    raw_u, raw_d = speeds["v_u_raw_kmh"].to_numpy(), speeds["v_d_raw_kmh"].to_numpy()
    smooth_u = speeds["v_u_smooth_mps"].to_numpy()
    wanted = column(item.run, "slip_target_pct")
    target = command.target_pct(grids, wanted, raw_u)
    least = sheet.controller.min_speed_kmh / KMH_PER_MPS
    smooth = command.slip_pct(speeds["v_d_smooth_mps"].to_numpy(), smooth_u, least)
    slip = command.slip_pct(speeds["v_d_mps"].to_numpy(), speeds["v_u_mps"].to_numpy(), least)
    return {
        "throttle": item.throttle,
        "rpm": item.rpm,
        "gear": gear.gear,
        "shift": gear.shift,
        "brake": item.brake,
        "valid": ~(item.undriven.bad | item.driven.bad | item.lost),
        "kerb": masks.kerb(item.undriven.spike | item.driven.spike, item.run.period_s),
        "limiter": masks.near_limiter(item.rpm, sheet.engine.limit_rpm),
        "coupled": gear.coupled,
        "cut_pct": _cut(item, gear, raw_u, raw_d, grids, sheet),
        "target_pct": target,
        "slip_pct": slip,
        "slip_error_pct": slip - target,
        "error_smooth_pct": smooth - command.target_pct(grids, wanted, command.in_kmh(smooth_u)),
        "lateral_mps2": item.lateral_mps2,
        "curvature_1pm": item.bend.curvature_1pm,
    }


def _stand_in(item: Repaired, gear: Gears, factor: float) -> Repaired:
    """Put engine speed over the gear's ratio where the driven axle was lost with the clutch closed."""
    bad = item.driven.bad
    if not bad.any() or not math.isfinite(gear.radius.mean):
        return item
    speed = smoothing.by_engine(item, gear) * factor
    usable = bad & ~gear.shift & np.isfinite(speed)
    mended = replace(
        item.driven, speed_mps=np.where(usable, speed, item.driven.speed_mps), bad=item.driven.bad & ~usable
    )
    return replace(item, driven=mended)


def _cut(
    item: Repaired, gear: Gears, raw_u: Floats, raw_d: Floats, grids: GridPair | None, sheet: CarSheet
) -> Floats:
    logged = column(item.run, "cut_pct")
    logged = (
        np.full(item.time_s.size, np.nan)
        if logged is None
        else mending.bridge(logged, item.time_s, BRIDGED_S)
    )
    if grids is None or np.isfinite(logged).all():
        return logged
    made = command.cut_pct(item.time_s, raw_u, raw_d, item.throttle, gear.gear, grids, sheet)
    return np.where(np.isfinite(logged), logged, made)
