"""What else can differ between the runs of two compounds: each check found where it is so, and quiet where not."""

import numpy as np
import pandas as pd
import pytest

from gridfit.compounds import compare
from gridfit.imbalance import beyond

LOG_MU = np.array([0.10, 0.11, 0.09, 0.10, 0.16, 0.17, 0.15, 0.18])
TWO = ["soft"] * 4 + ["hard"] * 4


def _finding(check, names=TWO, log_mu=LOG_MU, **columns):
    table = pd.DataFrame(
        {
            "run": [f"r{i}" for i in range(len(names))],
            "compound": names,
            "log_mu": log_mu,
            "se": 0.0,
            **columns,
        }
    )
    pair = compare(table, np.random.default_rng(0)).pairs[0]
    return next((one for one in pair.findings if one.check == check), None)


@pytest.mark.parametrize(
    ("check", "column", "apart", "alike"),
    [
        ("speeds alike", "speed_kmh", [40.0, 42, 44, 41, 80, 82, 79, 85], [40.0, 80, 44, 82, 42, 81, 79, 43]),
        ("grids alike", "grids", ["a"] * 4 + ["b"] * 4, ["a", "b"] * 4),
        ("driver alike", "driver", ["Ann"] * 4 + ["Bo"] * 4, ["Ann", "Bo"] * 4),
        ("size alike", "radius_m", [0.31] * 4 + [0.32] * 4, [0.310, 0.311, 0.310, 0.311] * 2),
    ],
)
def test_what_differs_is_said_and_what_does_not_passes(check, column, apart, alike):
    found, quiet = _finding(check, **{column: apart}), _finding(check, **{column: alike})
    assert not found.passed
    assert found.remedy
    assert quiet.passed
    assert not quiet.remedy
    assert _finding(check) is None


def test_a_driver_that_only_some_notes_name_says_nothing():
    assert _finding("driver alike", driver=["Ann", "", "", "", "Bo", "", "", ""]) is None


def test_grids_that_are_shared_by_most_runs_pass():
    assert _finding("grids alike", grids=["a", "a", "a", "b", "a", "a", "a", "a"]).passed


def test_one_compound_always_first_is_said():
    day = ["2026-05-01"] * 8
    first = [f"2026-05-01T{hour:02d}:00:00" for hour in range(9, 17)]
    assert not _finding("in turn", day=day, started=first).passed
    turns = first[::2] + first[1::2]
    assert _finding("in turn", day=day, started=turns).passed
    assert _finding("in turn", day=day, started=[""] * 8) is None


def test_days_apart_say_nothing_of_the_order_within_a_day():
    started = [f"2026-05-0{1 + i // 4}T10:0{i}:00" for i in range(8)]
    assert _finding("in turn", day=[text[:10] for text in started], started=started) is None


def test_unlike_spreads_are_said():
    calm, wild = [0.10, 0.101, 0.099, 0.10], [0.16, 0.30, 0.02, 0.18]
    assert not _finding("spread alike", log_mu=np.array(calm + wild)).passed
    assert _finding("spread alike").passed


def test_compounds_beyond_the_others_speeds_are_named():
    table = pd.DataFrame(
        {"compound": ["a"] * 4 + ["b"] * 4, "speed_kmh": [40.0] * 4 + [40.0, 40.0, 80.0, 80.0]}
    )
    assert beyond(table, "speed_kmh", ["a", "b"]) == ("b",)
    assert beyond(table.assign(speed_kmh=40.0), "speed_kmh", ["a", "b"]) == ()
    assert beyond(table.drop(columns="speed_kmh"), "speed_kmh", ["a", "b"]) == ()
