"""Bends: curvature, unequal wheels, differential, and corners that are no slip."""

import numpy as np
import pytest

from gridfit.signals import episodes
from gridfit.signals.prepare import prepare
from tests.gridfit.signals.test_calibration import wander


def cornering(made, sheet, rng, *, factor=1.0, share=1.0, side_u=0.0, side_d=0.0, steering=False, scale=1.0):
    """Bends to both sides with straights between; wheels and axles on the paths that geometry gives them.

    Inner and outer wheel at v (1 -+ k t/2), rear axle at (1 - (L k)^2/2) of the front one.
    """
    clock = made.time_s - made.time_s[0]
    turn = np.clip(1.5 * np.sin(2.0 * np.pi * clock / 16.0), -1.0, 1.0) * (
        np.abs(np.sin(np.pi * clock / 32.0)) > 0.5
    )
    curvature = scale * 0.035 * turn
    run = made.run(factor=factor, noise_kmh=0.1, rng=rng)
    table = run.table
    inside = 1.0 - 0.5 * (sheet.car.wheelbase_m * curvature) ** 2
    table["speed_driven_mps"] *= inside if sheet.driven == "rear" else 1.0 / inside
    half = 0.5 * sheet.car.track_m * curvature
    undriven, driven = ("f", "r") if sheet.driven == "rear" else ("r", "f")
    if steering:
        table["steering_rad"] = 15.0 * np.arctan(sheet.car.wheelbase_m * curvature)
    else:
        for end, base, part, side in (
            (undriven, "speed_undriven_mps", 1.0, side_u), (driven, "speed_driven_mps", share, side_d),
        ):  # fmt: skip
            table[f"speed_{end}l_mps"] = table[base] * (1.0 - part * half) * (1.0 - 0.5 * side)
            table[f"speed_{end}r_mps"] = table[base] * (1.0 + part * half) * (1.0 + 0.5 * side)
    return run, curvature


def test_curvature_comes_from_the_undriven_wheels_however_unequal(drive, sheet):
    rng = np.random.default_rng(1)
    made = wander(drive(120.0), rng)
    run, curvature = cornering(made, sheet, rng, side_u=0.01)
    signals = prepare([run], sheet, {})[0]
    wrong = signals.table["curvature_1pm"].rolling(31, center=True).mean() - curvature
    assert wrong.abs().quantile(0.9) < 0.003


@pytest.mark.parametrize(("share", "locked"), [(1.0, False), (0.0, True)])
def test_a_locked_axle_is_noticed(drive, sheet, share, locked):
    rng = np.random.default_rng(2)
    run, _ = cornering(wander(drive(120.0), rng), sheet, rng, share=share)
    signals = prepare([run], sheet, {})[0]
    assert signals.differential.mean == pytest.approx(share, abs=0.08)
    assert {one.check: one.passed for one in signals.findings}["differential"] is not locked


@pytest.mark.parametrize("side", [-0.02, 0.02])
def test_unequal_wheels_are_told(drive, sheet, side):
    rng = np.random.default_rng(3)
    run, _ = cornering(wander(drive(120.0), rng), sheet, rng, side_d=side)
    signals = prepare([run], sheet, {})[0]
    (finding,) = [one for one in signals.findings if one.check == "driven wheels alike"]
    assert not finding.passed
    assert finding.value == pytest.approx(0.02, abs=0.003)


@pytest.mark.parametrize("steering", [False, True])
def test_cornering_is_no_slip_on_a_front_driven_car(drive, sheet, ten_pct, steering):
    # In a bend of 13 m the front wheels run (2.6/13)^2/2 = 2 % farther than the rear ones.
    front = type(sheet)(
        **{name: getattr(sheet, name) for name in sheet.__dataclass_fields__}
        | {"car": sheet.car.model_copy(update={"drive": "fwd"})}
    )
    rng = np.random.default_rng(4)
    made = wander(drive(160.0), rng)
    made.v_u_mps *= 0.55
    run, _ = cornering(made, front, rng, steering=steering, scale=2.2)
    pair = type(ten_pct)(
        type(ten_pct.target)(ten_pct.target.speed_kmh, np.array([0.5, 0.5])), ten_pct.cut, ten_pct.extra
    )
    assert np.max(run.table["speed_driven_mps"] / run.table["speed_undriven_mps"]) > 1.025
    run.table["throttle"] = np.clip(run.table["throttle"] + 0.12, 0.21, 0.29)
    signals = prepare([run], front, {"run1": pair})[0]
    assert len(episodes.find(signals, front)) == 0


def test_an_axle_speed_of_a_single_wheel_is_corrected_by_the_bend(drive, sheet):
    rng = np.random.default_rng(5)
    run, curvature = cornering(wander(drive(240.0), rng), sheet, rng, factor=1.01, steering=True)
    # The left front wheel alone stands for the undriven axle: v (1 - k t/2), up to 2.7 % off.
    run.table["speed_undriven_mps"] *= 1.0 - 0.5 * sheet.car.track_m * curvature
    signals = prepare([run], sheet, {})[0]
    assert signals.factor.mean == pytest.approx(1.01, rel=0.003)
    assert not {one.check: one.passed for one in signals.findings}["axle speed in bends"]
    slip = 100.0 * (signals.table["v_d_smooth_mps"] / signals.table["v_u_smooth_mps"] - 1.0)
    turning = np.abs(curvature) > 0.03
    assert np.quantile(np.abs(slip[turning] - np.median(slip[~turning])), 0.95) < 1.2
