"""Errors say where, what, what is allowed and what to do, in one shape for text and JSON."""

import json
import pickle

import pytest

from gridfit.errors import (
    CallError,
    DataError,
    FitError,
    GridfitError,
    InputError,
    Problem,
    nearest,
    suggestion,
)

RATIO = Problem("car.toml:12 [gearbox]", "ratios[4]", "13.5", "must lie in 0.3 to 6", "Write 1.35.")


def test_a_problem_reads_as_one_line():
    assert str(RATIO) == "car.toml:12 [gearbox] ratios[4] = 13.5: must lie in 0.3 to 6. Write 1.35."


def test_empty_parts_leave_no_trace():
    assert str(Problem("run1.csv", "", "", "is missing", "")) == "run1.csv: is missing."


# The command line's contract with scripts: 2 the call, 3 an input file, 4 the evidence.
@pytest.mark.parametrize(("kind", "code"), [(CallError, 2), (InputError, 3), (DataError, 4), (FitError, 4)])
def test_exit_codes(kind: type[GridfitError], code: int):
    error = kind.of(where="x", value=3, allowed="must be 4", remedy="Write 4.")
    assert (error.exit_code, error.problems[0].value) == (code, "3")


def test_all_problems_are_shown_in_order():
    error = InputError([RATIO, Problem("car.toml:3", "mass", "0", "must be more", "Weigh it.")])
    assert str(error).split("\n") == [str(problem) for problem in error.problems]


def test_json_holds_every_field():
    told = json.loads(json.dumps(InputError([RATIO]).to_dict()))
    assert told["error"] == "InputError"
    assert told["exit_code"] == 3
    assert told["problems"] == [
        {
            "where": "car.toml:12 [gearbox]",
            "what": "ratios[4]",
            "value": "13.5",
            "allowed": "must lie in 0.3 to 6",
            "remedy": "Write 1.35.",
        }
    ]


def test_an_error_survives_the_way_from_a_worker_process():
    error = pickle.loads(pickle.dumps(DataError([RATIO])))
    assert isinstance(error, DataError)
    assert error.problems == (RATIO,)


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("throtle", "did you mean 'throttle'?"),
        ("Throttle", "did you mean 'throttle'?"),
        ("xyz", ""),
    ],
)
def test_nearest(written: str, expected: str):
    assert nearest(written, ["time", "throttle"]) == expected


def test_suggestion_keeps_the_case_of_the_name():
    assert suggestion("SpedFL", ["SpeedFL"], "Remove it.") == "Did you mean 'SpeedFL'?"
    assert suggestion("q", ["SpeedFL"], "Remove it.") == "Remove it."
