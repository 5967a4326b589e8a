"""The clock repair leaves out as few rows as can be."""

from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gridfit.errors import InputError
from gridfit.signals import clock
from gridfit.signals.run import Channel


def repair(time_s: np.ndarray) -> clock.Clock:
    return clock.repair(time_s, where="run1.csv", place=lambda row: f":{row + 2}", channel=Channel("t", "s"))


def longest_by_force(stamps: list[int]) -> int:
    """Return the length of a longest strictly increasing subsequence, all subsets tried."""
    for size in range(len(stamps), 0, -1):
        for chosen in combinations(stamps, size):
            if all(a < b for a, b in pairwise(chosen)):
                return size
    return 0


@given(st.lists(st.integers(0, 9), min_size=1, max_size=9))
def test_the_fewest_rows_are_left_out(stamps: list[int]):
    out = clock._not_increasing(np.array(stamps, dtype=np.float64))
    kept = np.delete(stamps, out)
    assert np.all(np.diff(kept) > 0)
    assert kept.size == longest_by_force(stamps)


def test_of_equal_stamps_the_first_is_kept():
    time = 0.01 * np.repeat(np.arange(50.0), np.where(np.arange(50) == 20, 3, 1))
    made = repair(time)
    assert list(np.flatnonzero(~made.keep)) == [21, 22]
    assert made.repairs == (("duplicated row", 2),)


def test_rows_without_a_time_are_left_out():
    time = 0.01 * np.arange(50.0)
    time[[3, 4]] = np.nan
    made = repair(time)
    assert list(np.flatnonzero(~made.keep)) == [3, 4]
    assert made.repairs == (("row without time", 2),)


def test_a_good_clock_is_left_alone():
    made = repair(100.0 + 0.01 * np.arange(50.0))
    assert made.keep.all()
    assert made.repairs == ()


def test_one_stamp_far_ahead_costs_one_row():
    time = 0.01 * np.arange(500.0)
    time[100] = 1e6
    made = repair(time)
    assert list(np.flatnonzero(~made.keep)) == [100]
    assert made.repairs == (("backward stamp", 1),)


@pytest.mark.parametrize(
    ("time", "words"),
    [
        (0.01 * np.arange(9.0), "9 rows: must hold at least 10"),
        (np.full(50, np.nan), "0 rows"),
        (np.full(50, 7.0), r"run1.csv:3 column 't' = 7 s again \(49 of 50"),
        (np.concatenate([np.arange(100.0), np.arange(100.0)]) * 0.01, "run1.csv:102 .* 0 s after 0.99 s"),
        (5.0 * np.arange(50.0), 'median step of 5 s.*"ms" instead of "s"'),
        (1e-6 * np.arange(50.0), "median step of 1e-06 s"),
        (-0.01 * np.arange(50.0), "must not go back"),
    ],
)
def test_a_clock_that_keeps_no_time_is_refused(time: np.ndarray, words: str):
    with pytest.raises(InputError, match=words):
        repair(time)
