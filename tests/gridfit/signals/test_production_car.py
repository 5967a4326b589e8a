"""A real minute of a production car on a road: no wheelspin is in it, and bumps reach 7.7 % of slip.

Data: comma2k19 (arXiv:1812.05752), see datasets/formats. To be hard on the finder, throttle is said to be wide open
throughout and the brake off, so nothing but the wheels' own behaviour keeps an episode away.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from gridfit.grids import CutGrid, GridPair, TargetGrid
from gridfit.signals import episodes
from gridfit.signals.prepare import prepare
from gridfit.signals.run import Run, RunNote

WHEELS = ("speed_fl_mps", "speed_fr_mps", "speed_rl_mps", "speed_rr_mps")


@pytest.fixture(scope="module")
def minute():
    """Clock and wheel speeds as the data set's makers decoded them."""
    with np.load(Path(__file__).parents[3] / "datasets" / "formats" / "truth.npz") as stored:
        return stored["wheel_t"], stored["wheel_mps"]


def look(minute, sheet, drive, target_pct):
    time_s, wheels = minute
    table = pd.DataFrame(dict(zip(WHEELS, wheels.T, strict=True)))
    table.insert(0, "time_s", time_s)
    front, rear = wheels[:, :2].mean(axis=1), wheels[:, 2:].mean(axis=1)
    driven, undriven = (front, rear) if drive == "fwd" else (rear, front)
    table["speed_driven_mps"], table["speed_undriven_mps"] = driven, undriven
    table["throttle"] = 1.0
    run = Run("minute", Path("minute"), table, RunNote(), ("time", "throttle"), "", 0)
    pair = GridPair(
        TargetGrid(np.array([10.0, 200.0]), np.array([target_pct, target_pct])),
        CutGrid(np.array([0.0, 10.0]), np.array([1.0]), np.array([[0.0, 50.0]])),
    )
    car = replace(sheet, car=sheet.car.model_copy(update={"drive": drive, "wheelbase_m": 2.69}))
    signals = prepare([run], car, {"minute": pair})[0]
    return signals, episodes.find(signals, car)


@pytest.mark.parametrize("drive", ["fwd", "rwd"])
@pytest.mark.parametrize("target_pct", [0.0, 1.0, 3.0])
def test_bumps_are_no_episodes(minute, sheet, drive, target_pct):
    signals, found = look(minute, sheet, drive, target_pct)
    # The bumps are there: more than the band of 2 points above a target that allows no slip at all.
    if target_pct == 0.0:
        assert signals.table["slip_pct"].max() > 6.0
    assert len(found) == 0


def test_wheelspin_put_into_the_minute_is_found(minute, sheet):
    time_s, wheels = minute
    spun = wheels.copy()
    clock = time_s - time_s[0]
    spin = np.interp(clock, [30.0, 30.15, 30.6, 30.8], [0.0, 0.12, 0.12, 0.0])
    spun[:, :2] *= 1.0 + spin[:, None]
    _, found = look((time_s, spun), sheet, "fwd", 3.0)
    # 3 + 2 points are crossed at 5/12 of the edges of 0.15 and 0.2 s.
    assert len(found) == 1
    assert found.start_s[0] - time_s[0] == pytest.approx(30.0 + 0.15 * 5.0 / 12.0, abs=0.03)
    assert found.end_s[0] - time_s[0] == pytest.approx(30.8 - 0.2 * 5.0 / 12.0, abs=0.03)
