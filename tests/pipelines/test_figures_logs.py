"""Figures of logs: time line, wheel-speed scale, gears: the data are right, the drawings repeat exactly."""

import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from gridfit.estimate import Estimate
from pipelines.report.figures_logs import calibration_data, draw_calibration, draw_gears, gear_data
from pipelines.report.figures_timeline import BRAKE, EPISODE, GAP, UNUSABLE, draw_timeline, timeline_data

KMH = 3.6
"""km/h per m/s, from their definition."""


def samples(n: int = 2000) -> pd.DataFrame:
    """A run at 100 Hz: 20 m/s in second gear at 3000 rpm, a slip of 1 m/s from 5 s to 6 s."""
    time_s = 100.0 + np.arange(n) / 100.0
    slip = np.where((time_s >= 105.0) & (time_s < 106.0), 1.0, 0.0)
    flag = np.zeros(n, dtype=bool)
    brake = flag.copy()
    brake[100:200] = True
    return pd.DataFrame(
        {
            "time_s": time_s,
            "v_u_mps": 20.0,
            "v_u_smooth_mps": 20.0,
            "v_d_mps": 20.0 + slip,
            "throttle": np.where(slip > 0, 1.0, 0.1),
            "rpm": 3000.0,
            "gear": 2,
            "shift": flag,
            "brake": brake,
            "valid": ~flag,
            "coupled": ~flag,
            "slip_pct": 5.0 * slip,
        }
    )


EPISODES = pd.DataFrame(
    {"run": ["a", "b"], "start_s": [105.0, 1.0], "end_s": [106.0, 2.0], "cause": ["kerb", "damp"]}
)
FAULTS = pd.DataFrame(
    {
        "kind": ["spikes", "hole", "spikes"],
        "channel": ["speed_fl_mps", "time_s", "speed_fr_mps"],
        "start_s": [101.0, 110.0, 112.0],
        "end_s": [101.02, 110.5, 112.02],
    }
)


def run(name: str = "a", factor: float = 1.02) -> SimpleNamespace:
    """What the calibration figure needs of a run: points on a line with slope 0.008 s2/m through its factor."""
    force = np.linspace(-2.0, 8.0, 500)
    steady = pd.DataFrame(
        {
            "force_mps2": force,
            "ratio": factor * np.exp(0.008 * force),
            "used": np.abs(force) < 1.0,
            "speed_mps": 20.0,
        }
    )
    estimate = Estimate(factor, factor - 0.002, factor + 0.002)
    return SimpleNamespace(name=name, factor=estimate, steady=steady, slip_per_force_s2pm=0.008)


def timeline():
    return timeline_data("a", samples(), EPISODES, FAULTS)


def test_timeline_keeps_peaks_and_spans():
    table = samples()
    table.loc[777, "v_d_mps"] = 50.0
    table.loc[300:399, ["v_d_mps", "v_u_mps"]] = np.nan
    table.loc[300:399, "valid"] = False
    data = timeline_data("a", table, EPISODES, FAULTS)
    assert np.nanmax(data.driven_hi_kmh) == 50.0 * KMH
    assert np.nanmin(data.undriven_kmh) == pytest.approx(
        20.0 * KMH
    )  # what is unknown is not drawn as standstill
    assert np.isnan(data.undriven_kmh).any()
    assert data.lanes[BRAKE] == [(101.0, 102.0)]
    assert data.lanes[UNUSABLE] == [(103.0, 104.0)]
    assert data.lanes[EPISODE] == [(105.0, 106.0)]


def test_timeline_has_a_lane_per_kind_of_fault_and_always_those_of_the_run():
    data = timeline()
    assert data.lanes["spikes"] == [(101.0, 101.02), (112.0, 112.02)]
    assert data.lanes[GAP] == [(110.0, 110.5)]
    assert "stuck" not in data.lanes
    quiet = timeline_data("c", samples(), EPISODES, FAULTS.iloc[:0])
    assert list(quiet.lanes) == ["slip episode", "brake", "shift", "not used", "gap in the clock"]
    assert quiet.lanes[GAP] == []


def test_the_line_of_the_calibration_meets_zero_force_at_the_factor():
    data = calibration_data([run(), run("b", 0.97)])
    for ratio, force, factor in zip(data.ratio, data.force_mps2, data.factor, strict=True):
        assert ratio == pytest.approx(factor * np.exp(data.slope_s2pm * force))
    assert data.factor.tolist() == [1.02, 0.97]
    assert max(force.max() for force in data.force_mps2) < 6.0
    assert all(used.any() and not used.all() for used in data.used)


def test_points_are_thinned_however_many_runs_there_are():
    data = calibration_data([run(f"r{at}") for at in range(12)])
    assert sum(one.size for one in data.ratio) < 1300


def test_gears_as_driven_are_told_from_the_sheet():
    sheet = np.array([80.0, 40.0, 30.0])
    data = gear_data([samples()], sheet)
    assert data.speed_kmh == pytest.approx(20.0 * KMH)  # slipping samples are left out
    assert data.driven_rpm_per_kmh[1] == pytest.approx(3000.0 / (20.0 * KMH))
    assert np.isnan(data.driven_rpm_per_kmh[[0, 2]]).all()
    assert data.sheet_rpm_per_kmh is sheet


def test_a_gear_that_was_only_accelerated_in_shows_no_slope():
    """Engine speed that comes late reads low there."""
    table = samples()
    table["v_u_smooth_mps"] = 20.0 + 4.0 * (table["time_s"] - 100.0)
    data = gear_data([table], np.array([80.0, 40.0]))
    assert np.isnan(data.driven_rpm_per_kmh).all()
    assert data.rpm.size > 0


def test_no_engine_speed_gives_no_gears():
    assert gear_data([samples().assign(rpm=np.nan)], np.array([80.0, 40.0])).rpm.size == 0


DRAWINGS = {
    "timeline0": lambda: draw_timeline(timeline(), "timeline0"),
    "calibration": lambda: draw_calibration(calibration_data([run(), run("b", 0.98)])),
    "gears": lambda: draw_gears(gear_data([samples()], np.array([100.0, 60.0]))),
}


@pytest.mark.parametrize("name", DRAWINGS)
def test_a_drawing_repeats_exactly_and_stands_alone(name):
    first, second = DRAWINGS[name](), DRAWINGS[name]()
    assert first == second
    assert first.startswith("<svg viewBox=")
    assert "http" not in first
    assert len(first) < 250_000
    identifiers = re.findall(r' id="([^"]+)"', first)
    assert all(identifier.startswith(f"{name}-") for identifier in identifiers)
    for target in re.findall(r'(?:href="#|url\(#)([^")]+)', first):
        assert target in identifiers


def test_the_lanes_of_a_timeline_are_named_with_their_counts():
    drawn = DRAWINGS["timeline0"]()
    for text in ("slip episode (1)", "spikes (2)", "gap in the clock (1)", "not used (0)"):
        assert text in drawn
