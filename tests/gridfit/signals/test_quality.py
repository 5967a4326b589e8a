"""Findings: what is said when a log is sound, and when it is not."""

from dataclasses import replace
from time import process_time

import numpy as np
import pytest

from gridfit.signals import command, quality
from gridfit.signals.prepare import prepare


def failed(signals):
    return {finding.check: finding for finding in signals.findings if not finding.passed}


def full(made):
    made.throttle[made.between(1.0, 4.0)] = 1.0
    return made


def test_a_sound_log_fails_only_for_what_it_lacks(drive, sheet, ten_pct):
    signals = prepare([full(drive(40.0)).run(noise_kmh=0.2)], sheet, {"run1": ten_pct})[0]
    assert set(failed(signals)) == {"channel cut", "channel lateral_acc"}


@pytest.mark.parametrize(
    ("operator", "holds"),
    [("<", [1, 0, 0]), ("<=", [1, 1, 0]), (">", [0, 0, 1]), (">=", [0, 1, 1]), ("==", [0, 1, 0])],
)
def test_a_finding_says_whether_its_comparison_holds(operator, holds):
    for value, passes in zip((1.0, 2.0, 3.0), holds, strict=True):
        row = quality.compare("x", "run1", "x [1]", value, operator, 2.0, good="g", bad="b", remedy="r")
        assert row.passed is bool(passes)
        assert (row.meaning, row.remedy) == (("g", "") if passes else ("b", "r"))
        assert row.to_dict()["value"] == value


def test_what_cannot_be_measured_fails():
    row = quality.compare("x", "", "x [1]", float("nan"), "<", 1.0, good="g", bad="b", remedy="r")
    assert not row.passed


def test_a_hole_is_found(drive, sheet):
    run = drive(40.0).run(noise_kmh=0.2)
    holed = replace(run, table=run.table.drop(index=range(1000, 1045)).reset_index(drop=True))
    finding = failed(prepare([holed], sheet, {})[0])["holes"]
    assert finding.value == pytest.approx(0.46, abs=0.001)


def test_a_slow_log_is_found(drive, sheet):
    run = drive(40.0).run(noise_kmh=0.2)
    slow = replace(run, table=run.table.iloc[::5].reset_index(drop=True))
    names = set(failed(prepare([slow], sheet, {})[0]))
    assert {"log rate", "sampling"} <= names


def test_a_stuck_and_a_missing_wheel_speed_are_counted(drive, sheet):
    made = drive(40.0)
    made.v_u_mps = np.linspace(15.0, 30.0, made.time_s.size)
    run = made.run(noise_kmh=0.2)
    run.table.loc[1000:1099, "speed_undriven_mps"] = run.table["speed_undriven_mps"].iloc[1000]
    run.table.loc[2000:2049, "speed_driven_mps"] = np.nan
    found = failed(prepare([run], sheet, {})[0])
    assert found["stuck: speed_undriven_mps"].value == pytest.approx(100 / 4000)
    assert found["missing: speed_driven_mps"].value == pytest.approx(50 / 4000)


def test_throttle_in_the_wrong_unit_is_noticed(drive, sheet):
    made = full(drive(40.0))
    made.throttle /= 100.0
    assert "throttle opens" in failed(prepare([made.run()], sheet, {})[0])


def test_a_cut_at_its_limit_is_noticed(drive, sheet):
    run = drive(40.0).run()
    run.table["cut_pct"] = 0.0
    run.table.loc[500:599, "cut_pct"] = 100.0
    run = replace(run, roles=(*run.roles, "cut"))
    assert failed(prepare([run], sheet, {})[0])["cut saturates"].value == 1.0


def test_the_cut_is_worked_out_as_the_controller_does(drive, sheet, ten_pct):
    made = full(drive(60.0))
    made.throttle[made.between(40.0, 45.0)] = 1.0
    made.slip_pct[made.between(40.0, 45.0)] = 14.0
    table = prepare([made.run()], sheet, {"run1": ten_pct})[0].table
    cut = table["cut_pct"].to_numpy()
    # 14 % of slip, 4 points above the target: 5 % of cut per point.
    assert cut[made.between(40.1, 44.9)] == pytest.approx(20.0)
    assert (cut[made.between(10.0, 39.9)] == 0.0).all()


def test_the_controller_reads_uncalibrated_speeds(drive, sheet, ten_pct):
    made = full(drive(60.0))
    made.throttle[made.between(40.0, 45.0)] = 1.0
    made.slip_pct[made.between(40.0, 45.0)] = 14.0
    table = prepare([made.run(factor=1.02)], sheet, {"run1": ten_pct})[0].table
    inside = made.between(40.1, 44.9)
    # It sees 1.02 x 1.14 - 1 = 16.28 %, so 6.28 points: 31.4 % of cut, rounded to 1 %; the true slip is 14 %.
    assert table["cut_pct"].to_numpy()[inside] == pytest.approx(31.0)
    assert table["slip_pct"].to_numpy()[inside] == pytest.approx(14.0, abs=0.3)


def test_gates_keep_the_cut_shut(drive, sheet, ten_pct):
    made = full(drive(60.0))
    made.slip_pct[made.between(40.0, 45.0)] = 14.0
    made.throttle[made.between(40.0, 45.0)] = 0.19
    assert (prepare([made.run()], sheet, {"run1": ten_pct})[0].table["cut_pct"] == 0.0).all()


def test_a_logged_cut_is_kept_and_its_gaps_are_filled_from_the_grids(drive, sheet, ten_pct):
    made = full(drive(60.0))
    made.throttle[made.between(40.0, 45.0)] = 1.0
    made.slip_pct[made.between(40.0, 45.0)] = 14.0
    run = made.run()
    run.table["cut_pct"] = np.where(made.between(40.0, 45.0), 33.0, 0.0)
    run.table.loc[made.between(42.0, 43.0), "cut_pct"] = np.nan
    cut = prepare([run], sheet, {"run1": ten_pct})[0].table["cut_pct"].to_numpy()
    assert cut[made.between(40.1, 41.9)] == pytest.approx(33.0)
    assert cut[made.between(42.1, 42.9)] == pytest.approx(20.0)


def test_a_logged_target_stands_in_for_unknown_grids(drive, sheet):
    run = full(drive(40.0)).run()
    run.table["slip_target_pct"] = np.where(run.table["throttle"] > 0.2, 12.0, 0.0)
    table = prepare([run], sheet, {})[0].table
    assert (table["target_pct"] == 12.0).all()


def test_slip_is_on_vehicle_speed_with_a_floor():
    slip = command.slip_pct(np.array([22.0, 3.0]), np.array([20.0, 1.0]), 5.0)
    assert slip == pytest.approx([10.0, 40.0])


def test_six_minutes_at_100_hz_take_less_than_half_a_second(drive, sheet, ten_pct):
    run = full(drive(360.0)).run(noise_kmh=0.4)
    prepare([run], sheet, {"run1": ten_pct})
    began = process_time()
    prepare([run], sheet, {"run1": ten_pct})
    assert process_time() - began < 0.5
