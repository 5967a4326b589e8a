"""Rows that show speeds and cut of one turn of the loop are told from rows that do not."""

import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from gridfit.carsheet import read_carsheet
from gridfit.estimate import Estimate
from gridfit.grids import CutGrid, GridPair, TargetGrid
from gridfit.signals import command
from gridfit.signals.note import RunNote
from gridfit.signals.prepared import Signals
from gridfit.signals.run import Run
from gridfit.signals.turns import LEAST_ROWS, WITHIN_TURN, of_one_turn, stamps

PAIR = GridPair(
    TargetGrid(np.array([20.0, 200.0]), np.array([10.0, 10.0])),
    CutGrid(np.array([0.0, 10.0, 30.0]), np.array([1.0]), np.array([[0.0, 30.0, 90.0]])),
    {},
)
ROW_S = 0.01


@pytest.fixture(scope="module")
def sheet(demo):
    return read_carsheet(demo / "car.toml")


def logged(sheet, rows_late, *, rows=900, seed=0):
    """A run with swinging slip, whose rows tell the cut of so many rows before (parts by interpolation)."""
    rng = np.random.default_rng(seed)
    time = ROW_S * np.arange(rows)
    v_u = np.full(rows, 70.0)
    slip = 18.0 + 10.0 * np.sin(2.0 * np.pi * time / 0.17) + rng.normal(0.0, 0.05, rows)
    v_d = v_u * (1.0 + 0.01 * slip)
    then = np.interp(time - rows_late * ROW_S, time, v_d)
    error = command.slip_pct(then, v_u, sheet.controller.min_speed_kmh) - PAIR.target.at(v_u)
    cut = np.round(PAIR.cut.at(error, np.ones(rows)))
    table = pd.DataFrame(
        {
            "time_s": time,
            "v_u_raw_kmh": v_u,
            "v_d_raw_kmh": v_d,
            "gear": np.ones(rows, dtype=np.int64),
            "valid": True,
        }
    )
    own = pd.DataFrame({"time_s": time, "cut_pct": cut})
    note = RunNote(compound="soft", date="2026-05-02", track="test track")
    run = Run("made", Path("made.csv"), own, note, tuple(own.columns), "0" * 64, 0)
    one = Estimate.exactly(1.0)
    return Signals(run, PAIR, one, one, table, ())


def test_rows_of_one_turn(sheet):
    assert of_one_turn(sheet, [logged(sheet, 0.0)])


@pytest.mark.parametrize("rows_late", [0.5, 1.0, 2.0])
def test_rows_of_different_turns(sheet, rows_late):
    assert not of_one_turn(sheet, [logged(sheet, rows_late)])


def test_one_run_of_other_turns_spoils_it(sheet):
    assert not of_one_turn(sheet, [logged(sheet, 0.0), logged(sheet, 0.5, seed=1)])


def test_too_few_rows_tell_nothing(sheet):
    assert not of_one_turn(sheet, [logged(sheet, 0.0, rows=LEAST_ROWS // 2)])


def test_without_grids_or_cut_nothing_is_told(sheet):
    known = logged(sheet, 0.0)
    assert not of_one_turn(sheet, [dataclasses.replace(known, grids=None)])
    run = dataclasses.replace(known.run, table=known.run.table.drop(columns="cut_pct"))
    assert not of_one_turn(sheet, [dataclasses.replace(known, run=run)])


def test_stamps_of_one_turn_come_half_a_turn_after_the_line(sheet):
    turn_s = min(ROW_S, 1.0 / sheet.controller.loop_hz)
    late_s, sd_s = stamps(sheet, [logged(sheet, 0.0)])
    assert late_s == pytest.approx(0.5 * turn_s)
    assert sd_s == pytest.approx(WITHIN_TURN * turn_s)


def test_stamps_of_other_turns_are_anywhere_within_a_row(sheet):
    """A uniform distribution over a row has a standard deviation of a row over the root of 12; from memory."""
    late_s, sd_s = stamps(sheet, [logged(sheet, 0.5)])
    assert late_s == 0.0
    assert sd_s == pytest.approx(ROW_S / 12.0**0.5)
