"""Make the demo scenario: logs of an invented car on an invented track, by gridfit's own equations.

    python datasets/demo/make_demo.py

Writes the runs, notes, channel maps and grid pairs beside this file; the same seed gives the same files. What
the car is like in truth stands in TRUE; the car sheet (car.toml) is as wrong as owners' sheets are.
"""

import json
from pathlib import Path

import laps
import numpy as np
import pandas as pd

from gridfit.carsheet import CarSheet, read_carsheet
from gridfit.grids import CutGrid, GridPair, TargetGrid, common_practice
from gridfit.simulate.packing import pack
from gridfit.simulate.parameters import NAMES

HERE = Path(__file__).resolve().parent
SEED, RUN_S, TRACK_M, WHEEL_M = 20260412, 132.0, 1.50, 2.02

TRUE = {
    "mass_kg": 1192.0, "torque_scale": 0.975, "efficiency": 0.92, "engine_inertia_kgm2": 0.165,
    "wheel_inertia_kgm2": 1.9, "shaft_stiffness_nmprad": 1.6e4, "shaft_damping_nmsprad": 130.0,
    "cut_effect": 0.96, "intake_lag_s": 0.06, "throttle_shape": 1.7, "dead_time_s": 0.009,
    "dead_time_cycles": 0.13, "cut_lag_s": 0.003, "mu_peak": 1.16, "slip_peak": 0.11, "tyre_c": 1.45,
    "tyre_e": -0.2, "mu_per_mps": 0.002, "slip_per_mps": 0.005, "load_sensitivity": 0.10, "relaxation_m": 0.24,
    "cg_height_m": 0.47, "load_lag_s": 0.06, "cda_m2": 0.68, "rolling": 0.013, "driven_factor": 1.011,
    "sensor_lag_s": 0.006, "rolling_radius_m": 0.313, **{f"inertia_factor_{g}": 1.0 for g in range(1, 9)},
}  # fmt: skip
"""The car as it is."""

COMPOUNDS = {"soft": 1.0, "hard": 0.96}
"""Grip of each compound over the first one's."""

CORNERS = (
    # speed km/h, gear, lateral g, holds s, straight s
    (36.0, 1, 0.40, 0.9, 3.6),
    (58.0, 2, 0.45, 1.1, 3.8),
    (62.0, 2, 0.30, 0.8, 3.2),
    (32.0, 1, 0.20, 0.8, 3.2),
    (54.0, 2, 0.50, 1.2, 4.2),
    (38.0, 1, 0.30, 0.9, 3.6),
    (68.0, 2, 0.15, 0.8, 3.4),
)
"""One lap of the invented track."""


def plan_legs(rng: np.random.Generator) -> np.ndarray:
    """Corners and straights of a whole run, each taken a little differently: float64[L, 14]."""
    rows = []
    for lap in range(8):
        for number, (speed, gear, lateral, hold, straight) in enumerate(CORNERS):
            stab = (lap + number) % 3 != 1
            row = np.zeros(laps.N_LEG)
            row[laps.L_SPEED] = speed * rng.uniform(0.95, 1.05) / 3.6
            row[laps.L_GEAR], row[laps.L_LATERAL] = gear, lateral * 9.80665 * rng.uniform(0.9, 1.1)
            row[laps.L_HOLD], row[laps.L_U0] = hold * rng.uniform(0.9, 1.1), 0.08
            row[laps.L_U1] = 1.0 if stab else rng.uniform(0.75, 1.0)
            row[laps.L_RAMP] = rng.uniform(0.05, 0.15) if stab else rng.uniform(0.5, 1.2)
            row[laps.L_FADE], row[laps.L_EXIT] = rng.uniform(0.7, 1.3), straight * rng.uniform(0.95, 1.1)
            row[laps.L_COAST], row[laps.L_GRIP], row[laps.L_LOAD] = rng.uniform(0.6, 1.0), 1.0, 1.0
            row[laps.L_PATCH] = 99.0
            event = rng.random()
            if event < 0.22:
                row[laps.L_PATCH], row[laps.L_LENGTH], row[laps.L_GRIP] = rng.uniform(1.4, 1.9), 0.5, 0.75
            elif event < 0.36:
                row[laps.L_PATCH], row[laps.L_LENGTH] = rng.uniform(1.2, 1.7), rng.uniform(0.1, 0.25)
                row[laps.L_GRIP], row[laps.L_LOAD] = 0.65, 0.8
            rows.append(row)
    return np.array(rows)


def grip_drift(rng: np.random.Generator, samples: int) -> np.ndarray:
    """The day's grip, a slow warming of the tyre, and a slow wander: float64[S]."""
    time = np.arange(samples) * laps.TICK_S
    day = 1.0 + 0.01 * rng.standard_normal()
    warming = 1.0 - 0.03 * np.exp(-time / 30.0)
    wander = 0.006 * np.sin(2.0 * np.pi * time / rng.uniform(25.0, 45.0) + rng.uniform(0.0, 6.0))
    return day * warming + wander


def milder_pair(sheet: CarSheet) -> GridPair:
    """A pair that somebody has tried after the common start: a tighter target and a rising cut."""
    speed = np.array(sheet.controller.speed_breakpoints)
    target = TargetGrid(speed, np.round(2.0 * np.clip(800.0 / speed, 5.0, 25.0)) / 2.0)
    error = np.array([0.0, 2.0, 5.0, 10.0, 20.0, 40.0])
    rows = [
        np.round(scale * np.array([4.0, 10.0, 18.0, 26.0, 36.0, 50.0])) for scale in (1.2, 1.0, 0.8, 0.7, 0.6)
    ]
    return GridPair(target, CutGrid(error, np.arange(1.0, 6.0), np.array(rows)), {})


def log_table(path: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    """What the logger makes of a run: sensors with their lag, ripple and noise, and its resolution."""
    columns = dict(zip(laps.LOG_COLUMNS, path.T, strict=True))
    samples = path.shape[0]
    lag = 1.0 - np.exp(-laps.TICK_S / TRUE["sensor_lag_s"])
    yaw = columns["lateral"] / np.maximum(columns["v"], 3.0)
    table = pd.DataFrame({"time": np.round(41.6 + np.arange(samples) * laps.TICK_S, 3)})
    for name, base, side in (("fl", "v", -1), ("fr", "v", 1), ("rl", "w", -1), ("rr", "w", 1)):
        factor = TRUE["driven_factor"] if base == "w" else 1.0
        speed = 3.6 * factor * (columns[base] + 0.5 * side * TRACK_M * yaw)
        turns = np.cumsum(columns[base]) * laps.TICK_S / WHEEL_M
        ripple = 1.0 + 0.002 * np.sin(2.0 * np.pi * (turns + rng.random()))
        seen = pd.Series(speed * ripple).ewm(alpha=lag, adjust=False).mean().to_numpy()
        seen = (
            seen + rng.normal(0.0, 0.0006, samples) * seen + columns["kerb"] * rng.normal(0.0, 0.8, samples)
        )
        table[f"ws_{name}"] = np.round(np.maximum(seen, 0.0), 1)
    table["rpm"] = np.round(columns["rpm"] + rng.normal(0.0, 4.0, samples))
    table["throttle"] = np.round(
        np.clip(100.0 * columns["throttle"] + rng.normal(0.0, 0.1, samples), 0.0, 100.0), 1
    )
    table["brake"] = np.round(
        np.where(columns["brake"] > 0.0, columns["brake"] + rng.normal(0.0, 1.0, samples), 0.0), 1
    )
    table["gear"] = columns["gear"]
    table["lat_acc"] = np.round(columns["lateral"] / 9.80665 + rng.normal(0.0, 0.012, samples), 3)
    table["long_acc"] = np.round(columns["longitudinal"] / 9.80665 + rng.normal(0.0, 0.012, samples), 3)
    table["cut"] = np.round(100.0 * columns["cut"])
    table["slip_target"] = np.round(columns["target"], 1)
    return table.astype({name: "float32" for name in table.columns if name != "time"})


CHANNELS = """\
[channels]
time = { column = "time", unit = "s" }
speed_fl = { column = "ws_fl", unit = "km/h" }
speed_fr = { column = "ws_fr", unit = "km/h" }
speed_rl = { column = "ws_rl", unit = "km/h" }
speed_rr = { column = "ws_rr", unit = "km/h" }
rpm = { column = "rpm", unit = "rpm" }
throttle = { column = "throttle", unit = "%" }
brake = { column = "brake", unit = "bar" }
gear = { column = "gear", unit = "-" }
lateral_acc = { column = "lat_acc", unit = "g" }
longitudinal_acc = { column = "long_acc", unit = "g" }
cut = { column = "cut", unit = "%" }
slip_target = { column = "slip_target", unit = "%" }

[notes]
gear = "reads 0 while shifting"
"""


def note(compound: str, number: int, grids: str) -> str:
    """The note beside a run. Compounds take turns, so that neither has the cooler half of the day."""
    day, hour = 1 + (number - 1) // 2, 2 * ((number - 1) % 2) + (compound == "hard")
    return (
        f'compound = "{compound}"\ndate = 2026-04-1{day}\ntrack = "Sandpiper Loop"\n'
        f'track_temp_c = {18 + 3 * day + 2 * hour}\ngrids = "../{grids}"\nnotes = ""\n'
    )


def main() -> None:
    """Write everything."""
    sheet = read_carsheet(HERE / "car.toml")
    pairs = {"grids_start.json": common_practice(sheet), "grids_milder.json": milder_pair(sheet)}
    for name, pair in pairs.items():
        (HERE / name).write_text(json.dumps(pair.to_dict(), indent=1) + "\n", encoding="utf-8")
    rows = pack(sheet, np.array([[TRUE[name] for name in NAMES]]))
    control = sheet.controller
    settings = np.array(
        [
            control.min_speed_kmh,
            control.throttle_gate_pct / 100.0,
            sheet.engine.limit_rpm,
            sheet.engine.idle_rpm,
        ]
    )
    for seed, (compound, grip) in zip(np.random.SeedSequence(SEED).spawn(2), COMPOUNDS.items(), strict=True):
        folder = HERE / compound
        folder.mkdir(exist_ok=True)
        (folder / "channels.toml").write_text(CHANNELS, encoding="utf-8")
        for number, child in enumerate(seed.spawn(4), start=1):
            rng = np.random.default_rng(child)
            grids = "grids_start.json" if number == 1 else "grids_milder.json"
            pair = pairs[grids]
            gears = np.arange(1, len(sheet.gearbox.ratios) + 1)
            cut = np.array([pair.cut.row(gear) for gear in gears])
            target = np.array([pair.target.speed_kmh, pair.target.slip_pct])
            drift = grip * grip_drift(rng, int(RUN_S / laps.TICK_S))
            path = laps.drive(
                rows.car[0], rows.gears[0], rows.friction[0], rows.torque, rows.rpm_step, plan_legs(rng), drift,
                target, np.asarray(pair.cut.slip_error_pct), cut, settings,
            )  # fmt: skip
            stem = folder / f"{compound}{number}"
            log_table(path, rng).to_parquet(stem.with_suffix(".parquet"), compression="zstd", index=False)
            stem.with_suffix(".toml").write_text(note(compound, number, grids), encoding="utf-8")
            print(stem.with_suffix(".parquet").name, stem.with_suffix(".parquet").stat().st_size)


if __name__ == "__main__":
    main()
