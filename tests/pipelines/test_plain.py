"""Strict JSON from values of every kind."""

import json
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from gridfit.estimate import Estimate
from pipelines.plain import plain, to_json


@dataclass(frozen=True)
class Point:
    x: float
    where: Path


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (math.nan, None),
        (np.float64("inf"), None),
        (np.int64(3), 3),
        (np.bool_(False), False),
        (np.array([[1.0, math.nan]]), [[1.0, None]]),
        ((1, "a", None), [1, "a", None]),
        ({"b", "a"}, ["a", "b"]),
        (Path("a") / "b", str(Path("a") / "b")),
        (Estimate(1.0, 0.5, math.inf), {"mean": 1.0, "lo": 0.5, "hi": None}),
        (Point(1.5, Path("c")), {"x": 1.5, "where": "c"}),
        ({1: pd.DataFrame({"a": [1, 2]})}, {"1": [{"a": 1}, {"a": 2}]}),
        (pd.Series([1.0, math.nan]), [1.0, None]),
    ],
)
def test_values(value, expected):
    assert plain(value) == expected


def test_text_is_strict_json_with_letters_as_they_are():
    text = to_json({"µ": [math.nan, 0.1]})
    assert text.endswith("\n")
    assert "µ" in text
    # RFC 8259 knows no NaN: the parser is told to refuse it.
    assert json.loads(text, parse_constant=pytest.fail) == {"µ": [None, 0.1]}
