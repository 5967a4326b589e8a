"""One entry from read logs to prepared runs: repair, calibration, gears, masks, target, cut and slip."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from gridfit.carsheet import CarSheet
from gridfit.driveline import overall_ratio
from gridfit.grids import GridPair
from gridfit.signals import calibration, checks, command, filters, fitness, gears, masks
from gridfit.signals.calibration import Calibration, Points
from gridfit.signals.filters import Bools, Floats
from gridfit.signals.gears import Gears
from gridfit.signals.prepared import Signals
from gridfit.signals.quality import Finding
from gridfit.signals.run import Run
from gridfit.signals.wheels import Axle, axle
from gridfit.units import KMH_PER_MPS, RPM_PER_RADPS

ERROR_SD_PCT = 0.45
"""Noise of slip error that smoothing aims to leave [percentage points]: a quarter of the 2-point band."""

UNDRIVEN_SHARE = 0.5
"""Share of that noise that the undriven axle may add [1]; a car is slow to change."""

ENGINE_SHARE = 0.7
"""Share of that noise to aim at where engine speed keeps the edges [1]."""

LONGEST_TWIST_S = 0.15
"""Longest smoothing of what driven axle and engine speed differ by [s]."""

LONGEST_DRIVEN_S = 0.11
"""Longest smoothing of the driven axle [s]; slip of 40 ms must survive it."""

LONGEST_UNDRIVEN_S = 0.35
"""Longest smoothing of the undriven axle [s]."""

SHORTEST_UNDRIVEN_S = 0.11
"""Shortest smoothing of the undriven axle [s]: a car's speed does not change faster."""


@dataclass(frozen=True, slots=True)
class _Repaired:
    """A run after repair, before calibration."""

    run: Run
    time_s: Floats
    undriven: Axle
    driven: Axle
    throttle: Floats
    rpm: Floats
    brake: Bools
    curvature_1pm: Floats
    bend: Floats
    curved: bool
    findings: list[Finding]


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
    repaired = [_repair(run, sheet) for run in runs]
    shifts = [_gears(item, item.driven.speed_mps, sheet) for item in repaired]
    cut = [_points(item, gear, sheet) for item, gear in zip(repaired, shifts, strict=True)]
    calibrated = calibration.fit(cut, sheet)
    return [
        _finish(item, calibrated, index, grids_by_run.get(item.run.name), sheet)
        for index, item in enumerate(repaired)
    ]


def _column(run: Run, name: str) -> Floats | None:
    return run.table[name].to_numpy(dtype=np.float64) if name in run.table else None


def _repair(run: Run, sheet: CarSheet) -> _Repaired:
    time_s = run.table["time_s"].to_numpy(dtype=np.float64)
    undriven, driven = axle(run, sheet, driven=False), axle(run, sheet, driven=True)
    unknown = np.full(time_s.size, np.nan)
    throttle = _bridged(run, "throttle", time_s)
    logged_brake = _column(run, "brake")
    if logged_brake is None:
        brake = masks.brake_guessed(time_s, undriven.speed_mps, throttle)
    else:
        brake = masks.brake_on(logged_brake)
    curvature, bend, curved = _bend(run, undriven, sheet)
    rpm = _bridged(run, "rpm", time_s)
    findings = checks.check(run, undriven, driven, sheet)
    return _Repaired(
        run,
        time_s,
        undriven,
        driven,
        throttle,
        rpm if rpm is not None else unknown,
        brake,
        curvature,
        bend,
        curved,
        findings,
    )


def _bridged(run: Run, name: str, time_s: Floats) -> Floats:
    """Return a channel with gaps up to 0.12 s bridged; all NaN when the log has none."""
    values = _column(run, name)
    if values is None:
        return np.full(time_s.size, np.nan)
    filled = filters.fill_gaps(time_s, values)
    lost = ~np.isfinite(values)
    for first, last in zip(*filters.intervals(lost), strict=True):
        if time_s[last - 1] - time_s[first] > 0.12:
            filled[first:last] = np.nan
    return filled


def _bend(run: Run, undriven: Axle, sheet: CarSheet) -> tuple[Floats, Floats, bool]:
    """Return curvature [1/m] (NaN where unknown), what stands for it in the calibration, and if it is one."""
    speed = np.maximum(undriven.speed_mps, 1.0)
    lateral = _column(run, "lateral_acc_mps2")
    unknown = np.full(speed.size, np.nan)
    if np.isfinite(undriven.spin_mps).any():
        curvature = undriven.spin_mps / speed / sheet.car.track_m
        return curvature, curvature, True
    if lateral is not None:
        curvature = lateral / speed**2
        return curvature, curvature, True
    steering = _column(run, "steering_rad")
    return unknown, unknown if steering is None else steering, False


def _gears(item: _Repaired, v_d_mps: Floats, sheet: CarSheet) -> Gears:
    return gears.find(_column(item.run, "gear"), item.rpm, v_d_mps, sheet, item.run.period_s)


def _points(item: _Repaired, gear: Gears, sheet: CarSheet) -> Points:
    step_s = item.run.period_s
    around = round(0.25 / step_s)
    fault = item.undriven.bad | item.driven.bad | item.undriven.spike
    usable = ~filters.widen(item.brake | gear.shift, around, around) & ~fault
    sd = float(np.median(item.undriven.sd_mps))
    return calibration.points(
        item.time_s,
        item.undriven.speed_mps,
        item.driven.speed_mps,
        item.throttle,
        usable,
        item.bend,
        sd,
        sheet,
        curved=item.curved,
    )


def _finish(
    item: _Repaired, calibrated: Calibration, index: int, grids: GridPair | None, sheet: CarSheet
) -> Signals:
    factor = calibrated.factors[index]
    v_d = item.driven.speed_mps / factor.mean
    gear = _gears(item, v_d, sheet)
    item = _stand_in(item, gear, factor.mean, sheet)
    v_u, v_d = item.undriven.speed_mps, item.driven.speed_mps / factor.mean
    table = _speeds(item, gear, factor.mean, sheet)
    raw_u, raw_d = table["v_u_raw_kmh"].to_numpy(), table["v_d_raw_kmh"].to_numpy()
    target = command.target_pct(grids, _column(item.run, "slip_target_pct"), raw_u)
    least = sheet.controller.min_speed_kmh / KMH_PER_MPS
    smooth_target = command.target_pct(
        grids, _column(item.run, "slip_target_pct"), command.in_kmh(table["v_u_smooth_mps"].to_numpy())
    )
    smooth = command.slip_pct(table["v_d_smooth_mps"].to_numpy(), table["v_u_smooth_mps"].to_numpy(), least)
    slip = command.slip_pct(v_d, v_u, least)
    lateral = _column(item.run, "lateral_acc_mps2")
    bad = item.undriven.bad | item.driven.bad
    columns = {
        "throttle": item.throttle,
        "rpm": item.rpm,
        "gear": gear.gear,
        "shift": gear.shift,
        "brake": item.brake,
        "valid": ~bad,
        "kerb": masks.kerb(item.undriven.spike | item.driven.spike, item.run.period_s),
        "limiter": masks.near_limiter(item.rpm, sheet.engine.limit_rpm),
        "coupled": gear.coupled,
        "cut_pct": _cut(item, gear, raw_u, raw_d, grids, sheet),
        "target_pct": target,
        "slip_pct": slip,
        "slip_error_pct": slip - target,
        "error_smooth_pct": smooth - smooth_target,
        "lateral_mps2": np.full(v_u.size, np.nan) if lateral is None else lateral,
        "curvature_1pm": item.curvature_1pm,
    }
    table = pd.concat([table, pd.DataFrame(columns)], axis=1)
    findings = [*item.findings, *fitness.check(item.run, calibrated, index, gear, table, sheet)]
    return Signals(item.run, grids, factor, gear.radius, table, tuple(findings))


def _stand_in(item: _Repaired, gear: Gears, factor: float, sheet: CarSheet) -> _Repaired:
    """Put engine speed over the gear's ratio where the driven axle was lost with the clutch closed."""
    bad = item.driven.bad
    if not bad.any() or not math.isfinite(gear.radius.mean):
        return item
    speed = _by_engine(item, gear, sheet) * factor
    usable = bad & ~gear.shift & np.isfinite(speed)
    mended = replace(
        item.driven, speed_mps=np.where(usable, speed, item.driven.speed_mps), bad=item.driven.bad & ~usable
    )
    return replace(item, driven=mended)


def _by_engine(item: _Repaired, gear: Gears, sheet: CarSheet) -> Floats:
    """Return the driven axle's speed by engine speed and ratio [m/s], calibrated; NaN where unknown."""
    ratios = overall_ratio(sheet, np.arange(1, sheet.gears + 1))
    speed = item.rpm / RPM_PER_RADPS * gear.radius.mean / ratios[np.maximum(gear.gear, 1) - 1]
    return np.where(gear.gear > 0, speed, np.nan)


def _smooth_driven(
    item: _Repaired, v_d: Floats, sd: Floats, wanted: Floats, gear: Gears, sheet: CarSheet
) -> Floats:
    """Smooth the driven axle; with the clutch closed only its difference from engine speed is smoothed.

    Engine speed is far quieter than a wheel's, and what the two differ by, the twist of the shafts, is small
    and needs no sharp edges; so the edges of slip survive although the noise goes.
    """
    longest = round(LONGEST_DRIVEN_S / item.run.period_s)
    plain = filters.smooth_to(v_d, sd, wanted, longest)
    engine = _by_engine(item, gear, sheet)
    closed = gear.coupled & np.isfinite(engine)
    if not closed.any():
        return plain
    longer = round(LONGEST_TWIST_S / item.run.period_s)
    reach = longer // 2 + 1
    inner = ~filters.widen(~closed, reach, reach)
    rest = filters.fill_gaps(item.time_s, np.where(closed, v_d - engine, np.nan))
    return np.where(inner, engine + filters.smooth_to(rest, sd, ENGINE_SHARE * wanted, longer), plain)


def _speeds(item: _Repaired, gear: Gears, factor: float, sheet: CarSheet) -> pd.DataFrame:
    """Return clock, raw, repaired and smoothed speeds."""
    step_s = item.run.period_s
    v_u, v_d = item.undriven.speed_mps, item.driven.speed_mps / factor
    sd_u, sd_d = item.undriven.sd_mps, item.driven.sd_mps / factor
    base = np.maximum(v_u, sheet.controller.min_speed_kmh / KMH_PER_MPS)
    wanted = ERROR_SD_PCT / 100.0 * base
    shortest = round(SHORTEST_UNDRIVEN_S / step_s) | 1
    calm = filters.quadratic(v_u, shortest)
    stronger = filters.smooth_to(v_u, sd_u, UNDRIVEN_SHARE * wanted, round(LONGEST_UNDRIVEN_S / step_s))
    enough = sd_u * filters.noise_gain(shortest) <= UNDRIVEN_SHARE * wanted
    smooth_u = np.where(enough, calm, stronger)
    smooth_d = _smooth_driven(item, v_d, sd_d, wanted, gear, sheet)
    raw_u, raw_d = item.undriven.raw_mps, item.driven.raw_mps
    return pd.DataFrame(
        {
            "time_s": item.time_s,
            "v_u_mps": v_u,
            "v_d_mps": v_d,
            "v_u_raw_kmh": command.in_kmh(raw_u),
            "v_d_raw_kmh": command.in_kmh(raw_d),
            "v_u_smooth_mps": smooth_u,
            "v_d_smooth_mps": smooth_d,
        }
    )


def _cut(
    item: _Repaired, gear: Gears, raw_u: Floats, raw_d: Floats, grids: GridPair | None, sheet: CarSheet
) -> Floats:
    logged = _bridged(item.run, "cut_pct", item.time_s)
    if grids is None or np.isfinite(logged).all():
        return logged
    made = command.cut_pct(item.time_s, raw_u, raw_d, item.throttle, gear.gear, grids, sheet)
    return np.where(np.isfinite(logged), logged, made)
