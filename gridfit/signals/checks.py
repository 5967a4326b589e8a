"""Checks on a run as it was read: clock, wheel speeds, missing channels, gaps, ranges."""

import numpy as np

from gridfit.carsheet import CarSheet
from gridfit.signals.filters import Floats
from gridfit.signals.quality import Finding, compare
from gridfit.signals.run import Run
from gridfit.signals.wheels import Axle

HOLE_STEPS = 3.0
"""A step of the clock longer than this many usual steps is a hole [1]."""

MISSING: tuple[tuple[str, str, str, str], ...] = (
    ("throttle", "throttle", "episodes cannot be found and nothing can be fitted", "Log the throttle."),
    (
        "rpm",
        "rpm",
        "shifts, the rolling radius and the limiter cannot be seen; torque is only guessed",
        "Log engine speed.",
    ),
    ("gear", "gear", "the gear is found from engine speed and the sheet's ratios", "Log the gear."),
    ("brake", "brake", "braking is guessed from a shut throttle and hard slowing", "Log brake pressure."),
    ("cut", "cut", "the cut is worked out from the grids in force, if they are known", "Log the cut."),
    (
        "lateral_acc",
        "lateral_acc",
        "cornering is judged from wheel speeds or not at all, so grip in bends reads low",
        "Log lateral acceleration.",
    ),
)
"""Role, name, what can no longer be said, remedy."""


def check(run: Run, undriven: Axle, driven: Axle, sheet: CarSheet) -> list[Finding]:
    """Check clock, wheel speeds and channels of a run.

    Parameters
    ----------
    run : Run
    undriven, driven : Axle
        Repaired axle speeds.
    sheet : CarSheet

    Returns
    -------
    list of Finding
    """
    return [
        *_clock(run, sheet),
        *_rows(run),
        *_wheels(run, undriven, driven),
        *_missing(run),
        *_holes_in_channels(run),
        *_range(run, sheet),
    ]


def _clock(run: Run, sheet: CarSheet) -> list[Finding]:
    steps = np.diff(run.table["time_s"].to_numpy(dtype=np.float64))
    step = float(np.median(steps))
    rate, wanted = 1.0 / step, float(sheet.sensors.log_hz)
    jitter = float(np.median(np.abs(steps - step)) / step)
    name = run.name
    return [
        compare(
            "log rate",
            name,
            "samples per second over the sheet's [1]",
            rate / wanted,
            ">=",
            0.9,
            good="the log runs at the rate of the car sheet",
            bad="the log is slower than the car sheet says; short episodes are missed",
            remedy="Correct log_hz in the car sheet, or log faster.",
        ),
        compare(
            "sampling",
            name,
            "time between samples [s]",
            step,
            "<=",
            0.025,
            good="slip of 40 ms can be seen",
            bad="slip shorter than two samples cannot be seen; dead time and lag stay near their prior",
            remedy="Log at 50 Hz or faster.",
        ),
        compare(
            "clock jitter",
            name,
            "median deviation of the step over the step [1]",
            jitter,
            "<",
            0.25,
            good="stamps are even",
            bad="stamps are uneven; accelerations are noisier than they seem",
            remedy="Use the logger's own clock, not that of the computer that receives.",
        ),
    ]


def _rows(run: Run) -> list[Finding]:
    steps = np.diff(run.table["time_s"].to_numpy(dtype=np.float64))
    longest = float(steps.max())
    lost = float(np.sum(steps[steps > HOLE_STEPS * np.median(steps)]) / np.sum(steps))
    name = run.name
    return [
        compare(
            "holes",
            name,
            "longest step between samples [s]",
            longest,
            "<",
            0.1,
            good="no hole in the log",
            bad=f"{100 * lost:.2f} % of the time is in holes; episodes across them are uncertain",
            remedy="Check the logger's storage and bus load.",
        ),
        compare(
            "rows dropped",
            name,
            "share of rows dropped as double, backward or broken [1]",
            run.rows_dropped / max(1, len(run.table) + run.rows_dropped),
            "<",
            0.01,
            good="rows are sound",
            bad="many rows are doubled or broken",
            remedy="Export the log again.",
        ),
    ]


def _wheels(run: Run, undriven: Axle, driven: Axle) -> list[Finding]:
    found = []
    for label, axle in (("undriven", undriven), ("driven", driven)):
        rows = max(1, axle.speed_mps.size)
        noise = float(np.median(axle.sd_mps)) * 3.6
        found.append(
            compare(
                f"noise of the {label} axle",
                run.name,
                "standard deviation [km/h]",
                noise,
                "<",
                1.0,
                good="wheel speed is quiet enough for short episodes",
                bad="wheel speed is so noisy that short or small episodes drown",
                remedy="Check tooth count, air gap and run-out of the sensor ring.",
            )
        )
        for what, counts, meaning, remedy in (
            (
                "stuck",
                axle.count("stuck"),
                "the other wheel stood in where it could",
                "Check plug and sensor.",
            ),
            ("missing", axle.count("dropout"), "gaps were bridged up to 0.12 s", "Check plug and sensor."),
            (
                "spikes",
                axle.count("spikes"),
                "spikes were taken out; kerbs or a loose sensor",
                "Check the air gap.",
            ),
        ):
            for channel, count in counts.items():
                found.append(
                    compare(
                        f"{what}: {channel}",
                        run.name,
                        "share of samples [1]",
                        count / rows,
                        "<",
                        1e-3,
                        good="sound",
                        bad=meaning,
                        remedy=remedy,
                    )
                )
        found.append(
            compare(
                f"{label} axle unusable",
                run.name,
                "share of samples [1]",
                float(axle.bad.mean()),
                "<",
                0.01,
                good="the axle speed is known nearly throughout",
                bad="no slip is known there and no episode is looked for",
                remedy="Check both sensors.",
            )
        )
    return found


def _missing(run: Run) -> list[Finding]:
    return [
        compare(
            f"channel {name}",
            run.name,
            "present [1]",
            float(run.has(role)),
            "==",
            1.0,
            good="logged",
            bad=f"not logged: {meaning}",
            remedy=remedy,
        )
        for role, name, meaning, remedy in MISSING
    ]


def _holes_in_channels(run: Run) -> list[Finding]:
    found = []
    for column in run.table.columns:
        if column.startswith(("speed_", "time_")):
            continue
        share = float(run.table[column].isna().mean())
        if share > 0.0:
            found.append(
                compare(
                    f"gaps: {column}",
                    run.name,
                    "share of samples missing [1]",
                    share,
                    "<",
                    0.02,
                    good="a few samples are missing; they are bridged",
                    bad="much of the channel is missing; what rests on it is weak",
                    remedy="Check the sensor and the logger.",
                )
            )
    return found


def _range(run: Run, sheet: CarSheet) -> list[Finding]:
    found = []
    if run.has("throttle"):
        most = float(np.nanquantile(run.table["throttle"].to_numpy(dtype=np.float64), 0.999))
        found.append(
            compare(
                "throttle opens",
                run.name,
                "largest throttle [1]",
                most,
                ">=",
                0.9,
                good="full throttle was used",
                bad="full throttle was not used, or the channel is not scaled to 100 %",
                remedy="Check the unit in the channel map, or drive full-throttle exits.",
            )
        )
    if run.has("rpm"):
        rpm = run.table["rpm"].to_numpy(dtype=np.float64)
        found.append(
            compare(
                "engine speed plausible",
                run.name,
                "largest engine speed over the limit [1]",
                float(np.nanmax(rpm, initial=0.0)) / sheet.engine.limit_rpm,
                "<",
                1.15,
                good="engine speed stays near the limit of the sheet",
                bad="engine speed exceeds the limit of the sheet",
                remedy="Correct limit_rpm or the unit.",
            )
        )
    if run.has("cut"):
        found.append(_saturation(run, sheet))
    return found


def _saturation(run: Run, sheet: CarSheet) -> Finding:
    cut: Floats = run.table["cut_pct"].to_numpy(dtype=np.float64)
    active = cut[np.isfinite(cut) & (cut > 0.0)]
    share = float(np.mean(active >= sheet.controller.cut_max_pct - 0.5)) if active.size else 0.0
    return compare(
        "cut saturates",
        run.name,
        "share of active cut at its maximum [1]",
        share,
        "<",
        0.1,
        good="the cut rarely sat at its limit",
        bad="the cut often sat at its limit; such episodes say only that more was needed",
        remedy="Raise the target or the largest cut for a test.",
    )
