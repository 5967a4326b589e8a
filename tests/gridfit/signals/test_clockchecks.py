"""Faults put into the clock of a log, over their sizes: repaired and said, or refused; gaps never bridged."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from cases.goodcar import write_all
from hypothesis import given, settings
from hypothesis import strategies as st

from gridfit.carsheet import CarSheet, read_carsheet
from gridfit.errors import InputError
from gridfit.estimate import Estimate
from gridfit.signals import clock, clockchecks
from gridfit.signals.readers import read_run
from gridfit.signals.run import Channel, Run, RunNote

ROWS = 4000
STEP_S = 0.02


def run_of(
    time_s: np.ndarray, repairs: tuple[tuple[str, int], ...] = (), dropped: int = 0, **more: object
) -> Run:
    table = pd.DataFrame({"time_s": time_s})
    return Run("run1", Path("run1.csv"), table, RunNote(), (), "", dropped, repairs, **more)  # type: ignore[arg-type]


def repaired(time_s: np.ndarray, unit: str = "s") -> tuple[clock.Clock, Run]:
    made = clock.repair(time_s, where="run1.csv", place=lambda row: f":{row + 2}", channel=Channel("t", unit))
    turns = ((clock.ROLLED, made.rolled),) if made.rolled else ()
    run = run_of(made.time_s[made.keep], (*made.repairs, *turns), int((~made.keep).sum()))
    return made, run


def found(run: Run) -> dict[str, tuple[float, bool]]:
    return {one.check: (one.value, one.passed) for one in clockchecks.check(run)}


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(1, ROWS - 200), st.integers(2, 150)), min_size=1, max_size=6))
def test_every_gap_is_listed_with_its_length_and_nothing_bridges_it(holes: list[tuple[int, int]]):
    time_s = 100.0 + STEP_S * np.arange(ROWS)
    keep = np.ones(ROWS, dtype=bool)
    for start, size in holes:
        keep[start : start + size] = False
    _, run = repaired(time_s[keep])
    gaps = clockchecks.gaps(run)
    assert sum(gap.missing for gap in gaps) == np.count_nonzero(~keep)
    assert sum(gap.length_s - STEP_S for gap in gaps) == pytest.approx(
        STEP_S * np.count_nonzero(~keep), abs=1e-6
    )
    assert len(run.table) == np.count_nonzero(keep)
    mask = clockchecks.gap_mask(run, 0.0)
    assert np.count_nonzero(mask) <= 2 * len(gaps)
    assert mask.any()
    value, passed = found(run)["gaps in the clock"]
    assert value == pytest.approx(np.mean(~keep))
    assert passed == (value < 1e-3)


@settings(max_examples=40, deadline=None)
@given(st.sampled_from([(16, "ms"), (24, "us"), (32, "us")]), st.floats(0.05, 0.95), st.integers(0, 2))
def test_a_counter_that_rolls_over_is_counted_on(kind: tuple[int, str], share: float, lost: int):
    bits, unit = kind
    factor = {"ms": 1e-3, "us": 1e-6}[unit]
    steps = round(STEP_S / factor)
    counts = 2**bits - round(share * ROWS) * steps + np.arange(ROWS) * steps
    kept = np.delete(counts, np.arange(round(share * ROWS), round(share * ROWS) + lost))
    made, run = repaired(np.mod(kept, 2**bits) * factor, unit)
    np.testing.assert_allclose(np.diff(made.time_s), np.diff(kept) * factor, atol=1e-9)
    assert made.rolled == np.count_nonzero(np.diff(kept // 2**bits))
    assert made.keep.all()
    assert found(run)["clock rolled over"] == (made.rolled, False)


@settings(max_examples=40, deadline=None)
@given(st.integers(300, ROWS - 300), st.floats(0.0, 50.0))
def test_a_logger_that_was_started_anew_is_refused_with_where(at: int, begins_s: float):
    first = 3.0 + STEP_S * np.arange(ROWS)
    time_s = np.concatenate([first[:at], begins_s + STEP_S * np.arange(ROWS - at)])
    if begins_s > first[at - 1]:
        made, run = repaired(time_s)
        assert made.keep.all()
        assert found(run)["gaps in the clock"][1] == (begins_s - first[at - 1] < 3.5 * STEP_S)
        return
    overlap = min(np.count_nonzero(first[:at] >= begins_s), np.count_nonzero(time_s[at:] <= first[at - 1]))
    if overlap <= clock.MOST_BACKWARD * ROWS:
        return
    with pytest.raises(InputError, match=rf"run1.csv:{at + 2} .*split the log"):
        repaired(time_s)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(1, ROWS - 2), min_size=1, max_size=40, unique=True), st.floats(0.001, 500.0))
def test_backward_stamps_cost_the_fewest_rows_and_are_said(rows: list[int], back_s: float):
    time_s = 600.0 + STEP_S * np.arange(ROWS)
    time_s[rows] -= STEP_S + back_s
    made, run = repaired(time_s)
    assert np.count_nonzero(~made.keep) <= len(rows)
    assert np.all(np.diff(made.time_s[made.keep]) > 0.0)
    assert "clock: backward stamp" in found(run)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(1, ROWS - 1), min_size=1, max_size=200, unique=True))
def test_doubled_rows_go_and_are_said(rows: list[int]):
    time_s = np.sort(np.concatenate([STEP_S * np.arange(ROWS), STEP_S * np.array(rows)]))
    made, run = repaired(time_s)
    np.testing.assert_array_equal(made.time_s[made.keep], STEP_S * np.arange(ROWS))
    assert found(run)["clock: duplicated row"][1] == (len(rows) / time_s.size < 1e-3)


@settings(max_examples=30, deadline=None)
@given(st.floats(0.0, 0.45), st.integers(0, 2**32 - 1))
def test_jitter_moves_no_row(share: float, seed: int):
    rng = np.random.default_rng(seed)
    time_s = STEP_S * (np.arange(ROWS) + share * rng.uniform(-1.0, 1.0, ROWS))
    made, run = repaired(time_s)
    assert made.keep.all()
    assert found(run)["gaps in the clock"] == (0.0, True)


def test_a_good_run_has_nothing_to_say():
    _, run = repaired(100.0 + STEP_S * np.arange(ROWS))
    assert found(run) == {"gaps in the clock": (0.0, True)}


def test_lags_and_open_questions_are_said():
    run = run_of(
        STEP_S * np.arange(ROWS),
        lags={"rpm": Estimate(0.12, 0.11, 0.13)},
        unsure={"brake": Channel("brk", "bar", 0.5, "nothing tells its unit")},
    )
    findings = {one.check: one for one in clockchecks.check(run)}
    assert findings["lag of rpm"].value == 0.12
    assert "nothing tells its unit" in findings["channel map: brake"].meaning
    assert all(one.remedy for one in findings.values() if not one.passed)


@pytest.fixture
def sheet(tmp_path: Path) -> CarSheet:
    return read_carsheet(write_all(tmp_path) / "car.toml")


def test_a_16_bit_counter_is_read_through(tmp_path: Path, sheet: CarSheet):
    table = pd.read_csv(tmp_path / "run1.csv")
    plain = read_run(tmp_path / "run1.csv", None, sheet)
    table["t"] = np.mod(np.round(1000.0 * (table["t"] - table["t"].iloc[0])) + 2**16 - 5000.0, 2**16)
    table.to_csv(tmp_path / "run1.csv", index=False)
    text = (tmp_path / "channels.toml").read_text()
    (tmp_path / "channels.toml").write_text(text.replace('"t", unit = "s"', '"t", unit = "ms"'))
    run = read_run(tmp_path / "run1.csv", None, sheet)
    assert (clock.ROLLED, 1) in run.repairs
    assert run.rows_dropped == 0
    np.testing.assert_allclose(np.diff(run.table["time_s"]), np.diff(plain.table["time_s"]), atol=1.1e-3)
