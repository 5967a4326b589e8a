"""Figures and findings as reports word them."""

import pytest

from gridfit.comparison import Pair
from gridfit.estimate import Estimate
from pipelines.report.compare_page import difference_words
from pipelines.report.proposal_page import in_words
from pipelines.report.sections import estimate_cell, signed


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("-0.31", "−0.31"),
        ("-0.55 to -0.13", "−0.55 to −0.13"),
        ("-0.00 to 0.40", "0.00 to 0.40"),
        ("-0", "0"),
        ("-0.001", "−0.001"),
        ("-10", "−10"),
        ("roll-on", "roll-on"),
    ],
)
def test_a_minus_sign_is_one_and_zero_has_none(given, shown):
    assert signed(given) == shown


def test_a_cell_shows_the_decimals_that_were_asked():
    cell = estimate_cell(Estimate(-0.0004, -0.0011, 0.0), 2)
    assert (cell.text, cell.below) == ("0.00", "0.00 to 0.00")
    cell = estimate_cell(Estimate(-0.311, -0.552, 0.131), 2)
    assert (cell.text, cell.below) == ("−0.31", "−0.55 to 0.13")


def test_nothing_known_is_said_as_that():
    nan = float("nan")
    assert estimate_cell(Estimate(nan, nan, nan), 2).text == "unknown"


def scores(**parts: tuple[float, float]) -> dict[str, dict[str, Estimate]]:
    rest = dict.fromkeys(("recovery_s", "overshoot_kmh", "drive_lost_kmh", "reslips", "jerk_rms"), (1.0, 1.0))
    whole = {**rest, **parts}
    return {
        pair: {name: Estimate.exactly(values[at]) for name, values in whole.items()}
        for at, pair in enumerate(("before", "after"))
    }


def test_what_gets_worse_is_said_too():
    assert in_words(scores(recovery_s=(0.71, 0.37), reslips=(0.0, 0.29), drive_lost_kmh=(0.68, -0.31))) == (
        "Better: recovery 0.37 instead of 0.71 s, drive lost −0.31 instead of 0.68 km/h; "
        "worse: re-slips 0.29 instead of 0.00."
    )


def test_a_sentence_starts_with_a_capital_whatever_changes():
    assert in_words(scores(jerk_rms=(1.0, 1.2))) == "Worse: jerk 1.20 instead of 1.00 1/s."
    assert in_words(scores()) == "No part of the score changes."


class OneDifference:
    a, b = "soft", "hard"

    def __init__(self, mean: float, lo: float, hi: float) -> None:
        self.peak_mu_diff_pct = Estimate(mean, lo, hi)


@pytest.mark.parametrize(
    ("interval", "said"),
    [
        ((-5.0, -6.6, -3.2), "hard has 5.0 % less peak friction than soft (3.2 to 6.6 %)"),
        ((2.0, -0.5, 4.5), "hard has 2.0 % more peak friction than soft (−0.5 to 4.5 %)"),
    ],
)
def test_a_difference_is_said_in_words(interval, said):
    pair: Pair = OneDifference(*interval)
    assert difference_words(pair) == said
