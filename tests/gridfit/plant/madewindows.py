"""Windows of several runs whose speeds the plant itself made, with noise: the truth is known by construction."""

import dataclasses

import numpy as np

from gridfit.plant.prior import prior_free
from gridfit.plant.residuals import Problem
from gridfit.plant.windows import Windows
from gridfit.simulate import kernel as k
from gridfit.simulate.packing import pack
from gridfit.simulate.parameters import INDEX, from_free

TICKS_S, SLOT, FIRST, LENGTH = 0.01, 60, 30, 28
NOISE_MPS = (0.05, 0.05, 0.02)
SHIFTS = {"mu_peak": 0.08, "slip_peak": -0.2, "engine_inertia_kgm2": 0.25, "cut_effect": -0.05}
"""True parameters less the prior's centre, on the fit's scale."""


def gain_mps2(rows, gear, speed_mps):
    """Acceleration of the driven wheels at full throttle with the tyre at its peak [m/s2]."""
    row = rows.gears[0, gear - 1]
    drive = row[k.G_FORCE] * rows.torque[0, int(speed_mps * row[k.G_RPM] / rows.rpm_step)]
    return (drive - rows.car[0, k.C_MU] * rows.car[0, k.C_FZ0]) / row[k.G_INERTIA]


def inputs(sheet, rng, count, runs):
    """Full throttle, a cut switched on within the window; speeds and slips spread over gears 1 and 2."""
    n = SLOT * count
    throttle, cut = np.ones(n), np.zeros(n)
    driven, undriven = np.zeros(n), np.zeros(n)
    bounds, gear = [], []
    rows = pack(sheet, from_free(prior_free(sheet)[0][None]))
    ratios = np.array(sheet.gearbox.ratios) * sheet.gearbox.final_drive
    for i in range(count):
        begin, first = SLOT * i, SLOT * i + FIRST
        g = 1 + i % 2
        v = rng.uniform(0.45, 0.75) * sheet.engine.limit_rpm / ratios[g - 1] * 2 * np.pi / 60 * 0.31
        undriven[begin : begin + SLOT] = v
        driven[begin : begin + SLOT] = v * (1.0 + rng.uniform(0.10, 0.35))
        # the wheels gain speed ahead of the window as engine and tyre would have it, so that the shafts are at rest
        rising = gain_mps2(rows, g, v)
        driven[begin:first] -= rising * TICKS_S * np.arange(FIRST, 0, -1)
        cut[first + int(rng.integers(2, 12)) : begin + SLOT] = rng.uniform(0.2, 0.7)
        bounds.append((begin, begin, first, first + LENGTH))
        gear.append(g)
    used = np.ones(n, dtype=bool)
    zeros = np.zeros(count, dtype=np.int64)
    return Windows(
        np.arange(n) * TICKS_S, throttle, cut, driven, undriven, driven.copy(), used, used, np.array(bounds),
        np.array(gear), np.arange(count) % runs, zeros, np.arange(count) // runs // 2 * runs + np.arange(count) % runs,
        np.zeros(count), np.tile(NOISE_MPS, (count, 1)), np.zeros(count),
        np.zeros(count), tuple(f"run{r}" for r in range(runs)),
        (sheet.tyre.compound,),
    )  # fmt: skip


def made(sheet, rng, *, count=72, runs=3):
    """Windows whose speeds follow a known plant, and its vector: two windows an episode."""
    windows = inputs(sheet, rng, count, runs)
    problem = Problem(sheet, windows, {})
    start = problem.begin()
    start[:, 5] = 0.0
    true = problem.centre.copy()
    for name, shift in SHIFTS.items():
        true[INDEX[name]] += shift
    speeds = problem.predict(true[None], start[None])[0]
    channels = [windows.driven.copy(), windows.undriven.copy(), windows.engine.copy()]
    for i, (_, _, a, b) in enumerate(windows.bounds):
        for channel, sd, row in zip(channels, NOISE_MPS, speeds[i], strict=True):
            channel[a:b] = row[: b - a] + sd * rng.standard_normal(b - a)
    return dataclasses.replace(windows, driven=channels[0], undriven=channels[1], engine=channels[2]), true


def delayed(windows, samples):
    """The same windows with wheel speeds that came later than throttle, cut and engine speed."""
    late = {name: np.roll(getattr(windows, name), samples) for name in ("driven", "undriven")}
    return dataclasses.replace(windows, **late)
