"""Runs of an outside car written as its logger would: CSV, note, channel map, and the grids in force."""

import json

import numpy as np
from outside import layout as lay
from outside.driving import CAUSES, run_schedule
from outside.powertrain import run

STEP_S = 0.001
"""Step of the plant [s]."""
BAND_PCT, MIN_S, CALM_S, MOST_S = 2.0, 0.04, 0.3, 4.0
"""An episode starts above the band for MIN_S, ends after CALM_S in it, lasts MOST_S at most."""

SPEEDS = [20, 30, 40, 50, 60, 80, 100, 130, 160, 200, 250]


def grid_pair(excess_kmh, cuts, errors=(0, 5, 10, 20, 40), gears=6):
    """A grid pair as a document: target of so many km/h at every speed, one cut row for all gears."""
    target = [round(100.0 * excess_kmh / v, 2) for v in SPEEDS]
    return {
        "format": "gridfit-grids/1",
        "target": {"speed_kmh": SPEEDS, "slip_pct": target},
        "cut": {
            "slip_error_pct": list(errors),
            "gear": list(range(1, gears + 1)),
            "cut_pct": [list(cuts) for _ in range(gears)],
        },
    }


PAIRS = {
    "grids_a": grid_pair(15.0, [25.0] * 5),
    "grids_b": grid_pair(7.0, [5.0, 20.0, 40.0, 60.0, 75.0]),
    "grids_c": grid_pair(9.0, [8.0, 16.0, 28.0, 42.0, 55.0]),
}
"""Grid pairs that were in force: common practice without data, and two that somebody tried (made up)."""


def grid_arrays(document, gears):
    """Target speeds and slips, error breakpoints, cut rows[gears, E] of a grid document."""
    cut = document["cut"]
    rows = np.array(cut["cut_pct"], dtype=float)
    own = np.asarray(cut["gear"])
    nearest = [rows[int(np.argmin(np.abs(own - g)))] for g in range(1, gears + 1)]
    return (
        np.array(document["target"]["speed_kmh"], dtype=float),
        np.array(document["target"]["slip_pct"], dtype=float),
        np.array(cut["slip_error_pct"], dtype=float),
        np.array(nearest),
    )


def drive(car, phases, document, seconds, rng, start_mps, limit_share=0.985, end_mps=1e3, step_s=STEP_S):
    """Run phases under a grid pair: trace[S, N_TRACE], cycles[L, N_CYCLE]."""
    trace = np.zeros((round(seconds / step_s), lay.N_TRACE))
    cycles = np.zeros((int(seconds * car.train.loop_hz) + 4, lay.N_CYCLE))
    used, told = run(
        car.body, car.train, car.overall, car.curve_rpm, car.curve_nm, phases,
        *grid_arrays(document, len(car.ratios)), rng.uniform(0.0, 2.0 * np.pi, 4), limit_share, end_mps, step_s,
        trace, cycles, start_mps,
    )  # fmt: skip
    return trace[:used], cycles[:told]


def episodes(car, trace, kinds, document, offset_s):
    """True episodes of a run on the log's clock, as truth.json lists them."""
    step = float(trace[1, lay.T_TIME] - trace[0, lay.T_TIME])
    tv, ts, _, _ = grid_arrays(document, len(car.ratios))
    v = trace[:, lay.T_SPEED]
    floor = car.train.min_speed / 3.6
    error = 100.0 * (trace[:, lay.T_WHEEL] - v) / np.maximum(v, floor) - np.interp(3.6 * v, tv, ts)
    ready = (
        (trace[:, lay.T_THROTTLE] > car.train.gate) & (trace[:, lay.T_BRAKE] <= 0.0)
        & (trace[:, lay.T_GEAR] > 0.0) & (v > floor)
    )  # fmt: skip
    above = (error > BAND_PCT) & ready
    least, calm, most = round(MIN_S / step), round(CALM_S / step), round(MOST_S / step)
    found, i, n = [], 0, len(v)
    while i < n:
        if not above[i]:
            i += 1
            continue
        first = i
        while i < n and above[i]:
            i += 1
        if i - first < least:
            continue
        end = last = i
        while end < n and ready[end] and end - first < most and end - last < calm:
            last = end if above[end] else last
            end += 1
        kind = kinds[int(trace[first, lay.T_PHASE])]
        found.append({
            "start_s": round(first * step + offset_s, 3), "end_s": round(max(last, i) * step + offset_s, 3),
            "gear": int(trace[first, lay.T_GEAR]), "cause": CAUSES.get(kind, "unknown"),
            "peak_error_pct": round(float(error[first:end].max()), 1),
        })  # fmt: skip
        i = max(end, i)
    return found


def _sampled(car, trace, cycles, offset_s, rng):
    """Columns of the log on the logger's clock, SI."""
    step = 1.0 / car.log_hz
    at = np.arange(0.05, trace[-1, lay.T_TIME] - 0.05, step)
    at = at + rng.uniform(0.0, 0.06 * step, at.size)
    row = np.minimum((at / STEP_S).astype(int), len(trace) - 1)
    cycle = np.clip(np.searchsorted(cycles[:, lay.C_TIME], at, side="right") - 1, 0, len(cycles) - 1)
    return {
        "time": at + offset_s, "wheels": cycles[cycle][:, lay.C_FL : lay.C_RR + 1],
        "target": cycles[cycle, lay.C_TARGET], "cut": cycles[cycle, lay.C_CUT],
        "rpm": trace[row, lay.T_RPM] + rng.normal(0.0, 4.0, at.size),
        "throttle": np.clip(100.0 * trace[row, lay.T_THROTTLE] + rng.normal(0.0, 0.25, at.size), 0.0, 100.0),
        "brake": trace[row, lay.T_BRAKE], "gear": trace[row, lay.T_GEAR].astype(int),
        "along": trace[row, lay.T_ACC] / 9.80665 + rng.normal(0.0, 0.015, at.size),
        "across": trace[row, lay.T_LATACC] / 9.80665 + rng.normal(0.0, 0.015, at.size),
    }  # fmt: skip


FOUR_MAP = """[file]
delimiter = ","
units_row = false

[channels]
time = { column = "t", unit = "s" }
speed_fl = { column = "wheel_fl", unit = "km/h" }
speed_fr = { column = "wheel_fr", unit = "km/h" }
speed_rl = { column = "wheel_rl", unit = "km/h" }
speed_rr = { column = "wheel_rr", unit = "km/h" }
rpm = { column = "rpm", unit = "rpm" }
throttle = { column = "tps", unit = "%" }
brake = { column = "brake", unit = "bar" }
gear = { column = "gear", unit = "-" }
lateral_acc = { column = "g_lat", unit = "g" }
longitudinal_acc = { column = "g_long", unit = "g" }
slip_target = { column = "target", unit = "%" }
cut = { column = "cut", unit = "%" }

[notes]
gear = "reads 0 while shifting"
"""

AXLES_MAP = """[file]
delimiter = ";"
units_row = true

[channels]
time = { column = "Time", unit = "ms" }
speed_driven = { column = "Driven", unit = "mph" }
speed_undriven = { column = "Undriven", unit = "mph" }
rpm = { column = "EngineSpeed", unit = "rpm" }
throttle = { column = "Throttle", unit = "0..1" }
brake = { column = "Brake", unit = "on/off" }
lateral_acc = { column = "LatAcc", unit = "g" }
cut = { column = "CutLevel", unit = "%" }
"""


def _rows(car, columns):
    """Lines of the CSV file."""
    c, kmh = columns, 3.6 * columns["wheels"]
    if car.style == "four":
        yield "t,wheel_fl,wheel_fr,wheel_rl,wheel_rr,rpm,tps,brake,gear,g_lat,g_long,target,cut"
        for i in range(len(c["time"])):
            wheels = ",".join(f"{s:.2f}" for s in kmh[i])
            yield (
                f"{c['time'][i]:.4f},{wheels},{c['rpm'][i]:.0f},{c['throttle'][i]:.1f},{8.0 * c['brake'][i]:.1f},"
                f"{c['gear'][i]},{c['across'][i]:.3f},{c['along'][i]:.3f},{c['target'][i]:.1f},{c['cut'][i]:.0f}"
            )
        return
    mph = kmh / 1.609344
    ahead, behind = mph[:, :2].mean(axis=1), mph[:, 2:].mean(axis=1)
    driven, free = (ahead, behind) if car.train.front_driven else (behind, ahead)
    yield "Time;Driven;Undriven;EngineSpeed;Throttle;Brake;LatAcc;CutLevel"
    yield "ms;mph;mph;rpm;0..1;on/off;g;%"
    for i in range(len(c["time"])):
        yield (
            f"{1000.0 * c['time'][i]:.0f};{driven[i]:.2f};{free[i]:.2f};{c['rpm'][i]:.0f};"
            f"{0.01 * c['throttle'][i]:.3f};{int(c['brake'][i] > 0.05)};{c['across'][i]:.3f};{c['cut'][i]:.0f}"
        )


def write_run(car, folder, number, pair_name, grip, seconds, rng):
    """Drive one run and write its log and note; return its part of the truth."""
    phases, kinds = run_schedule(car, seconds, grip, rng)
    trace, cycles = drive(car, phases, PAIRS[pair_name], seconds, rng, start_mps=12.0)
    offset = float(rng.uniform(5.0, 20.0))
    (folder / f"run{number}.csv").write_text(
        "\n".join(_rows(car, _sampled(car, trace, cycles, offset, rng))) + "\n"
    )
    (folder / f"run{number}.toml").write_text(
        f'compound = "{car.compound}"\ndate = 2025-06-{10 + number}\ntrack = "Invented Ring"\n'
        f'track_temp_c = {24 + 2 * number}\ngrids = "{pair_name}.json"\n'
    )
    found = episodes(car, trace, kinds, PAIRS[pair_name], offset)
    return {
        "run": f"run{number}", "compound": car.compound, "grids": pair_name,
        "grip_factor": round(float(np.mean(grip)), 4), "grip_as_run": round(float(np.mean(grip)), 4),
        "log_time_offset_s": round(offset, 4), "episodes": found,
    }  # fmt: skip


def write_grids(folder, gears):
    """Write the grid pairs that were in force."""
    for name, document in PAIRS.items():
        own = dict(document)
        own["cut"] = dict(
            document["cut"], gear=list(range(1, gears + 1)), cut_pct=document["cut"]["cut_pct"][:gears]
        )
        (folder / f"{name}.json").write_text(json.dumps(own, indent=1) + "\n")
