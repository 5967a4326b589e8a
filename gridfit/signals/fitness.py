"""Checks on a prepared run: wheel-speed factor, gear, rolling radius, target."""

import math

import numpy as np
import pandas as pd

from gridfit.carsheet import CarSheet
from gridfit.driveline import rolling_radius_m
from gridfit.signals import scale
from gridfit.signals.calibration import Calibration
from gridfit.signals.gearing import RADIUS_DOUBT
from gridfit.signals.gears import Gears
from gridfit.signals.quality import Finding, compare
from gridfit.signals.repair import Repaired
from gridfit.signals.run import Run


def check(
    item: Repaired, calibrated: Calibration, index: int, gear: Gears, table: pd.DataFrame, sheet: CarSheet
) -> list[Finding]:
    """Check calibration, gears and target of a prepared run.

    Parameters
    ----------
    item : Repaired
    calibrated : Calibration
        Of the car.
    index : int
        Which run of the calibration this is.
    gear : Gears
    table : DataFrame
        As in `Signals`.
    sheet : CarSheet

    Returns
    -------
    list of Finding
    """
    run, factor = item.run, calibrated.factors[index]
    half = 0.5 * (factor.hi - factor.lo)
    moving = table["v_u_mps"].to_numpy() > 5.0
    unknown = float(np.mean((table["gear"].to_numpy() == 0)[moving])) if moving.any() else math.nan
    found = [
        compare(
            "wheel-speed factor",
            run.name,
            "half width of its 90 % interval [1]",
            half,
            "<",
            0.006,
            good=f"driven over undriven {factor}, from {sum(calibrated.points)} steady stretches",
            bad=f"driven over undriven {factor}: too little steady driving without brake to tell it well",
            remedy="Log a minute of steady driving on a straight, throttle light, no brake.",
        ),
        compare(
            "factor between runs",
            run.name,
            "standard deviation beyond its error [1]",
            calibrated.spread,
            "<",
            0.004,
            good="all runs agree on the factor",
            bad="runs differ in the factor: tyres, pressures or sensors were changed",
            remedy="Say so in the notes; compare compounds only with a factor for each.",
        ),
        compare(
            "gear known",
            run.name,
            "share of driving without a known gear [1]",
            unknown,
            "<",
            0.2,
            good="logged" if gear.logged else "found from engine speed and the sheet's ratios",
            bad="in much of the run the gear is unknown, so per-gear results rest on less",
            remedy="Log the gear, or check ratios and final drive of the car sheet.",
        ),
    ]
    return [
        *found,
        *scale.check(item, calibrated, index, gear, sheet),
        *_radius(run, gear, sheet),
        *_agreement(run, gear),
        *_ratios(run, gear, sheet),
        *_pedals(run, table),
        _target(run, table),
    ]


def _agreement(run: Run, gear: Gears) -> list[Finding]:
    if not math.isfinite(gear.agreement):
        return []
    return [
        compare(
            "gear agrees with engine speed",
            run.name,
            "share of samples on the logged gear's ratio [1]",
            gear.agreement,
            ">",
            0.9,
            good="the logged gear fits engine and wheel speed",
            bad=f"the logged gear does not fit engine and wheel speed by the sheet's ratios{_numbered(gear)}",
            remedy="Check ratios, final drive and the numbering of the gear channel.",
        )
    ]


def _target(run: Run, table: pd.DataFrame) -> Finding:
    known = float(np.isfinite(table["target_pct"].to_numpy(dtype=np.float64)).mean())
    return compare(
        "target known",
        run.name,
        "share of samples with a known target [1]",
        known,
        ">",
        0.95,
        good="the target is that of the grids in force, or logged",
        bad="neither the grids in force nor a logged target are known, so no slip error and no episode",
        remedy="Name the grid pair in force in the run's note (grids = ...).",
    )


def _radius(run: Run, gear: Gears, sheet: CarSheet) -> list[Finding]:
    if not math.isfinite(gear.radius.mean):
        return []
    nominal = rolling_radius_m(sheet.tyre.size)
    return [
        compare(
            "rolling radius",
            run.name,
            "share by which it differs from the tyre code's [1]",
            abs(gear.radius.mean / nominal - 1.0),
            "<",
            0.04,
            good=f"{gear.radius} m by engine speed and ratios, {nominal:.4f} m by the tyre code",
            bad=f"{gear.radius} m by engine speed and ratios, {nominal:.4f} m by the tyre code",
            remedy="Check tyre size, ratios, final drive and tooth counts of the car sheet.",
        )
    ]


def _numbered(gear: Gears) -> str:
    off = gear.gearing.numbering
    return f"; it counts {abs(off)} too {'low' if off > 0 else 'high'} in every gear" if off else ""


def _ratios(run: Run, gear: Gears, sheet: CarSheet) -> list[Finding]:
    """Say whether the car was driven in the sheet's ratios, and what to enter where not."""
    gearing = gear.gearing
    if not math.isfinite(gearing.offset.mean):
        return []
    ratios = sheet.gearbox.ratios
    wrong = {number: ratios[number - 1] * factor for number, factor in gearing.wrong.items()}
    text = ", ".join(
        f"ratios[{number}] = {value:.3f} instead of {ratios[number - 1]:g}" for number, value in wrong.items()
    )
    drive = sheet.gearbox.final_drive * math.exp(gearing.offset.mean)
    return [
        compare(
            "ratios of the sheet",
            run.name,
            "gears driven in another ratio than the sheet's [1]",
            float(len(wrong)),
            "==",
            0.0,
            good="every gear that was driven is on the sheet's ratio",
            bad=f"driven in other ratios than the sheet's, and used as driven: {text}",
            remedy=f"Write {text} into [gearbox], after counting teeth or turning a wheel by hand.",
        ),
        compare(
            "final drive of the sheet",
            run.name,
            "share by which all ratios are off, by the tyre code [1]",
            abs(math.expm1(gearing.offset.mean)),
            "<",
            RADIUS_DOUBT / 2.0,
            good=f"all ratios agree with the tyre code to {100 * math.expm1(gearing.offset.mean):+.1f} %",
            bad=(
                f"all ratios are {100 * math.expm1(gearing.offset.mean):+.1f} % off, so final drive, tyre size or "
                "the scale of the wheel speeds is wrong in the sheet; gears are found all the same"
            ),
            remedy=f"If tyre size and wheel speeds are right, write final_drive = {drive:.3f}.",
        ),
    ]


def _pedals(run: Run, table: pd.DataFrame) -> list[Finding]:
    """Say whether the brake is on while the throttle is wide open, where no episode is looked for."""
    wide = table["throttle"].to_numpy() > 0.7
    if not run.has("brake") or not wide.any():
        return []
    share = float(np.mean(table["brake"].to_numpy()[wide]))
    return [
        compare(
            "brake and throttle together",
            run.name,
            "share of wide-open throttle with the brake on [1]",
            share,
            "<",
            0.25,
            good="the brake is off while the throttle is wide open",
            bad="the brake reads on while the throttle is wide open, and slip is not looked for there",
            remedy="Check the brake channel's zero, unit and switch; leave it out of the channel map if it is dead.",
        )
    ]
