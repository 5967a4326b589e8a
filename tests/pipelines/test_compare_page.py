"""The page of a comparison where things are missing: no worth, nothing decided, a confounder, runs that tell little."""

import numpy as np
import pandas as pd
import pytest

from gridfit.compounds import compare
from gridfit.runplan import blocks_to_plan, run_plan
from pipelines.report.blocks import Page, Section
from pipelines.report.compare_evidence import finding_blocks, kind_blocks, run_blocks, worth_blocks
from pipelines.report.compare_page import Evidence, _decision_blocks, _next_blocks
from pipelines.report.page import render
from pipelines.report.sections import p_words


@pytest.fixture(scope="module")
def runs():
    rng = np.random.default_rng(2)
    nothing = np.full(8, np.nan)
    return pd.DataFrame(
        {
            "run": [f"r{i}" for i in range(8)], "compound": ["soft"] * 4 + ["hard"] * 4,
            "log_mu": 0.1 + 0.03 * rng.standard_normal(8), "se": 0.01, "track_temp_c": [20.0] * 4 + [35.0] * 4,
            "peak_slip_pct": nothing, "log_slip": nothing, "log_slip_se": nothing, "fall_off_pct": nothing,
            "fall_off_se": nothing, "drift_pct_per_min": nothing, "drift_se": nothing, "grids": "", "driver": "",
            "day": "2026-05-01", "started": "", "episodes": 5, "sliding_windows": 9,
        }
    )  # fmt: skip


@pytest.fixture(scope="module")
def text(runs):
    comparison = compare(runs, np.random.default_rng(0))
    plan = run_plan(
        ("soft", "hard"), blocks_to_plan(comparison), np.random.default_rng(0), drivers=("Ann", "Bo")
    )
    found = Evidence(comparison, runs, "no gear breaks traction", plan, None, ())
    sections = (
        Section("What to do next", _next_blocks(comparison, plan)),
        Section("The decision", _decision_blocks(found)),
        Section("What it is worth", worth_blocks(comparison, found.worth)),
        Section("Run by run", run_blocks(comparison, runs)),
        Section("What kind of tyre", kind_blocks(comparison)),
        Section("What else could explain it", finding_blocks(comparison)),
    )
    return render(Page("Compounds", "Undecided.", ("",), "careful", (), (), (), sections))


def test_what_is_missing_is_said(text):
    assert "Not told: no gear breaks traction" in text
    assert "nothing is said of them" in text
    assert "undecided" in text


def test_what_spoils_it_stands_beside_the_decision_with_a_plan(text):
    assert "compound and temperature are confounded" in text
    assert "Run plan: random order within blocks" in text
    assert "Ann" in text
    assert "in the order of the run plan" in text


def test_small_p_values_are_not_called_zero():
    assert p_words(0.0004) == "below 0.001"
    assert p_words(0.0415) == "0.042"
