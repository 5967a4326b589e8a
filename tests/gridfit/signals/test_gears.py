"""Gears from engine speed and ratios, and shifts, on made-up drives."""

import numpy as np
import pytest

from gridfit.driveline import overall_ratio, rolling_radius_m
from gridfit.signals import gears
from gridfit.signals.prepare import prepare


def ladder(made):
    """Go up through the gears, 8 s in each, 0.15 s of open clutch between with the engine held up."""
    for gear in range(1, 6):
        made.gear[made.between(8.0 * (gear - 1), 8.0 * gear)] = gear
    made.v_u_mps = np.linspace(8.0, 30.0, made.time_s.size)
    made.slip_pct = made.rolling_slip_pct(np.full(made.time_s.size, 22.0 / 40.0))
    return made


def open_clutch(run, made, sheet, seconds=0.15):
    """Before every change hold the engine's speed 10 % up while the wheels go on."""
    table = run.table
    for at in np.flatnonzero(np.diff(made.gear)) + 1:
        first = at - round(seconds / 0.01)
        table.loc[first : at - 1, "rpm"] = table["rpm"].iloc[first - 1] * 1.1
    return run


@pytest.mark.parametrize("radius_share", [0.96, 1.0, 1.04])
def test_gears_are_found_from_engine_speed_whatever_the_radius(drive, sheet, radius_share):
    made = ladder(drive(40.0))
    run = open_clutch(made.run(noise_kmh=0.3, without=("gear",)), made, sheet)
    run.table["rpm"] /= radius_share
    signals = prepare([run], sheet, {})[0]
    table = signals.table
    sure = ~table["shift"].to_numpy() & (table["gear"].to_numpy() > 0)
    assert np.mean(table["gear"].to_numpy()[sure] == made.gear[sure]) > 0.995
    assert sure.mean() > 0.95
    assert signals.radius.mean == pytest.approx(radius_share * rolling_radius_m(sheet.tyre.size), rel=0.004)


@pytest.mark.parametrize("logged", [True, False])
def test_a_shift_lasts_from_the_opening_of_the_clutch_to_the_next_gear(drive, sheet, logged):
    made = ladder(drive(40.0))
    run = open_clutch(made.run(noise_kmh=0.05, without=() if logged else ("gear",)), made, sheet)
    shift = prepare([run], sheet, {})[0].table["shift"].to_numpy()
    changes = np.flatnonzero(np.diff(made.gear)) + 1
    starts, stops = (
        np.flatnonzero(np.diff(shift.astype(int)) == 1) + 1,
        np.flatnonzero(np.diff(shift.astype(int)) == -1) + 1,
    )
    assert starts == pytest.approx(changes - 15, abs=2)
    assert stops == pytest.approx(changes, abs=2)


def test_a_logged_zero_is_a_shift_and_a_missing_sample_is_not(drive, sheet):
    made = ladder(drive(40.0))
    made.gear[1000:1005] = np.nan
    made.gear[1590:1600] = 0.0
    run = made.run()
    table = prepare([run], sheet, {})[0].table
    assert table["gear"].iloc[1002] == 2
    assert not table["shift"].iloc[1002]
    assert (table["gear"].iloc[1590:1600] == 0).all()
    assert table["shift"].iloc[1590:1600].all()


def test_without_engine_speed_and_gear_the_gear_is_unknown(drive, sheet):
    signals = prepare([ladder(drive(40.0)).run(without=("rpm", "gear"))], sheet, {})[0]
    assert (signals.table["gear"] == 0).all()
    assert not signals.table["shift"].any()
    assert not np.isfinite(signals.radius.mean)
    assert "gear known" in {finding.check for finding in signals.findings if not finding.passed}


def test_a_slipping_clutch_is_on_no_ratio(sheet):
    ratios = np.log(overall_ratio(sheet, np.arange(1, 6)))
    halfway = 0.5 * (ratios[:-1] + ratios[1:])
    assert (gears.classify(halfway, ratios) == 0).all()
    assert list(gears.classify(ratios, ratios)) == [1, 2, 3, 4, 5]
    assert gears.classify(np.array([np.nan]), ratios)[0] == 0


def test_short_coincidences_are_dropped_and_gaps_bridged():
    found = np.array([2] * 50 + [3] * 3 + [0] * 5 + [2] * 50 + [0] * 20 + [3] * 40, dtype=np.int64)
    settled = gears.settle(found, 0.01)
    assert (settled[:108] == 2).all()
    assert (settled[108:128] == 0).all()
    assert (settled[128:] == 3).all()


def test_a_gear_channel_that_is_one_off_is_noticed(drive, sheet):
    made = ladder(drive(40.0))
    right = prepare([made.run()], sheet, {})[0]
    run = made.run()
    run.table["gear"] = np.maximum(run.table["gear"] - 1.0, 1.0)
    wrong = prepare([run], sheet, {})[0]
    name = "gear agrees with engine speed"
    assert {f.check: f.passed for f in right.findings}[name]
    assert not {f.check: f.passed for f in wrong.findings}[name]
