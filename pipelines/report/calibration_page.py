"""Sections of a report on logs: scale of the wheel speeds, gears as driven, channel map."""

import math

import numpy as np
from numpy.typing import NDArray

from gridfit.carsheet import CarSheet
from gridfit.driveline import overall_ratio, rolling_radius_m, rpm_at_speed_mps
from gridfit.signals.calibration import REFERENCE_MPS
from gridfit.signals.checks import MISSING
from gridfit.signals.prepared import Signals
from gridfit.signals.scale import FAST_MPS
from gridfit.units import KMH_PER_MPS
from pipelines.ingest import Ingested
from pipelines.report.blocks import Block, Bullets, Cell, Facts, Picture, Section, Table, Text
from pipelines.report.figures_logs import (
    GearData,
    calibration_data,
    draw_calibration,
    draw_gears,
    gear_data,
)
from pipelines.report.sections import signed


def calibration_section(logs: Ingested) -> Section:
    """Return the wheel-speed factor of every run, and the gears against the ratios."""
    signals = logs.signals
    rows = tuple(
        (
            Cell(item.name),
            Cell(f"{item.factor}"),
            Cell(signed(f"{100 * (item.factor.mean - 1):+.2f} %")),
            _radius(item),
        )
        for item in signals
    )
    blocks: list[Block] = [
        Text(
            (
                "When the car rolls without slip, driven and undriven wheels must show the same speed. The "
                "factor below is what they differ by; gridfit takes it out. The controller does not: as long "
                "as its tyre circumferences are off by 1 %, its slip reads 1 point wrong at every speed.",
            )
        ),
        Table(
            "Wheel-speed factor, driven over undriven",
            (
                "run",
                "factor (90 % interval)",
                "slip that the controller reads when rolling",
                "rolling radius",
            ),
            rows,
        ),
    ]
    blocks.append(Facts(_turning(signals[0], signals)))
    if any(len(item.steady) for item in signals):
        blocks.append(
            Picture(
                draw_calibration(calibration_data(signals)),
                "Left: steady stretches without brake, shift or cut, bends and growth with speed are taken out. Slip "
                "grows with force, scale does not: the line meets zero force at the factor. Bold: those with little "
                "throttle and force, from which it was found. Right: factor less 1, run by run.",
                "Ratio of driven to undriven speed against drive force, with the line that meets zero force at the "
                "factor of each run.",
            )
        )
    return Section("Calibration of the wheel speeds", tuple(blocks))


def _turning(first: Signals, signals: tuple[Signals, ...]) -> tuple[tuple[str, str], ...]:
    """Return growth with speed, and how the driven axle turns in bends."""
    span = FAST_MPS**2 - REFERENCE_MPS**2
    grown = [
        signed(f"{100.0 * end * span:+.2f}") for end in (first.growth.mean, first.growth.lo, first.growth.hi)
    ]
    growth = (
        f"{grown[0]} % ({grown[1]} to {grown[2]})" if math.isfinite(first.growth.mean) else "cannot be told"
    )
    shares = [item.differential.mean for item in signals if math.isfinite(item.differential.mean)]
    median = float(np.median(shares)) if shares else math.nan
    turns = (
        "cannot be told: the wheels of an axle are not logged apart, or no bend was driven"
        if not shares
        else f"{100.0 * median:.0f} % of the undriven wheels' difference (0 locked, 100 free)"
    )
    speeds = f"{KMH_PER_MPS * REFERENCE_MPS:.0f} to {KMH_PER_MPS * FAST_MPS:.0f} km/h"
    return ((f"growth of the factor from {speeds}", growth), ("driven wheels in bends", turns))


def _radius(item: Signals) -> Cell:
    return Cell("–" if not math.isfinite(item.radius.mean) else f"{item.radius} m")


def gears_section(logs: Ingested) -> Section:
    """Return engine against road speed, and the ratios as driven beside those of the sheet."""
    data = gear_data([item.table for item in logs.signals], gear_lines(logs.sheet))
    if not data.rpm.size:
        return Section(
            "Gears",
            (Text(("No engine speed was logged, so the gears cannot be checked against the ratios.",)),),
        )
    picture = Picture(
        draw_gears(data),
        "Engine speed against driven wheel speed without slip. Dashed: ratios, final drive and tyre code of the car "
        "sheet. Thin: as driven.",
        "Engine speed against road speed with one line per gear.",
    )
    return Section("Gears", (picture, _gear_table(data, logs)))


def _gear_table(data: GearData, logs: Ingested) -> Table:
    rows = []
    for index, (sheet, driven) in enumerate(
        zip(data.sheet_rpm_per_kmh, data.driven_rpm_per_kmh, strict=True)
    ):
        off = 100.0 * (driven / sheet - 1.0)
        known = math.isfinite(off)
        rows.append(
            (
                Cell(f"gear {index + 1}"),
                Cell(f"{logs.sheet.gearbox.ratios[index]:g}", mark="number"),
                Cell(f"{sheet:.1f}", mark="number"),
                Cell(f"{driven:.1f}" if known else "–", mark="number"),
                Cell(signed(f"{off:+.1f} %") if known else "hardly driven", mark="number"),
            )
        )
    head = (
        "",
        "ratio of the sheet",
        "rpm per km/h, sheet",
        "rpm per km/h, as driven",
        "as driven over sheet",
    )
    note = (
        "As driven below 2 m/s². Every gear off alike: tyre, final drive or wheel-speed scale. One gear off: "
        "its ratio. Worn or warm tyres "
        "move all of them by a per cent or two."
    )
    return Table("Ratios", head, tuple(rows), note)


def gear_lines(sheet: CarSheet) -> NDArray[np.float64]:
    """Return the slope of each gear by the car sheet, float64[G] [rpm per km/h]."""
    ratios = overall_ratio(sheet, np.arange(1, sheet.gears + 1))
    return np.asarray(rpm_at_speed_mps(1.0 / KMH_PER_MPS, ratios, rolling_radius_m(sheet.tyre.size)))


def channels_section(logs: Ingested) -> Section:
    """Return which column plays which role, how sure that is and why; what is asked; what is lacking."""
    groups: dict[tuple[tuple[str, str, str, float, str, bool], ...], list[str]] = {}
    for item in logs.signals:
        groups.setdefault(_mapped(item), []).append(item.name)
    everyone = len(logs.signals)
    blocks: list[Block] = []
    for rows, runs in groups.items():
        caption = "Channel map" + ("" if len(runs) == everyone else f" of {', '.join(runs)}")
        blocks.append(_map_table(caption, rows))
    lacking = [
        f"{role}: {meaning}. {remedy}"
        for role, _, meaning, remedy in MISSING
        if not any(item.run.has(role) for item in logs.signals)
    ]
    if lacking:
        blocks += [Text(("What no run holds, and what can therefore not be said:",)), Bullets(tuple(lacking))]
    return Section("Channels", tuple(blocks))


def _mapped(item: Signals) -> tuple[tuple[str, str, str, float, str, bool], ...]:
    used = [
        (role, one.column, one.unit, one.sure, one.reason, True) for role, one in item.run.channels.items()
    ]
    asked = [
        (role, one.column, one.unit, one.sure, one.reason, False) for role, one in item.run.unsure.items()
    ]
    return (*used, *asked)


def _map_table(caption: str, rows: tuple[tuple[str, str, str, float, str, bool], ...]) -> Table:
    cells = tuple(
        (
            Cell(role),
            Cell(column),
            Cell(unit),
            Cell(
                "written" if sure >= 1.0 else f"{100.0 * sure:.0f} %", mark="number" if used else "number bad"
            ),
            Cell("" if used else "not used: say whether it is", reason or "in the channel map")
            if not used
            else Cell(reason or "in the channel map"),
        )
        for role, column, unit, sure, reason, used in rows
    )
    asked = any(not used for *_, used in rows)
    note = "Red: not sure enough, so not used; correct its line in channels.toml." if asked else ""
    return Table(caption, ("role", "column", "unit", "sure", "reason"), cells, note)
