"""Findings on the fit: quiet on a car of its own kind, loud on one that breaks it."""

import dataclasses

import numpy as np
import pytest

from gridfit.plant.doubts import held_out_findings
from gridfit.plant.modelchecks import check_model
from tests.gridfit.plant.conftest import identified
from tests.gridfit.plant.madewindows import SLOT, delayed, made


@pytest.fixture(scope="module")
def checked(small):
    sheet, _, _, found = small
    return check_model(sheet, found, {})


def failed(checks):
    return {f.check for f in checks.findings if not f.passed}


def test_quiet_where_the_car_is_such_a_plant(checked):
    assert checked.findings
    assert failed(checked) == set()
    assert checked.held_out is not None


def test_loud_when_wheel_speeds_come_late(small):
    sheet, windows, _, _ = small
    late = check_model(sheet, identified(sheet, delayed(windows, 12)), {}, leave_out=False)
    assert {"plant follows gear 1", "plant follows gear 2"} & failed(late)
    told = next(f for f in late.findings if not f.passed)
    assert "gridfit inspect" in told.remedy
    assert "intervals" in told.remedy


def test_loud_when_a_gear_ratio_is_wrong(small):
    """The car has another second gear than its sheet: there, engine speed does not fit and is set aside."""
    sheet, _, _, _ = small
    ratios = (sheet.gearbox.ratios[0], 1.3 * sheet.gearbox.ratios[1], *sheet.gearbox.ratios[2:])
    gearbox = sheet.gearbox.model_copy(update={"ratios": list(ratios)})
    other = dataclasses.replace(sheet, gearbox=gearbox)
    windows, _ = made(other, np.random.default_rng(11))
    second = np.repeat(windows.gear == 2, SLOT)
    blind = dataclasses.replace(
        windows, engine_used=~second, engine=np.where(second, windows.driven, windows.engine)
    )
    checks = check_model(sheet, identified(sheet, blind), {}, leave_out=False)
    usual = check_model(other, identified(other, blind), {}, leave_out=False)
    assert failed(usual) == set()
    assert "fitted figures are believable" in failed(checks)
    told = next(f for f in checks.findings if not f.passed)
    assert "torque_scale x efficiency" in told.meaning


def scaled(held, *, rms=1.0, cost=1.0):
    """Runs left out that were predicted so many times worse."""
    return dataclasses.replace(
        held,
        rms_mps={**held.rms_mps, "held_out": rms * held.rms_mps["held_out"]},
        cost={**held.cost, "held_out": cost * held.cost["held_out"]},
    )


@pytest.mark.parametrize(
    ("worse", "check"),
    [
        ({"rms": 10.0}, "runs left out are predicted within the noise"),
        ({"cost": 10.0}, "runs left out are predicted"),
    ],
)
def test_runs_that_are_not_predicted_are_told(checked, worse, check):
    told = held_out_findings(scaled(checked.held_out, **worse))
    assert [f.check for f in told if not f.passed] == [check]
    assert all(f.remedy for f in told if not f.passed)


def test_a_plant_that_rests_on_one_run_is_told(checked):
    lost = dataclasses.replace(checked.held_out, lost=("run1",))
    told = [f for f in held_out_findings(lost) if not f.passed]
    assert [f.check for f in told] == ["fits without a run succeed"]
    assert "run1" in told[0].statistic


def test_a_handful_of_windows_is_not_judged(checked):
    held = checked.held_out
    few = dataclasses.replace(held.windows, episode=np.where(np.arange(len(held.windows)) < 4, 0, -1))
    assert held_out_findings(scaled(dataclasses.replace(held, windows=few), rms=10.0)) == []
